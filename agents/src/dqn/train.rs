//! The training loop.

use std::ops::ControlFlow;

use lowgear_env::{EpisodeTotals, World, run_episode};

use super::{Dqn, Encode, Guide, Network, NeuralError, Scratch};

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
    mut finished: impl FnMut(&Dqn, &EpisodeTotals) -> ControlFlow<()>,
) -> Result<(), NeuralError> {
    let mut input = Vec::new();
    while dqn.decisions() < decisions {
        let number = dqn.episodes();
        let mut totals = EpisodeTotals::default();
        world.reset(number);
        encode.reset();
        guide.reset();
        encode.encode(world.observation(), &mut input);
        // Not `run_episode`: the learner can fail, at a decision and when it learns.
        while totals.end.is_none() {
            let mask = world.mask();
            let advice = guide.advise_within(world.observation(), mask);
            let action = dqn.act(&input, mask, advice)?;
            let step = world.step(action);
            input.clear();
            encode.encode(world.observation(), &mut input);
            dqn.observe(&step, &input, world.mask())?;
            totals.add(&step);
        }
        input.clear();
        if finished(dqn, &totals).is_break() {
            break;
        }
    }
    Ok(())
}

/// Sum of rewards of one episode under the action valued highest.
pub fn greedy_return<W: World>(
    network: &Network,
    world: &mut W,
    encode: &mut impl Encode<W::Observation>,
    episode: u64,
) -> f64 {
    let (mut input, mut scratch) = (Vec::new(), Scratch::default());
    world.reset(episode);
    encode.reset();
    let decide = |world: &W| {
        input.clear();
        encode.encode(world.observation(), &mut input);
        world.mask().best(network.values(&input, &mut scratch)).unwrap_or(0)
    };
    run_episode(world, decide, |_, _, _| {}).sum_of_rewards
}
