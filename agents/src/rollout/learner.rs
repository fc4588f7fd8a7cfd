//! The learner.

use super::{Evidence, RolloutSettings};
use lowgear_env::{Seed, Stream, World};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

/// A table of actions that gets better, and what is known about it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RolloutLearner {
    settings: RolloutSettings,
    /// Action of each cell.
    actions: Vec<u8>,
    /// By cell and action; differences to the action of reference.
    evidence: Vec<Vec<Evidence>>,
    /// How often each cell was met.
    visits: Vec<f64>,
    reference: usize,
    seed: Seed,
    episodes: u64,
    /// Simulated time so far, trials included, s.
    simulated_s: f64,
}

impl RolloutLearner {
    /// A learner that begins with `actions`, one per cell. `reference` is an action that is always allowed;
    /// `choices` the number of actions.
    #[must_use]
    pub fn new(
        settings: RolloutSettings,
        actions: Vec<u8>,
        choices: usize,
        reference: usize,
        seed: Seed,
    ) -> RolloutLearner {
        let cells = actions.len();
        RolloutLearner {
            settings,
            actions,
            evidence: vec![vec![Evidence::default(); choices]; cells],
            visits: vec![0.0; cells],
            reference,
            seed,
            episodes: 0,
            simulated_s: 0.0,
        }
    }

    /// Action of each cell.
    #[must_use]
    pub fn actions(&self) -> &[u8] {
        &self.actions
    }

    /// Episodes so far.
    #[must_use]
    pub const fn episodes(&self) -> u64 {
        self.episodes
    }

    /// Simulated time so far, trials included, s.
    #[must_use]
    pub const fn simulated_s(&self) -> f64 {
        self.simulated_s
    }

    /// The next episode of `world`: drives the present table, tries actions on copies, and at the end of a round
    /// improves the table. `cell_of` says where an observation lies; `worth` what the state that a trial ends in is
    /// worth beyond it, up to a constant. Without it trials would be paid for what they collect alone.
    ///
    /// Returns how many cells changed.
    pub fn episode<W: World + Clone>(
        &mut self,
        world: &mut W,
        cell_of: impl Fn(&W::Observation) -> usize,
        worth: impl Fn(&W) -> f64,
    ) -> usize {
        let mut rng = self.seed.stream(Stream::Explore, self.episodes);
        world.reset(self.episodes);
        loop {
            let cell = cell_of(world.observation());
            if (0..world.actions()).any(|a| a != self.reference && world.allowed(a)) {
                self.visits[cell] += 1.0;
                if rng.random::<f64>() < self.share(cell) {
                    self.try_actions(world, cell, &cell_of, &worth);
                }
            }
            let step = world.step(self.wander(world, cell, &mut rng));
            self.simulated_s += step.elapsed_s;
            if step.end.is_some() {
                break;
            }
        }
        self.episodes += 1;
        if self.episodes.is_multiple_of(self.settings.round) { self.improve() } else { 0 }
    }

    /// Share of a cell's states that are tried from, so that a round comes to as many trials as wanted.
    fn share(&self, cell: usize) -> f64 {
        let per_episode = self.visits[cell] / (self.episodes + 1) as f64;
        self.settings.trials / (per_episode * self.settings.round as f64)
    }

    /// The table's action if it is allowed, else that of reference.
    fn action<W: World>(&self, world: &W, cell: usize) -> usize {
        let action = usize::from(self.actions[cell]);
        if world.allowed(action) { action } else { self.reference }
    }

    /// The same, or now and then any action that is allowed.
    fn wander<W: World>(&self, world: &W, cell: usize, rng: &mut ChaCha8Rng) -> usize {
        if rng.random::<f64>() >= self.settings.wander {
            return self.action(world, cell);
        }
        let allowed: Vec<usize> = (0..world.actions()).filter(|&a| world.allowed(a)).collect();
        allowed[rng.random_range(0..allowed.len())]
    }

    fn try_actions<W: World + Clone>(
        &mut self,
        world: &W,
        cell: usize,
        cell_of: &impl Fn(&W::Observation) -> usize,
        worth: &impl Fn(&W) -> f64,
    ) {
        let reference = self.trial(world, self.reference, cell_of, worth);
        for action in 0..world.actions() {
            if action != self.reference && world.allowed(action) {
                let difference = self.trial(world, action, cell_of, worth) - reference;
                self.evidence[cell][action].add(difference);
            }
        }
    }

    /// What `action` and then the present table come to.
    fn trial<W: World + Clone>(
        &mut self,
        world: &W,
        action: usize,
        cell_of: &impl Fn(&W::Observation) -> usize,
        worth: &impl Fn(&W) -> f64,
    ) -> f64 {
        let mut world = world.clone();
        let (mut action, mut collected, mut lasted_s) = (action, 0.0, 0.0);
        loop {
            let step = world.step(action);
            collected += step.reward;
            lasted_s += step.elapsed_s;
            if step.end.is_some() || lasted_s >= self.settings.horizon_s {
                self.simulated_s += lasted_s;
                return collected + worth(&world);
            }
            action = self.action(&world, cell_of(world.observation()));
        }
    }

    /// Gives each cell another action where the evidence is clear. Returns how many changed.
    fn improve(&mut self) -> usize {
        let priors = self.priors();
        let mut changed = 0;
        for (actions, evidence) in self.actions.iter_mut().zip(&self.evidence) {
            let better = better(evidence, usize::from(*actions), self.reference, &priors, &self.settings);
            if let Some(action) = better {
                *actions = action as u8;
                changed += 1;
            }
        }
        for evidence in self.evidence.iter_mut().flatten() {
            evidence.fade(self.settings.keep);
        }
        changed
    }

    /// Variance of one trial of each action, over all cells.
    fn priors(&self) -> Vec<f64> {
        let choices = self.evidence.first().map_or(0, Vec::len);
        (0..choices)
            .map(|action| {
                let of_action = self.evidence.iter().map(|cell| &cell[action]);
                let (trials, sum) =
                    of_action.fold((0.0, 0.0), |(n, sum), e| (n + e.trials, sum + e.trials * e.variance()));
                if trials > 0.0 { sum / trials } else { 0.0 }
            })
            .collect()
    }
}

/// Fewer trials than this say nothing.
const FEWEST: f64 = 4.0;

/// The action that is better than `present` by more than chance allows, the clearest of them.
fn better(
    evidence: &[Evidence],
    present: usize,
    reference: usize,
    priors: &[f64],
    settings: &RolloutSettings,
) -> Option<usize> {
    // Mean and variance of the mean; the action of reference is 0 by definition.
    let known = |action: usize| {
        let e = &evidence[action];
        if action == reference {
            Some((0.0, 0.0))
        } else if e.trials >= FEWEST {
            Some((e.mean(), e.variance_of_mean(priors[action])))
        } else {
            None
        }
    };
    let (mean, variance) = known(present)?;
    let sure = |action: usize| {
        let (other, spread) = known(action)?;
        Some(other - mean - settings.confidence * (variance + spread).sqrt())
    };
    (0..evidence.len())
        .filter(|&action| action != present)
        .filter_map(|action| sure(action).map(|gain| (action, gain)))
        .filter(|&(_, gain)| gain > settings.least_gain)
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(action, _)| action)
}
