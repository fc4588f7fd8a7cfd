//! Training a table of action values, guided by the tuned rule.

use super::guided::{TrainableAgent, Training};
use super::{
    Guide, Job, JobContext, Learner, LearnerSettings, NO_STEP_LIMIT, SavedPolicy, TrainingContext,
    TrainingResult,
};
use crate::effort::Effort;
use crate::error::{LearnerError, PolicyError, StudyError};
use crate::timing::{Stage, Stopwatch, Timed};
use lowgear_agents::policy::grid::{Grid, GridAxis};
use lowgear_agents::policy::{Mask, Policy};
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_agents::schedule::Schedule;
use lowgear_agents::tabular::{
    Algorithm, StepSize, TabularLearner, TabularPolicy, TabularSettings, learn_episode,
};
use lowgear_env::Drive;
use lowgear_env::config::{KeyError, in_range};
use lowgear_eval::suite::training_world;
use lowgear_onboard::Feature;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::ops::ControlFlow;
use std::rc::Rc;

/// Training of a table of action values.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TabularTraining {
    /// Episodes.
    #[serde(default = "episodes")]
    pub episodes: u64,
    /// Episodes from one validation (and checkpoint) to the next.
    #[serde(default = "validate_every")]
    pub validate_every: u64,
    /// Learning rule; as in the demonstration when the table is left out.
    #[serde(default = "settings")]
    pub settings: TabularSettings,
    /// Grid of features; as in the demonstration, with every gear, when left out.
    #[serde(default)]
    pub grid: Vec<GridAxis>,
}

const fn episodes() -> u64 {
    4000
}

const fn validate_every() -> u64 {
    800
}

fn settings() -> TabularSettings {
    TabularSettings {
        algorithm: Algorithm::ExpectedSarsa,
        gamma_per_s: 0.95,
        lambda_per_s: 0.59,
        rule_margin: 1.0,
        trust_visits: 1000,
        epsilon: Schedule::linear(0.06, 0.02, 3_000_000),
        step_size: StepSize::Visits { omega: 0.75, floor: 0.003 },
        ..TabularSettings::default()
    }
}

/// The grid of the tabular learner for so many gears.
fn grid_for(gears: usize) -> Vec<GridAxis> {
    let gear = (1..gears.max(2)).map(|gear| gear as i16).collect();
    let speed = vec![100, 200, 300, 400, 500, 600, 680, 740, 790, 830, 870, 910];
    [
        (Feature::Gear, gear),
        (Feature::SpeedRatio, speed),
        (Feature::Tilt, vec![-20, 20, 45, 70]),
        (Feature::SinceFailed, vec![20, 60, 200]),
        (Feature::Dwell, vec![20]),
    ]
    .into_iter()
    .map(|(feature, edges)| GridAxis { feature, edges })
    .collect()
}

/// A table of action values with its guide, as a file holds it.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SavedTabular {
    /// Values, visits and settings.
    learner: Box<TabularLearner>,
    /// Grid of features.
    grid: Grid,
    /// The rule in cells hardly visited.
    rule: RuleSettings,
}

impl LearnerSettings for TabularTraining {
    fn check(&self) -> Result<(), KeyError> {
        in_range("episodes", self.episodes, 1, 1_000_000_000, "")?;
        in_range("validate-every", self.validate_every, 1, 1_000_000_000, "")?;
        self.settings.validate(3).map_err(|e| e.within("settings"))?;
        // No axes stand for the demonstration's.
        if self.grid.is_empty() { Ok(()) } else { Grid::new(self.grid.clone()).map(drop) }
    }

    fn scale(&mut self, effort: Effort) {
        effort.steps(&mut self.episodes);
        effort.validations(&mut self.validate_every, self.episodes);
        effort.schedule(&mut self.settings.epsilon);
    }

    fn without_step_limit(&mut self) {
        self.episodes = NO_STEP_LIMIT;
    }

    fn for_gears(&mut self, gears: usize) {
        if self.grid.is_empty() {
            self.grid = grid_for(gears);
        }
    }

    fn job(&self, guide: Guide<'_>, run: u64) -> Box<dyn Job> {
        Box::new(TabularJob { config: self.clone(), rule: guide.rule.clone(), run })
    }
}

impl Learner for TabularTraining {
    const NUMBER: u64 = 4;
    const LABEL: &'static str = "Tabular values";
    type Saved = SavedTabular;
    type Instance = Box<TabularPolicy>;

    fn demonstration() -> TabularTraining {
        TabularTraining {
            episodes: episodes(),
            validate_every: validate_every(),
            settings: settings(),
            grid: vec![],
        }
    }

    fn instantiate(saved: &SavedTabular, gears: usize) -> Result<Box<TabularPolicy>, PolicyError> {
        let rule = Rule::new(saved.rule.clone(), gears)?;
        Ok(Box::new(TabularPolicy::new(&saved.learner, saved.grid.clone(), rule)?))
    }
}

/// One training run of a table.
struct TabularJob {
    /// Settings.
    pub config: TabularTraining,
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
        let seed = context.job_seed(TabularTraining::NUMBER, self.run);
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
        Ok(vec![SavedPolicy::Tabular(SavedTabular {
            learner: Box::new(self.state.learner.clone()),
            grid: self.grid.clone(),
            rule: self.settings.clone(),
        })])
    }
}
