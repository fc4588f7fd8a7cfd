//! Training a table that overrules the tuned rule, by trying actions out on copies of the episode.

use super::guided::{Trainee, Training};
use super::{Desk, Job, Trained, Workbench};
use crate::config::RolloutTraining;
use crate::error::StudyError;
use crate::saved::SavedPolicy;
use crate::timing::{Stage, Stopwatch};
use lowgear_agents::grid::Grid;
use lowgear_agents::neural::RuleGuide;
use lowgear_agents::rollout::{RolloutLearner, RolloutPolicy};
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_env::{Drive, Seed};
use lowgear_eval::suite::{TrainingSuite, training_world};
use lowgear_onboard::Request;
use serde::{Deserialize, Serialize};
use std::ops::ControlFlow;
use std::rc::Rc;

/// One training run.
pub struct RolloutJob {
    /// Settings.
    pub config: RolloutTraining,
    /// The rule to be overruled.
    pub rule: RuleSettings,
    /// Number of the run.
    pub run: u64,
}

/// Courses over which the rule's pace is taken at the start.
const WATCHED: u64 = 40;

impl Job for RolloutJob {
    fn learner(&self) -> &'static str {
        "rollout"
    }

    fn run_number(&self) -> u64 {
        self.run
    }

    fn steps(&self) -> u64 {
        self.config.episodes
    }

    fn train(&self, bench: &Workbench<'_>, desk: &Desk<'_>) -> Result<Trained, StudyError> {
        let training = Training {
            learner: self.learner(),
            steps: self.config.episodes,
            validate_every: self.config.settings.round,
            rule: &self.rule,
        };
        training.run(bench, desk, |kept| self.begin(bench, desk, kept))
    }
}

impl RolloutJob {
    fn begin(
        &self,
        bench: &Workbench<'_>,
        desk: &Desk<'_>,
        kept: Option<&[u8]>,
    ) -> Result<RolloutTrainee, String> {
        let seed = bench.job_seed(7, self.run);
        let training = bench.training.for_run(seed);
        let grid = Grid::new(self.config.grid.clone()).map_err(|e| e.to_string())?;
        let state = match kept {
            Some(bytes) => postcard::from_bytes(bytes).map_err(|e| e.to_string())?,
            None => self.first_state(bench, &training, &grid, seed)?,
        };
        Ok(RolloutTrainee {
            state,
            grid,
            guide: RuleGuide::new(self.rule.clone(), bench.gears).map_err(|e| e.to_string())?,
            world: training_world(&training),
            tick_s: bench.tick_s(),
            stopwatch: Rc::clone(&desk.stopwatch),
        })
    }

    /// Everybody follows the rule, whose pace tells what a metre is worth.
    fn first_state(
        &self,
        bench: &Workbench<'_>,
        training: &TrainingSuite,
        grid: &Grid,
        seed: Seed,
    ) -> Result<State, String> {
        let mut rule = Rule::new(self.rule.clone(), bench.gears).map_err(|e| e.to_string())?;
        let (mean_return, ticks) = training.mean_return(&mut rule, 0, WATCHED, f64::NEG_INFINITY);
        let length_m = training_world(training).track().course.length_m;
        let settings = self.config.settings.clone();
        Ok(State {
            learner: RolloutLearner::new(settings, grid.cells(), Request::ALL.len(), seed),
            // What is still to come shrinks by this much with every metre.
            worth_per_m: -mean_return / length_m,
            untold_ticks: ticks,
            told_s: 0.0,
        })
    }
}

/// What a checkpoint holds.
#[derive(Serialize, Deserialize)]
struct State {
    learner: RolloutLearner,
    worth_per_m: f64,
    /// Ticks driven before the first episode.
    untold_ticks: u64,
    /// Simulated time already told to the training loop, s.
    told_s: f64,
}

/// The table and its world.
struct RolloutTrainee {
    state: State,
    grid: Grid,
    guide: RuleGuide,
    world: Drive,
    tick_s: f64,
    stopwatch: Rc<Stopwatch>,
}

impl Trainee for RolloutTrainee {
    fn steps(&self) -> u64 {
        self.state.learner.episodes()
    }

    fn advance(
        &mut self,
        until: u64,
        after: &mut dyn FnMut(u64, u64) -> ControlFlow<()>,
    ) -> Result<(), String> {
        let RolloutTrainee { state, grid, guide, world, tick_s, stopwatch } = self;
        // Learning itself is a few sums for each trial.
        stopwatch.enter(Stage::Environment);
        while state.learner.episodes() < until {
            let worth_per_m = state.worth_per_m;
            state.learner.episode(
                &*world,
                &*guide,
                |features| grid.cell(features),
                |drive| worth_per_m * drive.plant().x_m,
            );
            let simulated_s = state.learner.simulated_s();
            let ticks = ((simulated_s - state.told_s) / *tick_s).round() as u64 + state.untold_ticks;
            (state.told_s, state.untold_ticks) = (simulated_s, 0);
            if after(state.learner.episodes(), ticks).is_break() {
                break;
            }
        }
        stopwatch.enter(Stage::Learning);
        Ok(())
    }

    fn to_bytes(&self) -> Result<Vec<u8>, String> {
        postcard::to_stdvec(&self.state).map_err(|e| e.to_string())
    }

    fn policies(&self) -> Result<Vec<SavedPolicy>, String> {
        let choices = self.state.learner.choices().to_vec();
        let policy = RolloutPolicy::new(choices, self.grid.clone(), self.guide.clone());
        Ok(vec![SavedPolicy::Rollout(Box::new(policy.map_err(|e| e.to_string())?))])
    }
}
