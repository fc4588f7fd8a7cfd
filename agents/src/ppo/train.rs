//! The training loop.

use std::ops::ControlFlow;

use lowgear_env::{End, EpisodeTotals, Step, World, run_episode};
use rayon::prelude::*;

use super::{Actor, Encode, Guide, Mask, NeuralError, Ppo, UpdateStatistics, View};

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
/// Those of [`Ppo::act_all`], [`Ppo::observe`] and [`Ppo::update`]; another number of worlds.
pub fn train<W, E, G>(
    ppo: &mut Ppo,
    env_slots: &mut [EnvSlot<W, E, G>],
    decisions: u64,
    mut finished: impl FnMut(&Ppo, &IterationResult) -> ControlFlow<()>,
) -> Result<(), NeuralError>
where
    W: World + Send,
    E: Encode<W::Observation> + Send,
    G: Guide<W::Observation> + Send,
{
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

/// Number of worlds from which on they move on several threads: fewer are done before a thread has woken.
pub const MANY_WORLDS: usize = 32;

/// Worlds of one thread's share, at least.
const SHARE: usize = 8;

/// Runs whole episodes, a decision in each world at a time, until the iteration is full. Not `run_episode`: the episodes
/// of all worlds are under way together, and the learner can fail.
fn collect_rollouts<W, E, G>(
    ppo: &mut Ppo,
    env_slots: &mut [EnvSlot<W, E, G>],
) -> Result<Vec<EpisodeTotals>, NeuralError>
where
    W: World + Send,
    E: Encode<W::Observation> + Send,
    G: Guide<W::Observation> + Send,
{
    let mut lanes = Vec::with_capacity(env_slots.len());
    for (i, env_slot) in env_slots.iter_mut().enumerate() {
        lanes.push(Lane::new(env_slot, ppo.begin_episode(i)?, ppo));
    }
    let mut over = Vec::new();
    loop {
        if lanes.len() < MANY_WORLDS {
            lanes.iter_mut().for_each(Lane::advance);
        } else {
            lanes.par_iter_mut().with_min_len(SHARE).for_each(Lane::advance);
        }
        for (i, lane) in lanes.iter_mut().enumerate() {
            let Some(step) = lane.step.take() else { continue };
            ppo.observe(i, &step, &lane.input)?;
            if step.end.is_some() {
                over.push(lane.totals);
                lane.next =
                    if ppo.buffer_is_full() { Next::Rest } else { Next::Reset(ppo.begin_episode(i)?) };
            }
        }
        let deciding = |lane: &Lane<'_, W, E, G>| matches!(lane.next, Next::Decide);
        let views: Vec<View<'_>> = lanes
            .iter()
            .enumerate()
            .filter(|(_, lane)| deciding(lane))
            .map(|(i, lane)| lane.view(i))
            .collect();
        let actions = ppo.act_all(&views)?;
        let mut actions = actions.into_iter();
        for lane in lanes.iter_mut().filter(|lane| deciding(lane)) {
            lane.next = actions.next().map_or(Next::Rest, Next::Step);
        }
        if lanes.iter().all(|lane| matches!(lane.next, Next::Rest)) {
            return Ok(over);
        }
    }
}

/// A world with its episode under way.
struct Lane<'a, W, E, G> {
    env_slot: &'a mut EnvSlot<W, E, G>,
    /// Decisions after which an episode is cut.
    longest: u64,
    /// Whether the value sees more than the policy.
    privileged: bool,
    next: Next,
    totals: EpisodeTotals,
    /// What the network sees now, which actions are possible, and what the guide would do.
    input: Vec<f32>,
    mask: Mask,
    advice: Option<usize>,
    /// What the last decision led to, until the learner has taken it.
    step: Option<Step>,
}

/// What a lane does next.
enum Next {
    /// Begins the episode of this number.
    Reset(u64),
    /// Takes this action.
    Step(usize),
    /// Waits for an action.
    Decide,
    /// Nothing, to the end of the iteration.
    Rest,
}

impl<'a, W: World, E: Encode<W::Observation>, G: Guide<W::Observation>> Lane<'a, W, E, G> {
    fn new(env_slot: &'a mut EnvSlot<W, E, G>, episode: u64, ppo: &Ppo) -> Lane<'a, W, E, G> {
        Lane {
            env_slot,
            longest: ppo.config().episode_limit,
            privileged: ppo.privileged() > 0,
            next: Next::Reset(episode),
            totals: EpisodeTotals::default(),
            input: Vec::new(),
            mask: Mask::all(0),
            advice: None,
            step: None,
        }
    }

    const fn view(&self, number: usize) -> View<'_> {
        View { env_slot: number, observation: self.input.as_slice(), mask: self.mask, guide: self.advice }
    }

    /// Begins an episode or takes the action, and sees what there is to see for the next decision. Knows no learner:
    /// lanes may do this in any order.
    fn advance(&mut self) {
        let EnvSlot { world, encode, guide } = &mut *self.env_slot;
        match self.next {
            Next::Decide | Next::Rest => return,
            Next::Reset(episode) => {
                self.totals = EpisodeTotals::default();
                world.reset(episode);
                encode.reset();
                guide.reset();
            }
            Next::Step(action) => {
                let mut step = world.step(action);
                if step.end.is_none() && self.totals.decisions + 1 >= self.longest {
                    step.end = Some(End::Truncated);
                }
                self.totals.add(&step);
                self.step = Some(step);
            }
        }
        self.input.clear();
        encode.encode(world.observation(), &mut self.input);
        if self.privileged {
            world.privileged(&mut self.input);
        }
        self.next = Next::Decide;
        if self.totals.end.is_none() {
            self.mask = world.mask();
            self.advice = guide.advise_within(world.observation(), self.mask);
        }
    }
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
