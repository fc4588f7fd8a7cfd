//! The training loop of tabular learners: start reading here.

use super::learner::{Choice, TabularLearner, View};
use crate::policy::{Mask, mask_of};
use lowgear_env::{End, World};

/// Outcome of an episode.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EpisodeTotals {
    /// Sum of rewards, not discounted.
    pub total_reward: f64,
    /// Time taken, s.
    pub elapsed_s: f64,
    /// Decisions taken.
    pub decisions: u64,
    /// Why it stopped.
    pub end: End,
}

/// Drives episode number `episode` and learns from every decision.
///
/// `encode` gives the cell of an observation. `guide` is asked once per decision and may say what a rule
/// would do; a guide with a memory must be reset by the caller.
pub fn run_episode<W: World>(
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
    let mut sum = EpisodeTotals { total_reward: 0.0, elapsed_s: 0.0, decisions: 0, end: End::Truncated };
    loop {
        let step = world.step(choice.action);
        sum.total_reward += step.reward;
        sum.elapsed_s += step.elapsed_s;
        sum.decisions += 1;
        let next = match step.end {
            Some(End::Terminated) => None,
            Some(End::Truncated) | None => Some(choose(world, learner)),
        };
        learner.learn(&choice, step.reward, step.elapsed_s, next.as_ref());
        match (step.end, next) {
            (None, Some(next)) => choice = next,
            (end, _) => return EpisodeTotals { end: end.unwrap_or(End::Terminated), ..sum },
        }
    }
}

/// Drives episode number `episode` by `decide` and learns nothing.
pub fn play_episode<W: World>(
    world: &mut W,
    episode: u64,
    mut decide: impl FnMut(&W::Observation, Mask) -> usize,
) -> EpisodeTotals {
    world.reset(episode);
    let mut sum = EpisodeTotals { total_reward: 0.0, elapsed_s: 0.0, decisions: 0, end: End::Truncated };
    loop {
        let action = decide(world.observation(), mask_of(world));
        let step = world.step(action);
        sum.total_reward += step.reward;
        sum.elapsed_s += step.elapsed_s;
        sum.decisions += 1;
        if let Some(end) = step.end {
            return EpisodeTotals { end, ..sum };
        }
    }
}

/// What the learner sees now.
fn look<W: World>(
    world: &W,
    encode: impl Fn(&W::Observation) -> usize,
    guide: &mut impl FnMut(&W::Observation, Mask) -> Option<usize>,
) -> View {
    let allowed = mask_of(world);
    let observation = world.observation();
    View { cell: encode(observation), guide: guide(observation, allowed), allowed }
}
