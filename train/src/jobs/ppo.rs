//! Training a policy network that corrects the tuned rule.

use super::guided::{TrainableAgent, Training};
use super::{Job, JobContext, TrainingContext, TrainingResult};
use crate::config::PpoTraining;
use crate::error::{LearnerError, StudyError};
use crate::saved::SavedPolicy;
use crate::timing::{Stage, Timed};
use lowgear_agents::ppo::{EnvSlot, FeatureScaler, Ppo, PpoPolicy, RuleGuide, train};
use lowgear_agents::rule::RuleSettings;
use lowgear_env::Drive;
use lowgear_eval::suite::training_world;
use std::ops::ControlFlow;

/// One training run of a policy network.
pub struct PpoJob {
    /// Settings.
    pub config: PpoTraining,
    /// The guide.
    pub rule: RuleSettings,
    /// Number of the run.
    pub run: u64,
}

impl Job for PpoJob {
    fn learner(&self) -> &'static str {
        "ppo"
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

impl PpoJob {
    fn begin(
        &self,
        context: &TrainingContext<'_>,
        job_context: &JobContext<'_>,
        kept: Option<&[u8]>,
    ) -> Result<TrainablePpo<'_>, LearnerError> {
        let seed = context.job_seed(6, self.run);
        let config = &self.config.settings;
        let world = training_world(&context.training.for_run(seed));
        let guide = RuleGuide::new(self.rule.clone(), context.gears)?;
        let env_slot = EnvSlot {
            world: Timed::new(world, &job_context.stopwatch, Stage::Learning),
            encode: FeatureScaler::new(context.gears as u8, self.config.stack),
            guide: Timed::new(guide, &job_context.stopwatch, Stage::Acting),
        };
        Ok(TrainablePpo {
            ppo: match kept {
                Some(bytes) => Ppo::load_state(config, bytes)?,
                None => Ppo::new(config.clone(), env_slot.encode.inputs(), 3, seed)?,
            },
            config: &self.config,
            env_slots: vec![env_slot; config.num_envs],
            tick_s: context.tick_s(),
        })
    }
}

/// The network and its worlds.
struct TrainablePpo<'a> {
    ppo: Ppo,
    config: &'a PpoTraining,
    env_slots: Vec<EnvSlot<Timed<Drive>, FeatureScaler, Timed<RuleGuide>>>,
    tick_s: f64,
}

impl TrainablePpo<'_> {
    /// The network with the rule it corrects, at a threshold.
    fn policy(&self, threshold: f32) -> Result<SavedPolicy, LearnerError> {
        let EnvSlot { encode, guide, .. } = &self.env_slots[0];
        let policy = PpoPolicy::new(encode.clone(), self.ppo.actor()?, threshold, Some(guide.of.clone()))?;
        Ok(SavedPolicy::Ppo(Box::new(policy)))
    }
}

impl TrainableAgent for TrainablePpo<'_> {
    fn steps(&self) -> u64 {
        self.ppo.decisions()
    }

    fn advance(
        &mut self,
        until: u64,
        after: &mut dyn FnMut(u64, u64) -> ControlFlow<()>,
    ) -> Result<(), LearnerError> {
        let TrainablePpo { ppo, env_slots, tick_s, .. } = self;
        Ok(train(ppo, env_slots, until, |ppo, iteration| {
            let ticks = iteration.episodes.iter().map(|e| (e.elapsed_s / *tick_s).round() as u64).sum();
            after(ppo.decisions(), ticks)
        })?)
    }

    fn to_bytes(&self) -> Result<Vec<u8>, LearnerError> {
        Ok(self.ppo.save_state()?)
    }

    fn policies(&self) -> Result<Vec<SavedPolicy>, LearnerError> {
        let own = self.config.settings.shift_threshold;
        let thresholds = [own].into_iter().chain(self.config.thresholds.clone());
        thresholds.map(|t| self.policy(t)).collect()
    }
}
