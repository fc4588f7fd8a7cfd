//! Training runs: each is one job with a folder of its own, resumable, and the same whatever else runs.

mod contextual;
mod dqn;
mod edge_refinement;
mod guided;
mod learner;
mod ppo;
mod registry;
mod rule;
mod saved;
mod tabular;

pub use edge_refinement::{EdgeRefinementConfig, EdgeRefinementJob};
pub(crate) use edge_refinement::{edge_refinement_budget, stress_factor};
pub(crate) use learner::NO_STEP_LIMIT;
use learner::check_each;
pub use learner::{Learner, LearnerSettings};
pub use ppo::PpoTraining;
pub use registry::{LearnerKind, LearnersConfig, PolicyInstance, SavedPolicy};
pub use rule::RuleJob;
pub use saved::{POLICY_FORMAT, PolicyFile};

use crate::checkpoint::Identity;
use crate::damage_limit::DamageLimit;
use crate::error::StudyError;
use crate::event_file::{self, EVENT_FILE};
use crate::progress::{JobProgress, Reporter};
use crate::search::CurvePoint;
use crate::stop::{JobBudget, StopCondition, StopRequest};
use crate::store::{create_folder, read_json, write_atomically, write_json};
use crate::timing::Stopwatch;
use lowgear_agents::rule::RuleSettings;
use lowgear_env::Seed;
use lowgear_eval::suite::{TrainingSuite, ValidationSuite};
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::rc::Rc;

/// What every job of a study shares.
pub struct TrainingContext<'a> {
    /// Training courses.
    pub training: TrainingSuite,
    /// Validation courses.
    pub validation: ValidationSuite,
    /// Vehicle name.
    pub vehicle: String,
    /// Gears.
    pub gears: usize,
    /// Seed of the study.
    pub seed: Seed,
    /// Run folder.
    pub folder: PathBuf,
    /// Where progress goes.
    pub reporter: &'a Reporter,
    /// Whether the program is to stop.
    pub stop: &'a StopRequest,
    /// SHA-256 of everything that the study was given.
    pub digest: String,
    /// Most damage that searches may end with, once the rule is tuned that is its measure, if the study has a limit.
    pub limit: Option<DamageLimit>,
}

/// What one job works with.
pub struct JobContext<'a> {
    /// Its folder.
    pub folder: &'a Path,
    /// Its progress.
    pub progress: &'a JobProgress<'a>,
    /// What may end it early.
    pub stop_condition: &'a StopCondition<'a>,
    /// Where its time goes.
    pub stopwatch: Rc<Stopwatch>,
    /// Duration of a controller tick, s.
    pub tick_s: f64,
}

impl JobContext<'_> {
    /// File of its checkpoint.
    #[must_use]
    pub fn checkpoint(&self) -> PathBuf {
        self.folder.join("checkpoint.bin")
    }

    /// What its checkpoint belongs to.
    #[must_use]
    pub fn identity(&self, context: &TrainingContext<'_>) -> Identity {
        let job = self.folder.strip_prefix(&context.folder).unwrap_or(self.folder);
        let parts: Vec<_> = job.iter().map(|part| part.to_string_lossy()).collect();
        Identity::new(&context.digest, &parts.join("/"), context.seed.0)
    }

    /// Shows how far it is: in steps of `total`, or in ticks where they are what ends it.
    pub(crate) fn show(&self, steps: u64, total: u64, ticks: u64, curve: &[CurvePoint]) {
        self.progress.checked(curve);
        match self.stop_condition.ticks() {
            Some(most) => self.progress.update(ticks, most, &note(curve)),
            None => self.progress.update(steps, total, &note(curve)),
        }
    }

    /// A checkpoint was written.
    ///
    /// # Errors
    /// [`StudyError::Store`] when the curve or the times cannot be written.
    pub(crate) fn on_checkpoint(
        &self,
        steps: u64,
        ticks: u64,
        curve: &[CurvePoint],
    ) -> Result<(), StudyError> {
        event_file::write(&self.folder.join(EVENT_FILE), curve, self.tick_s)?;
        self.stop_condition.on_checkpoint()?;
        self.progress.on_checkpoint()?;
        Ok(self.stopwatch.row(&self.folder.join("timing.csv"), steps, ticks)?)
    }
}

/// A training run.
pub trait Job: Sync {
    /// Learner, as folders and tables name it.
    fn learner(&self) -> &'static str;

    /// Number of the run, from 1.
    fn run_number(&self) -> u64;

    /// Steps of the progress bar.
    fn steps(&self) -> u64;

    /// Trains to the end, from the checkpoint in the job context if there is one.
    ///
    /// # Errors
    /// [`StudyError`]; [`StudyError::Stopped`] after a checkpoint.
    fn train(
        &self,
        context: &TrainingContext<'_>,
        job_context: &JobContext<'_>,
    ) -> Result<TrainingResult, StudyError>;
}

/// The result of a job.
#[derive(Clone, Debug)]
pub struct TrainingResult {
    /// Figures.
    pub record: JobRecord,
    /// The policy that validation selected.
    pub selected: SavedPolicy,
    /// The policy at the end of training.
    pub last: SavedPolicy,
}

/// The tuned rule that learners begin from.
#[derive(Clone, Copy, Debug)]
pub struct Guide<'a> {
    /// The rule.
    pub rule: &'a RuleSettings,
    /// The result of each search for it.
    pub searches: &'a [RuleSettings],
}

impl<'a> Guide<'a> {
    /// Where run number `run`, from 1, begins: the runs go on from different searches, since one of them may have
    /// ended in a corner that only the rule is good in.
    fn start(&self, run: u64) -> &'a RuleSettings {
        let turn = run.saturating_sub(1).checked_rem(self.searches.len() as u64);
        turn.map_or(self.rule, |turn| &self.searches[turn as usize])
    }
}

/// Figures of a finished job: its `job.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct JobRecord {
    /// Controller ticks driven in training, validation not counted.
    pub ticks: u64,
    /// Validation scores along the way.
    pub curve: Vec<CurvePoint>,
    /// Validation score of the selected policy, s.
    pub score: f64,
    /// What went wrong so that training ended early, if something did.
    pub failure: Option<String>,
    /// What was spent before all steps were taken, if something was.
    pub cut: Option<String>,
}

impl TrainingContext<'_> {
    /// Folder of a job.
    #[must_use]
    pub fn job_folder(&self, job: &dyn Job) -> PathBuf {
        self.folder.join(job.learner()).join(format!("seed-{}", job.run_number()))
    }

    /// Seed of a job.
    #[must_use]
    pub fn job_seed(&self, learner: u64, run: u64) -> Seed {
        lowgear_eval::suite::run_seed(self.seed, learner, run)
    }

    /// Duration of a controller tick, s.
    #[must_use]
    pub fn tick_s(&self) -> f64 {
        self.training.scenario().vehicle.controller.tick_s
    }

    /// Whether the vehicle has a sensor ahead of its front axle.
    #[must_use]
    pub fn has_preview(&self) -> bool {
        self.training.scenario().settings.features.preview.fitted
    }

    /// Whether every episode of the study so far was physical: to be asked before anything is kept.
    ///
    /// # Errors
    /// [`StudyError::Unphysical`].
    pub(crate) fn check_driven(&self) -> Result<(), StudyError> {
        Ok(self.training.scenario().check_driven()?)
    }

    /// Runs a job in its folder, or reads what it left when it is done already.
    ///
    /// # Errors
    /// [`StudyError`].
    pub fn finish(&self, job: &dyn Job, job_budget: JobBudget) -> Result<TrainingResult, StudyError> {
        let name = format!("{}/seed-{}", job.learner(), job.run_number());
        let folder = self.job_folder(job);
        let record_file = folder.join("job.json");
        let policy_file = folder.join("policy.json");
        let last_file = folder.join("last.json");
        if record_file.exists() {
            let (selected, _) = PolicyFile::load(&policy_file, self.gears)?;
            let (last, _) = PolicyFile::load(&last_file, self.gears)?;
            let record = read_json(&record_file)?;
            return Ok(TrainingResult { record, selected: selected.policy, last: last.policy });
        }
        let trained =
            self.work(job, &folder, job_budget, &format!("{} seed {}", job.learner(), job.run_number()))?;
        let file = |policy: &SavedPolicy| PolicyFile::new(&name, &self.vehicle, self.gears, policy.clone());
        write_atomically(&folder.join("metrics.csv"), metrics_csv(&trained.record).as_bytes())?;
        event_file::complete(&folder.join(EVENT_FILE), &trained.record.curve, self.tick_s())?;
        file(&trained.last).save(&last_file)?;
        file(&trained.selected).save(&policy_file)?;
        // Written last: its presence says that the rest is complete.
        write_json(&record_file, &trained.record)?;
        Ok(trained)
    }

    /// Runs a job in `folder`, from its checkpoint there, and shows its progress under `name`.
    ///
    /// # Errors
    /// [`StudyError`].
    pub fn work(
        &self,
        job: &dyn Job,
        folder: &Path,
        job_budget: JobBudget,
        name: &str,
    ) -> Result<TrainingResult, StudyError> {
        self.stop.check()?;
        create_folder(folder)?;
        let progress = self.reporter.job(name, job_budget.ticks.unwrap_or_else(|| job.steps()));
        let stop_condition = StopCondition::new(self.stop, job_budget, folder)?;
        let stopwatch = Stopwatch::start();
        let (stop_condition, tick_s) = (&stop_condition, self.tick_s());
        let job_context = JobContext { folder, progress: &progress, stop_condition, stopwatch, tick_s };
        let trained = job.train(self, &job_context)?;
        self.check_driven()?;
        let ended = trained.record.failure.as_deref().or(trained.record.cut.as_deref());
        let ended = ended.map_or(String::new(), |why| format!("; ended early: {why}"));
        progress.finish(&format!("validation return {:.1} s{ended}", trained.record.score));
        Ok(trained)
    }
}

fn metrics_csv(record: &JobRecord) -> String {
    let mut text = String::from("training_ticks,validation_return_s,standard_error_s\n");
    for point in &record.curve {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{},{:.6},{:.6}", point.ticks, point.mean, point.standard_error);
    }
    text
}

/// A line for the progress bar.
fn note(curve: &[CurvePoint]) -> String {
    curve.last().map_or_else(
        || "no validation yet".to_owned(),
        |p| format!("validation {:.1} ± {:.1} s", p.mean, 1.96 * p.standard_error),
    )
}
