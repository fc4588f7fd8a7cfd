//! The training loop.

use std::ops::ControlFlow;

use lowgear_env::{End, World};

use super::{Dqn, Encode, Guide, Mlp, NeuralError, Scratch, UpdateStatistics, mask_of};

/// An episode of training, exploration included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Episode {
    /// Its number in the world.
    pub number: u64,
    /// Decisions taken.
    pub decisions: u64,
    /// Sum of rewards, neither scaled nor discounted.
    pub sum_of_rewards: f64,
    /// Time that passed in the world, s.
    pub duration_s: f64,
    /// Why it stopped.
    pub end: End,
    /// The last learning step in it.
    pub learned: Option<UpdateStatistics>,
}

/// Learns until `decisions` decisions have been lived through in all, then to the end of that episode.
///
/// `finished` is called between two episodes: the place to report, to save the learner's state (training
/// then resumes bit for bit), and to stop early. Episode numbers count up with the learner.
///
/// # Errors
/// Those of [`Dqn::act`] and [`Dqn::observe`].
pub fn train<W: World>(
    dqn: &mut Dqn,
    world: &mut W,
    encode: &mut impl Encode<W::Observation>,
    guide: &mut impl Guide<W::Observation>,
    decisions: u64,
    mut finished: impl FnMut(&Dqn, &Episode) -> ControlFlow<()>,
) -> Result<(), NeuralError> {
    let mut input = Vec::new();
    while dqn.decisions() < decisions {
        let number = dqn.episodes();
        let (mut count, mut sum_of_rewards, mut duration_s, mut learned) = (0, 0.0, 0.0, None);
        world.reset(number);
        encode.reset();
        guide.reset();
        encode.encode(world.observation(), &mut input);
        let end = loop {
            let mask = mask_of(world);
            let advice = guide.advise_within(world.observation(), mask);
            let action = dqn.act(&input, mask, advice)?;
            let step = world.step(action);
            input.clear();
            encode.encode(world.observation(), &mut input);
            learned = dqn.observe(&step, &input, mask_of(world))?.or(learned);
            count += 1;
            sum_of_rewards += step.reward;
            duration_s += step.elapsed_s;
            if let Some(end) = step.end {
                break end;
            }
        };
        input.clear();
        let episode = Episode { number, decisions: count, sum_of_rewards, duration_s, end, learned };
        if finished(dqn, &episode).is_break() {
            break;
        }
    }
    Ok(())
}

/// Sum of rewards of one episode under the action valued highest.
pub fn greedy_return<W: World>(
    network: &Mlp,
    world: &mut W,
    encode: &mut impl Encode<W::Observation>,
    episode: u64,
) -> f64 {
    let (mut input, mut scratch, mut sum) = (Vec::new(), Scratch::default(), 0.0);
    world.reset(episode);
    encode.reset();
    loop {
        input.clear();
        encode.encode(world.observation(), &mut input);
        let action = mask_of(world).best(network.values(&input, &mut scratch)).unwrap_or(0);
        let step = world.step(action);
        sum += step.reward;
        if step.end.is_some() {
            return sum;
        }
    }
}
