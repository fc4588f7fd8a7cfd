//! Training a value network, guided by the tuned rule at first.

use super::guided::{TrainableAgent, Training};
use super::{
    Guide, Job, JobContext, Learner, LearnerSettings, NO_STEP_LIMIT, SavedPolicy, TrainingContext,
    TrainingResult, check_each,
};
use crate::effort::Effort;
use crate::error::{LearnerError, PolicyError, StudyError};
use crate::timing::{Stage, Timed};
use lowgear_agents::dqn::{Dqn, DqnConfig, DqnPolicy, FeatureScaler, RuleGuide, train};
use lowgear_agents::rule::RuleSettings;
use lowgear_agents::schedule::Schedule;
use lowgear_env::Drive;
use lowgear_env::config::{Check, KeyError, in_range};
use lowgear_eval::suite::training_world;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::ops::ControlFlow;

/// Training of a value network.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct DqnTraining {
    /// Decisions to learn from.
    #[serde(default = "decisions")]
    pub decisions: u64,
    /// Decisions from one validation (and checkpoint) to the next.
    #[serde(default = "validate_every")]
    pub validate_every: u64,
    /// Decisions that the network sees side by side.
    #[serde(default = "stack")]
    pub stack: u8,
    /// More values of `rule-margin` for the policy at work: validation chooses among them and the one in
    /// `settings`, 0 or above, in scaled reward.
    #[serde(default)]
    pub margins: Vec<f32>,
    /// Learning rule and network; as in the demonstration when the table is left out.
    #[serde(default = "settings")]
    pub settings: DqnConfig,
}

const fn decisions() -> u64 {
    150_000
}

const fn validate_every() -> u64 {
    15_000
}

fn settings() -> DqnConfig {
    DqnConfig {
        gamma_per_s: 0.9,
        reward_scale: 0.2,
        learning_rate: Schedule::linear(1e-3, 3e-5, 150_000),
        epsilon: Schedule::linear(0.1, 0.02, 100_000),
        guide: Schedule { from: 1.0, to: 0.3, begin: 20_000, over: 60_000 },
        ..DqnConfig::default()
    }
}

const fn stack() -> u8 {
    1
}

impl LearnerSettings for DqnTraining {
    fn check(&self) -> Result<(), KeyError> {
        in_range("decisions", self.decisions, 1, 10_000_000_000, "")?;
        in_range("validate-every", self.validate_every, 1, 10_000_000_000, "")?;
        in_range("stack", self.stack, 1, 16, "")?;
        check_each("margins", &self.margins, 1e6)?;
        self.settings.check().map_err(|e| e.within("settings"))
    }

    fn scale(&mut self, effort: Effort) {
        effort.steps(&mut self.decisions);
        effort.validations(&mut self.validate_every, self.decisions);
        let s = &mut self.settings;
        let schedules = [&mut s.learning_rate, &mut s.epsilon, &mut s.guide, &mut s.guide_weight];
        let correction = s.priority.as_mut().map(|priority| &mut priority.correction);
        schedules.into_iter().chain(correction).for_each(|schedule| effort.schedule(schedule));
    }

    fn without_step_limit(&mut self) {
        self.decisions = NO_STEP_LIMIT;
    }

    fn job(&self, guide: Guide<'_>, run: u64) -> Box<dyn Job> {
        Box::new(DqnJob { config: self.clone(), rule: guide.rule.clone(), run })
    }
}

impl Learner for DqnTraining {
    const NUMBER: u64 = 5;
    const LABEL: &'static str = "Neural DQN";
    type Saved = Box<DqnPolicy>;
    type Instance = Box<DqnPolicy>;

    fn demonstration() -> DqnTraining {
        DqnTraining {
            decisions: decisions(),
            validate_every: validate_every(),
            stack: stack(),
            margins: vec![0.05, 0.1, 0.2, 0.4],
            settings: settings(),
        }
    }

    fn instantiate(saved: &Box<DqnPolicy>, _gears: usize) -> Result<Box<DqnPolicy>, PolicyError> {
        Ok(saved.clone())
    }
}

/// One training run of a network.
struct DqnJob {
    /// Settings.
    pub config: DqnTraining,
    /// The guide.
    pub rule: RuleSettings,
    /// Number of the run.
    pub run: u64,
}

impl Job for DqnJob {
    fn learner(&self) -> &'static str {
        "dqn"
    }

    fn run_number(&self) -> u64 {
        self.run
    }

    fn steps(&self) -> u64 {
        self.config.decisions
    }

    fn train(
        &self,
        context: &TrainingContext<'_>,
        job_context: &JobContext<'_>,
    ) -> Result<TrainingResult, StudyError> {
        let training = Training {
            learner: self.learner(),
            steps: self.config.decisions,
            validate_every: self.config.validate_every,
            rule: &self.rule,
        };
        training.run(context, job_context, |kept| self.begin(context, job_context, kept))
    }
}

impl DqnJob {
    fn begin(
        &self,
        context: &TrainingContext<'_>,
        job_context: &JobContext<'_>,
        kept: Option<&[u8]>,
    ) -> Result<TrainableDqn<'_>, LearnerError> {
        let seed = context.job_seed(DqnTraining::NUMBER, self.run);
        let scaler =
            FeatureScaler::new(context.gears as u8, self.config.stack).with_preview(context.has_preview());
        let config = &self.config.settings;
        let world = training_world(&context.training.for_run(seed));
        let guide = RuleGuide::new(self.rule.clone(), context.gears)?;
        Ok(TrainableDqn {
            dqn: match kept {
                Some(bytes) => Dqn::load_state(config, bytes)?,
                None => Dqn::new(config.clone(), scaler.inputs(), 3, seed)?,
            },
            config: &self.config,
            world: Timed::new(world, &job_context.stopwatch, Stage::Learning),
            guide: Timed::new(guide, &job_context.stopwatch, Stage::Acting),
            scaler,
            tick_s: context.tick_s(),
        })
    }
}

/// The network, its world and its guide.
struct TrainableDqn<'a> {
    dqn: Dqn,
    config: &'a DqnTraining,
    world: Timed<Drive>,
    scaler: FeatureScaler,
    guide: Timed<RuleGuide>,
    tick_s: f64,
}

impl TrainableDqn<'_> {
    /// The network with its guide at a margin.
    fn policy(&self, margin: f32) -> Result<SavedPolicy, LearnerError> {
        let policy = DqnPolicy::new(self.scaler.clone(), self.dqn.target().clone())?;
        Ok(SavedPolicy::Dqn(Box::new(policy.with_guide(self.guide.of.clone(), margin)?)))
    }
}

impl TrainableAgent for TrainableDqn<'_> {
    fn steps(&self) -> u64 {
        self.dqn.decisions()
    }

    fn advance(
        &mut self,
        until: u64,
        after: &mut dyn FnMut(u64, u64) -> ControlFlow<()>,
    ) -> Result<(), LearnerError> {
        let TrainableDqn { dqn, world, scaler, guide, tick_s, .. } = self;
        Ok(train(dqn, world, scaler, guide, until, |dqn, episode| {
            after(dqn.decisions(), (episode.elapsed_s / *tick_s).round() as u64)
        })?)
    }

    fn to_bytes(&self) -> Result<Vec<u8>, LearnerError> {
        Ok(self.dqn.save_state()?)
    }

    fn policies(&self) -> Result<Vec<SavedPolicy>, LearnerError> {
        let margins = [self.config.settings.rule_margin].into_iter().chain(self.config.margins.clone());
        margins.map(|margin| self.policy(margin)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lowgear_agents::dqn::Priority;

    #[test]
    fn effort_scales_every_schedule() {
        let mut training = DqnTraining::demonstration();
        training.settings.priority = Some(Priority::default());
        let before = training.clone();
        training.scale(Effort(4.0));
        let spans = |of: &DqnTraining| {
            let s = &of.settings;
            let correction = s.priority.unwrap().correction;
            [s.learning_rate, s.epsilon, s.guide, s.guide_weight, correction].map(|schedule| schedule.over)
        };
        assert_eq!(spans(&training), spans(&before).map(|over| 4 * over));
        assert_eq!(training.decisions, 4 * before.decisions);
    }
}
