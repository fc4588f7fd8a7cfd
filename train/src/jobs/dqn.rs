//! Training a value network, guided by the tuned rule at first.

use super::guided::{TrainableAgent, Training};
use super::{Job, JobContext, TrainingContext, TrainingResult};
use crate::config::DqnTraining;
use crate::error::{LearnerError, StudyError};
use crate::saved::SavedPolicy;
use crate::timing::{Stage, Timed};
use lowgear_agents::dqn::{Dqn, DqnPolicy, FeatureScaler, RuleGuide, train};
use lowgear_agents::rule::RuleSettings;
use lowgear_env::Drive;
use lowgear_eval::suite::training_world;
use std::ops::ControlFlow;

/// One training run of a network.
pub struct DqnJob {
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
        let seed = context.job_seed(5, self.run);
        let scaler = FeatureScaler::new(context.gears as u8, self.config.stack);
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
