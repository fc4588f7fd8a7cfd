//! Sets of courses that never overlap, and policies driven over them.

use lowgear_agents::policy::Policy;
use lowgear_env::{Drive, Outcome, Scenario, Seed, World, run_episode};
use rayon::prelude::*;
use std::sync::Arc;

/// What a set of courses is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u64)]
enum Split {
    Training = 1,
    Validation = 2,
    Test = 3,
}

/// Courses that learners and tuners may see.
#[derive(Clone, Debug)]
pub struct TrainingSuite(Arc<Scenario>);

/// Courses that choose between candidates; never trained on.
#[derive(Clone, Debug)]
pub struct ValidationSuite {
    scenario: Arc<Scenario>,
    /// Number of courses.
    pub courses: u64,
}

/// Courses for the comparison alone: no tuner, learner or selection takes this type.
#[derive(Clone, Debug)]
pub struct TestSuite {
    scenario: Arc<Scenario>,
    /// Number of courses.
    pub courses: u64,
}

/// Means over courses.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MeanOutcome {
    /// Return, s.
    pub return_s: f64,
    /// Course time, s.
    pub time_s: f64,
    /// Damage of a course, share of nominal life.
    pub damage: f64,
    /// Ticks driven, all courses together.
    pub ticks: u64,
}

fn split(scenario: &Scenario, split: Split) -> Arc<Scenario> {
    Arc::new(scenario.with_seed(scenario.seed.part(split as u64)))
}

/// The same courses, with a reward in which gearbox stress weighs `factor` times as much.
fn with_stress_weight(scenario: &Scenario, factor: f64) -> Arc<Scenario> {
    let mut scenario = scenario.clone();
    scenario.episode.reward.stress_s_per_life *= factor;
    Arc::new(scenario)
}

impl TrainingSuite {
    /// The training courses of a study.
    #[must_use]
    pub fn new(study: &Scenario) -> TrainingSuite {
        TrainingSuite(split(study, Split::Training))
    }

    /// The scenario; every episode number is allowed.
    #[must_use]
    pub fn scenario(&self) -> &Arc<Scenario> {
        &self.0
    }

    /// Training courses of one training run: other ones for every run, never validation or test courses.
    #[must_use]
    pub fn for_run(&self, run: Seed) -> TrainingSuite {
        TrainingSuite(Arc::new(self.0.with_seed(self.0.seed.part(run.0))))
    }

    /// The same courses, with a reward in which gearbox stress weighs `factor` times as much.
    #[must_use]
    pub fn with_stress_weight(&self, factor: f64) -> TrainingSuite {
        TrainingSuite(with_stress_weight(&self.0, factor))
    }

    /// Mean return of each policy over training courses `0..courses`, in order whatever the number of threads, and
    /// the ticks driven.
    pub fn mean_returns<P: Policy + Clone + Sync>(&self, policies: &[P], courses: u64) -> (Vec<f64>, u64) {
        let runs: Vec<(f64, u64)> = (0..policies.len() as u64 * courses)
            .into_par_iter()
            .map(|run| {
                let mut policy = policies[(run / courses) as usize].clone();
                let (outcome, ticks) = play(&self.0, &mut policy, run % courses);
                (outcome.reward.total_s(), ticks)
            })
            .collect();
        let mean = |runs: &[(f64, u64)]| runs.iter().map(|run| run.0).sum::<f64>() / courses as f64;
        (runs.chunks(courses as usize).map(mean).collect(), runs.iter().map(|run| run.1).sum())
    }

    /// Mean return of one policy over training courses `first..first + courses`, on the calling thread, and the ticks
    /// driven. No course counts for less than `least_s`, s.
    pub fn mean_return(&self, policy: &mut dyn Policy, first: u64, courses: u64, least_s: f64) -> (f64, u64) {
        let driven = self.mean_outcome(policy, first, courses, least_s);
        (driven.return_s, driven.ticks)
    }

    /// The same, with course time and damage.
    pub fn mean_outcome(
        &self,
        policy: &mut dyn Policy,
        first: u64,
        courses: u64,
        least_s: f64,
    ) -> MeanOutcome {
        let mut sum = MeanOutcome::default();
        for episode in first..first + courses {
            let (outcome, n) = play(&self.0, policy, episode);
            sum.return_s += outcome.reward.total_s().max(least_s);
            sum.time_s += outcome.time_s;
            sum.damage += outcome.damage;
            sum.ticks += n;
        }
        let courses = courses as f64;
        MeanOutcome {
            return_s: sum.return_s / courses,
            time_s: sum.time_s / courses,
            damage: sum.damage / courses,
            ..sum
        }
    }
}

impl ValidationSuite {
    /// `courses` validation courses of a study.
    #[must_use]
    pub fn new(study: &Scenario, courses: u64) -> ValidationSuite {
        ValidationSuite { scenario: split(study, Split::Validation), courses }
    }

    /// The same courses, with a reward in which gearbox stress weighs `factor` times as much.
    #[must_use]
    pub fn with_stress_weight(&self, factor: f64) -> ValidationSuite {
        ValidationSuite { scenario: with_stress_weight(&self.scenario, factor), courses: self.courses }
    }

    /// Return of each course, on the calling thread, and ticks driven.
    pub fn returns(&self, policy: &mut dyn Policy) -> (Vec<f64>, u64) {
        let (outcomes, ticks) = self.outcomes(policy);
        (outcomes.iter().map(|outcome| outcome.reward.total_s()).collect(), ticks)
    }

    /// Outcome of each course, on the calling thread, and ticks driven.
    pub fn outcomes(&self, policy: &mut dyn Policy) -> (Vec<Outcome>, u64) {
        let mut ticks = 0;
        let outcomes = (0..self.courses)
            .map(|episode| {
                let (outcome, n) = play(&self.scenario, policy, episode);
                ticks += n;
                outcome
            })
            .collect();
        (outcomes, ticks)
    }
}

impl TestSuite {
    /// `courses` test courses of a study.
    #[must_use]
    pub fn new(study: &Scenario, courses: u64) -> TestSuite {
        TestSuite { scenario: split(study, Split::Test), courses }
    }

    /// The test courses of a study with every vehicle parameter at its nominal value.
    #[must_use]
    pub fn nominal(study: &Scenario, courses: u64) -> TestSuite {
        let mut scenario = (*split(study, Split::Test)).clone();
        scenario.vehicle.variation = scenario.vehicle.variation.nominal();
        TestSuite { scenario: Arc::new(scenario), courses }
    }

    /// A suite over a scenario that no study trained on.
    #[must_use]
    pub fn of(scenario: Scenario, courses: u64) -> TestSuite {
        TestSuite { scenario: Arc::new(scenario), courses }
    }

    /// The scenario.
    #[must_use]
    pub fn scenario(&self) -> &Arc<Scenario> {
        &self.scenario
    }

    /// Outcome of each course, in order whatever the number of threads.
    pub fn outcomes<P: Policy>(&self, policy: impl Fn() -> P + Sync) -> Vec<Outcome> {
        (0..self.courses)
            .into_par_iter()
            .map(|episode| play(&self.scenario, &mut policy(), episode).0)
            .collect()
    }
}

/// A world of training episodes for a learner that draws its own.
#[must_use]
pub fn training_world(suite: &TrainingSuite) -> Drive {
    Drive::new(Arc::clone(&suite.0), 0)
}

/// Drives `policy` through one episode; returns its figures and the controller ticks it took.
pub fn play(scenario: &Arc<Scenario>, policy: &mut dyn Policy, episode: u64) -> (Outcome, u64) {
    let mut drive = Drive::new(Arc::clone(scenario), episode);
    play_on(&mut drive, policy);
    (drive.outcome(), drive.ticks())
}

/// Drives `policy` to the end of an episode that has begun.
pub fn play_on(drive: &mut Drive, policy: &mut dyn Policy) {
    policy.reset();
    run_episode(drive, |drive| policy.decide(drive.observation(), drive.mask()), |_, _, _| {});
}

/// A seed for one training run of a study.
#[must_use]
pub fn run_seed(study: Seed, learner: u64, run: u64) -> Seed {
    study.part(0x1000 + learner * 0x100 + run)
}
