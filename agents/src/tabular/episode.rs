//! The training loop of tabular learners: start reading here.

use super::learner::{Choice, TabularLearner, View};
use crate::policy::Mask;
use lowgear_env::{End, EpisodeTotals, World};

/// Drives episode number `episode` and learns from every decision.
///
/// `encode` gives the cell of an observation. `guide` is asked once per decision and may say what a rule
/// would do; a guide with a memory must be reset by the caller.
pub fn learn_episode<W: World>(
    world: &mut W,
    encode: impl Fn(&W::Observation) -> usize,
    learner: &mut TabularLearner,
    episode: u64,
    mut guide: impl FnMut(&W::Observation, Mask) -> Option<usize>,
) -> EpisodeTotals {
    let mut choose = |world: &W, learner: &mut TabularLearner| {
        let view = look(world, &encode, &mut guide);
        let action = learner.act(&view);
        Choice { view, action }
    };
    world.reset(episode);
    learner.begin_episode();
    let mut choice = choose(world, learner);
    let mut totals = EpisodeTotals::default();
    // Not `run_episode`: Sarsa learns from a decision only when the next one has been taken, after a time limit too.
    loop {
        let step = world.step(choice.action);
        totals.add(&step);
        let next = match step.end {
            Some(End::Terminated) => None,
            Some(End::Truncated) | None => Some(choose(world, learner)),
        };
        learner.learn(&choice, step.reward, step.elapsed_s, next.as_ref());
        match (step.end, next) {
            (None, Some(next)) => choice = next,
            _ => return totals,
        }
    }
}

/// What the learner sees now.
fn look<W: World>(
    world: &W,
    encode: impl Fn(&W::Observation) -> usize,
    guide: &mut impl FnMut(&W::Observation, Mask) -> Option<usize>,
) -> View {
    let allowed = world.mask();
    let observation = world.observation();
    View { cell: encode(observation), guide: guide(observation, allowed), allowed }
}
