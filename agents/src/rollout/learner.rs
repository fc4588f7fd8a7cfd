//! The learner.

use super::{Evidence, RolloutSettings};
use crate::neural::{Guide, Mask};
use lowgear_env::{Seed, Stream, World};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

/// A table of choices that gets better, and what is known about it. A choice is an action, or the number of actions:
/// to follow the guide.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RolloutLearner {
    settings: RolloutSettings,
    /// Choice of each cell.
    choices: Vec<u8>,
    /// By cell and action; differences to what the guide advised.
    pub(super) evidence: Vec<Vec<Evidence>>,
    /// How often each cell was met.
    visits: Vec<f64>,
    seed: Seed,
    episodes: u64,
    /// Simulated time so far, trials included, s.
    simulated_s: f64,
}

/// A world with its guide: what a trial copies.
#[derive(Clone)]
struct Run<'a, W, G> {
    world: W,
    guide: G,
    choices: &'a [u8],
}

impl<W: World, G: Guide<W::Observation>> Run<'_, W, G> {
    /// What the guide advises here, and what the table makes of it.
    fn decide(&mut self, cell: usize) -> (usize, usize) {
        let mask = Mask::from_fn(self.world.actions(), |action| self.world.allowed(action));
        let advice = self.guide.advise_within(self.world.observation(), mask);
        let advice = advice.or_else(|| mask.nth(0)).unwrap_or(0);
        let choice = usize::from(self.choices[cell]);
        (advice, if mask.allows(choice) { choice } else { advice })
    }
}

impl RolloutLearner {
    /// A learner for a world with so many cells and actions. All cells follow the guide.
    #[must_use]
    pub fn new(settings: RolloutSettings, cells: usize, actions: usize, seed: Seed) -> RolloutLearner {
        RolloutLearner {
            settings,
            choices: vec![actions as u8; cells],
            evidence: vec![vec![Evidence::default(); actions]; cells],
            visits: vec![0.0; cells],
            seed,
            episodes: 0,
            simulated_s: 0.0,
        }
    }

    /// Choice of each cell.
    #[must_use]
    pub fn choices(&self) -> &[u8] {
        &self.choices
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
    pub fn episode<W: World + Clone, G: Guide<W::Observation> + Clone>(
        &mut self,
        world: &W,
        guide: &G,
        cell_of: impl Fn(&W::Observation) -> usize,
        worth: impl Fn(&W) -> f64,
    ) {
        let mut rng = self.seed.stream(Stream::Explore, self.episodes);
        let choices = std::mem::take(&mut self.choices);
        let mut run = Run { world: world.clone(), guide: guide.clone(), choices: &choices };
        run.world.reset(self.episodes);
        run.guide.reset();
        loop {
            let cell = cell_of(run.world.observation());
            let (advice, action) = run.decide(cell);
            let allowed: Vec<usize> = (0..run.world.actions()).filter(|&a| run.world.allowed(a)).collect();
            if allowed.len() > 1 {
                self.visits[cell] += 1.0;
                if rng.random::<f64>() < self.share(cell) {
                    self.try_actions(&run, cell, advice, &allowed, &cell_of, &worth);
                }
            }
            let step = run.world.step(self.wander(action, &allowed, &mut rng));
            self.simulated_s += step.elapsed_s;
            if step.end.is_some() {
                break;
            }
        }
        self.choices = choices;
        self.episodes += 1;
        if self.episodes.is_multiple_of(self.settings.round) {
            self.improve();
        }
    }

    /// Share of a cell's states that are tried from, so that a round comes to as many trials as wanted.
    fn share(&self, cell: usize) -> f64 {
        let per_episode = self.visits[cell] / (self.episodes + 1) as f64;
        self.settings.trials / (per_episode * self.settings.round as f64)
    }

    /// The action, or now and then any that is allowed.
    fn wander(&self, action: usize, allowed: &[usize], rng: &mut ChaCha8Rng) -> usize {
        if rng.random::<f64>() >= self.settings.wander {
            return action;
        }
        allowed[rng.random_range(0..allowed.len())]
    }

    fn try_actions<W: World + Clone, G: Guide<W::Observation> + Clone>(
        &mut self,
        run: &Run<'_, W, G>,
        cell: usize,
        advice: usize,
        allowed: &[usize],
        cell_of: &impl Fn(&W::Observation) -> usize,
        worth: &impl Fn(&W) -> f64,
    ) {
        let advised = self.trial(run, advice, cell_of, worth);
        for &action in allowed {
            let collected = if action == advice { advised } else { self.trial(run, action, cell_of, worth) };
            self.evidence[cell][action].add(collected - advised);
        }
    }

    /// What `action` and then the present table come to.
    fn trial<W: World + Clone, G: Guide<W::Observation> + Clone>(
        &mut self,
        run: &Run<'_, W, G>,
        action: usize,
        cell_of: &impl Fn(&W::Observation) -> usize,
        worth: &impl Fn(&W) -> f64,
    ) -> f64 {
        let mut run = run.clone();
        let (mut action, mut collected, mut lasted_s) = (action, 0.0, 0.0);
        loop {
            let step = run.world.step(action);
            collected += step.reward;
            lasted_s += step.elapsed_s;
            if step.end.is_some() || lasted_s >= self.settings.horizon_s {
                self.simulated_s += lasted_s;
                return collected + worth(&run.world);
            }
            let cell = cell_of(run.world.observation());
            action = run.decide(cell).1;
        }
    }

    /// Gives each cell another choice where the evidence is clear.
    fn improve(&mut self) {
        let priors = self.priors();
        for (choice, evidence) in self.choices.iter_mut().zip(&self.evidence) {
            if let Some(better) = better(evidence, usize::from(*choice), &priors, &self.settings) {
                *choice = better as u8;
            }
        }
        for evidence in self.evidence.iter_mut().flatten() {
            evidence.fade(self.settings.keep);
        }
    }

    /// Variance of one trial of each action, over all cells.
    fn priors(&self) -> Vec<f64> {
        let actions = self.evidence.first().map_or(0, Vec::len);
        (0..actions)
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

/// The choice that is better than `present` by more than chance allows, the clearest of them.
fn better(
    evidence: &[Evidence],
    present: usize,
    priors: &[f64],
    settings: &RolloutSettings,
) -> Option<usize> {
    let guide = evidence.len();
    // Mean and variance of the mean; the guide's own is 0 by definition.
    let known = |choice: usize| match evidence.get(choice) {
        None => Some((0.0, 0.0)),
        Some(e) if e.trials >= FEWEST => Some((e.mean(), e.variance_of_mean(priors[choice]))),
        Some(_) => None,
    };
    let (mean, variance) = known(present)?;
    let sure = |choice: usize| {
        let (other, spread) = known(choice)?;
        Some(other - mean - settings.confidence * (variance + spread).sqrt())
    };
    (0..=guide)
        .filter(|&choice| choice != present)
        .filter_map(|choice| sure(choice).map(|gain| (choice, gain)))
        .filter(|&(_, gain)| gain > settings.least_gain)
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(choice, _)| choice)
}
