//! Training a table of action values, guided by the tuned rule.

use super::guided::{TrainableAgent, Training};
use super::{Job, JobContext, TrainingContext, TrainingResult};
use crate::config::TabularConfig;
use crate::error::{LearnerError, StudyError};
use crate::saved::SavedPolicy;
use crate::timing::{Stage, Stopwatch, Timed};
use lowgear_agents::policy::grid::Grid;
use lowgear_agents::policy::{Mask, Policy};
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_agents::tabular::{TabularLearner, learn_episode};
use lowgear_env::Drive;
use lowgear_eval::suite::training_world;
use serde::{Deserialize, Serialize};
use std::ops::ControlFlow;
use std::rc::Rc;

/// One training run of a table.
pub struct TabularJob {
    /// Settings.
    pub config: TabularConfig,
    /// The guide.
    pub rule: RuleSettings,
    /// Number of the run.
    pub run: u64,
}

impl Job for TabularJob {
    fn learner(&self) -> &'static str {
        "tabular"
    }

    fn run_number(&self) -> u64 {
        self.run
    }

    fn steps(&self) -> u64 {
        self.config.episodes
    }

    fn train(
        &self,
        context: &TrainingContext<'_>,
        job_context: &JobContext<'_>,
    ) -> Result<TrainingResult, StudyError> {
        let training = Training {
            learner: self.learner(),
            steps: self.config.episodes,
            validate_every: self.config.validate_every,
            rule: &self.rule,
        };
        training.run(context, job_context, |kept| self.begin(context, job_context, kept))
    }
}

impl TabularJob {
    fn begin(
        &self,
        context: &TrainingContext<'_>,
        job_context: &JobContext<'_>,
        kept: Option<&[u8]>,
    ) -> Result<TrainableTabular, LearnerError> {
        let seed = context.job_seed(4, self.run);
        let world = training_world(&context.training.for_run(seed));
        let grid = Grid::new(self.config.grid.clone())?;
        let state = match kept {
            Some(bytes) => postcard::from_bytes(bytes)?,
            None => State {
                learner: TabularLearner::new(self.config.settings.clone(), grid.cells(), 3, seed)?,
                episodes: 0,
            },
        };
        Ok(TrainableTabular {
            state,
            grid,
            settings: self.rule.clone(),
            rule: Rule::new(self.rule.clone(), context.gears)?,
            world: Timed::new(world, &job_context.stopwatch, Stage::Acting),
            stopwatch: Rc::clone(&job_context.stopwatch),
        })
    }
}

/// What a checkpoint holds.
#[derive(Serialize, Deserialize)]
struct State {
    learner: TabularLearner,
    episodes: u64,
}

/// The table, its world and its guide.
struct TrainableTabular {
    state: State,
    grid: Grid,
    settings: RuleSettings,
    rule: Rule,
    world: Timed<Drive>,
    stopwatch: Rc<Stopwatch>,
}

impl TrainableAgent for TrainableTabular {
    fn steps(&self) -> u64 {
        self.state.episodes
    }

    fn advance(
        &mut self,
        until: u64,
        after: &mut dyn FnMut(u64, u64) -> ControlFlow<()>,
    ) -> Result<(), LearnerError> {
        let TrainableTabular { state, grid, rule, world, stopwatch, .. } = self;
        while state.episodes < until {
            rule.reset();
            let guide = |features: &_, mask: Mask| {
                let advice = rule.decide(features, mask) as usize;
                // The choice from the table is part of learning: it takes less time than reading a clock.
                stopwatch.enter(Stage::Learning);
                Some(advice)
            };
            learn_episode(world, |features| grid.cell(features), &mut state.learner, state.episodes, guide);
            state.episodes += 1;
            if after(state.episodes, world.of.ticks()).is_break() {
                break;
            }
        }
        let finite = |cell| state.learner.values(cell).iter().all(|value| value.is_finite());
        if (0..state.learner.cells()).all(finite) {
            Ok(())
        } else {
            Err(LearnerError::NotFinite { episodes: state.episodes })
        }
    }

    fn to_bytes(&self) -> Result<Vec<u8>, LearnerError> {
        Ok(postcard::to_stdvec(&self.state)?)
    }

    fn policies(&self) -> Result<Vec<SavedPolicy>, LearnerError> {
        Ok(vec![SavedPolicy::Tabular {
            learner: Box::new(self.state.learner.clone()),
            grid: self.grid.clone(),
            rule: self.settings.clone(),
        }])
    }
}
