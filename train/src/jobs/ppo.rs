//! Training a policy network that corrects the tuned rule.

use super::guided::{TrainableAgent, Training};
use super::{
    Guide, Job, JobContext, Learner, LearnerSettings, NO_STEP_LIMIT, SavedPolicy, TrainingContext,
    TrainingResult, check_each,
};
use crate::effort::Effort;
use crate::error::{LearnerError, PolicyError, StudyError};
use crate::timing::{Lapped, Laps, Stopwatch};
use lowgear_agents::ppo::{EnvSlot, FeatureScaler, MANY_WORLDS, Ppo, PpoConfig, PpoPolicy, RuleGuide, train};
use lowgear_agents::rule::RuleSettings;
use lowgear_agents::schedule::Schedule;
use lowgear_env::config::{Check, KeyError, in_range};
use lowgear_env::{Drive, PRIVILEGED};
use lowgear_eval::suite::training_world;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::ops::ControlFlow;
use std::rc::Rc;

/// Training of a policy network that corrects the tuned rule.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct PpoTraining {
    /// Decisions to learn from.
    #[serde(default = "decisions")]
    pub decisions: u64,
    /// Decisions from one validation (and checkpoint) to the next.
    #[serde(default = "validate_every")]
    pub validate_every: u64,
    /// Decisions that the network sees side by side; 1 with a `gru-size` in `settings`.
    #[serde(default = "stack")]
    pub stack: u8,
    /// More values of `shift-threshold` for the policy at work: validation chooses among them and the one in
    /// `settings`, 0 to 1.
    #[serde(default)]
    pub thresholds: Vec<f32>,
    /// Weight of gearbox stress in the reward of training, times the study's, 0 to 100: validation weighs it as the study
    /// does.
    #[serde(default = "stress_factor")]
    pub stress_factor: f64,
    /// Learning rule and network; as in the demonstration when the table is left out.
    #[serde(default = "settings")]
    pub settings: PpoConfig,
}

const fn decisions() -> u64 {
    42_000_000
}

const fn validate_every() -> u64 {
    3_000_000
}

fn settings() -> PpoConfig {
    PpoConfig {
        hidden: vec![64, 64],
        gamma_per_s: 0.95,
        num_envs: 256,
        n_steps: 32_768,
        batch: 2048,
        epochs: 4,
        guide_ends: 25_000_000,
        learning_rate: Schedule::linear(1.5e-3, 5e-5, 42_000_000),
        entropy_weight: Schedule::linear(1e-2, 0.0, 42_000_000),
        ..PpoConfig::default()
    }
}

const fn stress_factor() -> f64 {
    1.0
}

const fn stack() -> u8 {
    1
}

impl LearnerSettings for PpoTraining {
    fn check(&self) -> Result<(), KeyError> {
        in_range("decisions", self.decisions, 1, 10_000_000_000, "")?;
        in_range("validate-every", self.validate_every, 1, 10_000_000_000, "")?;
        in_range("stack", self.stack, 1, 16, "")?;
        in_range("stress-factor", self.stress_factor, 0.0, 100.0, "")?;
        check_each("thresholds", &self.thresholds, 1.0)?;
        self.settings.check().map_err(|e| e.within("settings"))
    }

    fn scale(&mut self, effort: Effort) {
        effort.steps(&mut self.decisions);
        effort.validations(&mut self.validate_every, self.decisions);
        let s = &mut self.settings;
        let schedules = [&mut s.learning_rate, &mut s.entropy_weight];
        schedules.into_iter().for_each(|schedule| effort.schedule(schedule));
        if s.guide_ends > 0 {
            effort.steps(&mut s.guide_ends);
        }
    }

    fn without_step_limit(&mut self) {
        self.decisions = NO_STEP_LIMIT;
    }

    fn job(&self, guide: Guide<'_>, run: u64) -> Box<dyn Job> {
        Box::new(PpoJob { config: self.clone(), rule: guide.rule.clone(), run })
    }
}

impl Learner for PpoTraining {
    const NUMBER: u64 = 6;
    const LABEL: &'static str = "Neural PPO";
    type Saved = Box<PpoPolicy>;
    type Instance = Box<PpoPolicy>;

    fn demonstration() -> PpoTraining {
        PpoTraining {
            decisions: decisions(),
            validate_every: validate_every(),
            stack: stack(),
            thresholds: vec![0.15, 0.3, 0.5],
            stress_factor: stress_factor(),
            settings: settings(),
        }
    }

    fn instantiate(saved: &Box<PpoPolicy>, _gears: usize) -> Result<Box<PpoPolicy>, PolicyError> {
        Ok(saved.clone())
    }
}

/// One training run of a policy network.
struct PpoJob {
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
        let seed = context.job_seed(PpoTraining::NUMBER, self.run);
        let config = &self.config.settings;
        let training = context.training.with_stress_weight(self.config.stress_factor);
        let world = training_world(&training.for_run(seed));
        let guide = RuleGuide::new(self.rule.clone(), context.gears)?;
        let laps = Laps::default();
        let env_slot = EnvSlot {
            world: Lapped::new(world, &laps),
            encode: FeatureScaler::new(context.gears as u8, self.config.stack)
                .with_preview(context.has_preview()),
            guide: Lapped::new(guide, &laps),
        };
        Ok(TrainablePpo {
            ppo: match kept {
                Some(bytes) => Ppo::load_state(config, bytes)?,
                None => {
                    let privileged = if config.privileged_critic { PRIVILEGED } else { 0 };
                    Ppo::with_privileged(config.clone(), env_slot.encode.inputs(), privileged, 3, seed)?
                }
            },
            config: &self.config,
            env_slots: vec![env_slot; config.num_envs],
            tick_s: context.tick_s(),
            laps,
            stopwatch: Rc::clone(&job_context.stopwatch),
        })
    }
}

/// The network and its worlds.
struct TrainablePpo<'a> {
    ppo: Ppo,
    config: &'a PpoTraining,
    env_slots: Vec<EnvSlot<Lapped<Drive>, FeatureScaler, Lapped<RuleGuide>>>,
    tick_s: f64,
    laps: Laps,
    stopwatch: Rc<Stopwatch>,
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
        let TrainablePpo { ppo, env_slots, tick_s, laps, stopwatch, .. } = self;
        let threads = if env_slots.len() < MANY_WORLDS { 1 } else { rayon::current_num_threads() as u64 };
        Ok(train(ppo, env_slots, until, |ppo, iteration| {
            laps.hand_over(stopwatch, threads);
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
