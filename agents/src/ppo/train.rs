//! The training loop.

use std::ops::ControlFlow;

use lowgear_env::{End, EpisodeTotals, World, run_episode};

use super::{Actor, Encode, Guide, NeuralError, Ppo, UpdateStatistics};

/// One of the worlds that a learner lives in, with what remembers there.
#[derive(Clone, Debug)]
pub struct EnvSlot<W, E, G> {
    /// The world.
    pub world: W,
    /// From what is seen to numbers.
    pub encode: E,
    /// The guide.
    pub guide: G,
}

/// A training iteration.
#[derive(Clone, Debug, PartialEq)]
pub struct IterationResult {
    /// Its episodes, in the order in which they ended.
    pub episodes: Vec<EpisodeTotals>,
    /// What was learned from it.
    pub learned: UpdateStatistics,
}

/// Learns until `decisions` decisions have been collected in all, then to the end of that iteration.
///
/// `env_slots` are as many as the settings say under `num-envs`, all alike: an episode's number decides what
/// happens in it, whichever world it is stepped in. `finished` is called between two iterations, when no
/// episode is under way: the place to report, to save the learner's state (training then resumes bit for
/// bit, with worlds rebuilt), and to stop early.
///
/// # Errors
/// Those of [`Ppo::act`], [`Ppo::observe`] and [`Ppo::update`]; another number of lanes.
pub fn train<W: World, E: Encode<W::Observation>, G: Guide<W::Observation>>(
    ppo: &mut Ppo,
    env_slots: &mut [EnvSlot<W, E, G>],
    decisions: u64,
    mut finished: impl FnMut(&Ppo, &IterationResult) -> ControlFlow<()>,
) -> Result<(), NeuralError> {
    if env_slots.len() != ppo.config().num_envs {
        return Err(NeuralError::Length {
            what: "num-envs",
            got: env_slots.len(),
            want: ppo.config().num_envs,
        });
    }
    while ppo.decisions() < decisions {
        let episodes = collect_rollouts(ppo, env_slots)?;
        let learned = ppo.update()?;
        if finished(ppo, &IterationResult { episodes, learned }).is_break() {
            break;
        }
    }
    Ok(())
}

/// Runs whole episodes, one decision in each world in turn, until the iteration is full. Not `run_episode`: the episodes
/// of all worlds are under way together, and the learner can fail.
fn collect_rollouts<W: World, E: Encode<W::Observation>, G: Guide<W::Observation>>(
    ppo: &mut Ppo,
    env_slots: &mut [EnvSlot<W, E, G>],
) -> Result<Vec<EpisodeTotals>, NeuralError> {
    let mut under_way = Vec::with_capacity(env_slots.len());
    for (i, env_slot) in env_slots.iter_mut().enumerate() {
        under_way.push(Some(begin(ppo, i, env_slot)?));
    }
    let mut over = Vec::new();
    while under_way.iter().any(Option::is_some) {
        for (i, (env_slot, slot)) in env_slots.iter_mut().zip(&mut under_way).enumerate() {
            let Some((episode, input)) = slot else { continue };
            if decide(ppo, i, env_slot, episode, input)? {
                over.push(*episode);
                *slot = if ppo.buffer_is_full() { None } else { Some(begin(ppo, i, env_slot)?) };
            }
        }
    }
    Ok(over)
}

/// Begins an episode; returns its record and what the network sees.
fn begin<W: World, E: Encode<W::Observation>, G: Guide<W::Observation>>(
    ppo: &mut Ppo,
    number: usize,
    env_slot: &mut EnvSlot<W, E, G>,
) -> Result<(EpisodeTotals, Vec<f32>), NeuralError> {
    let number = ppo.begin_episode(number)?;
    env_slot.world.reset(number);
    env_slot.encode.reset();
    env_slot.guide.reset();
    let mut input = Vec::new();
    env_slot.encode.encode(env_slot.world.observation(), &mut input);
    Ok((EpisodeTotals::default(), input))
}

/// One decision in one world. Returns whether the episode is over.
fn decide<W: World, E: Encode<W::Observation>, G: Guide<W::Observation>>(
    ppo: &mut Ppo,
    number: usize,
    env_slot: &mut EnvSlot<W, E, G>,
    episode: &mut EpisodeTotals,
    input: &mut Vec<f32>,
) -> Result<bool, NeuralError> {
    let mask = env_slot.world.mask();
    let advice = env_slot.guide.advise_within(env_slot.world.observation(), mask);
    let action = ppo.act(number, input, mask, advice)?;
    let mut step = env_slot.world.step(action);
    if step.end.is_none() && episode.decisions + 1 >= ppo.config().episode_limit {
        step.end = Some(End::Truncated);
    }
    episode.add(&step);
    input.clear();
    env_slot.encode.encode(env_slot.world.observation(), input);
    ppo.observe(number, &step, input)?;
    Ok(step.end.is_some())
}

/// Sum of rewards of one episode under the likeliest action.
pub fn greedy_return<W: World>(
    actor: &mut Actor,
    world: &mut W,
    encode: &mut impl Encode<W::Observation>,
    guide: &mut impl Guide<W::Observation>,
    episode: u64,
) -> f64 {
    let mut input = Vec::new();
    world.reset(episode);
    encode.reset();
    guide.reset();
    actor.reset();
    let decide = |world: &W| {
        input.clear();
        encode.encode(world.observation(), &mut input);
        let mask = world.mask();
        let advice = guide.advise_within(world.observation(), mask);
        mask.best(actor.probabilities(&input, mask, advice)).unwrap_or(0)
    };
    run_episode(world, decide, |_, _, _| {}).sum_of_rewards
}
