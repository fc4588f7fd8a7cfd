//! Tuning a threshold rule by black-box search.

use super::{Job, JobContext, JobRecord, SavedPolicy, TrainingContext, TrainingResult};
use crate::checkpoint::{load_checkpoint, save_checkpoint};
use crate::error::StudyError;
use crate::search::{Search, SearchBudget, SearchMemory};
use crate::stop::Interrupt;
use crate::timing::Stage;
use lowgear_agents::policy::Policy;
use lowgear_agents::rule::{Rule, RuleSettings, Signal};
use std::ops::ControlFlow;
use std::rc::Rc;

/// One search of one rule.
pub struct RuleJob {
    /// Where it begins; its signal stays.
    pub start: RuleSettings,
    /// Budget.
    pub budget: SearchBudget,
    /// Number of the run.
    pub run: u64,
}

/// Number of the searches for the rule that looks ahead, among what seeds are made from.
const PREVIEW_NUMBER: u64 = 10;

impl RuleJob {
    fn number(&self) -> u64 {
        if self.start.preview.is_some() { PREVIEW_NUMBER } else { 1 + self.start.signal as u64 }
    }
}

impl Job for RuleJob {
    fn learner(&self) -> &'static str {
        match (self.start.signal, &self.start.preview) {
            (Signal::MotorSpeed, None) => "tuned-speed-rule",
            (Signal::SpeedRatio, None) => "tuned-load-rule",
            (_, Some(_)) => "tuned-preview-rule",
        }
    }

    fn run_number(&self) -> u64 {
        self.run
    }

    fn steps(&self) -> u64 {
        self.budget.generations as u64
    }

    fn train(
        &self,
        context: &TrainingContext<'_>,
        job_context: &JobContext<'_>,
    ) -> Result<TrainingResult, StudyError> {
        let gears = context.gears;
        let at = |vector: &[f64]| self.start.with_vector(vector).ok();
        let search = Search {
            budget: self.budget,
            training: &context.training,
            validation: &context.validation,
            build: |vector: &[f64]| at(vector).and_then(|settings| Rule::new(settings, gears).ok()),
            start: self.start.to_vector(),
            seed: context.job_seed(self.number(), self.run),
            limit: context.limit.as_ref().filter(|_| self.start.preview.is_some()),
            stopwatch: Rc::clone(&job_context.stopwatch),
        };
        let (memory, cut) = search_at(job_context, context, &search)?;
        let policy = |vector: &[f64]| SavedPolicy::Rule(at(vector).unwrap_or_else(|| self.start.clone()));
        Ok(searched(&memory, cut, policy))
    }
}

/// Runs a search with its checkpoint in the job context; says why it ended early, if it did.
pub(super) fn search_at<P: Policy, B: Fn(&[f64]) -> Option<P> + Clone>(
    job_context: &JobContext<'_>,
    context: &TrainingContext<'_>,
    search: &Search<'_, B>,
) -> Result<(SearchMemory, Option<String>), StudyError> {
    let (checkpoint, identity) = (job_context.checkpoint(), job_context.identity(context));
    let memory: SearchMemory =
        load_checkpoint(&checkpoint, &identity, |w| context.reporter.line(&w))?.unwrap_or_default();
    let total = search.budget.generations as u64;
    let mut cut = None;
    job_context.stopwatch.begin(0, memory.ticks);
    let memory = search.run(memory, |memory, generation| {
        job_context.show(generation as u64, total, memory.ticks, &memory.curve);
        job_context.stopwatch.enter(Stage::Checkpointing);
        context.check_driven()?;
        save_checkpoint(&checkpoint, &identity, memory)?;
        job_context.on_checkpoint(generation as u64, memory.ticks, &memory.curve)?;
        job_context.stopwatch.enter(Stage::Learning);
        match job_context.stop_condition.interrupt(memory.ticks) {
            Some(Interrupt::Stop) => Err(StudyError::Stopped),
            Some(Interrupt::Spent) => {
                cut = job_context.stop_condition.cut(&format!("{generation} generations"));
                Ok(ControlFlow::Break(()))
            }
            Some(Interrupt::Checkpoint) | None => Ok(ControlFlow::Continue(())),
        }
    })?;
    Ok((memory, cut))
}

/// Turns the memory of a search into the result of a job.
pub(super) fn searched(
    memory: &SearchMemory,
    cut: Option<String>,
    policy: impl Fn(&[f64]) -> SavedPolicy,
) -> TrainingResult {
    let score = memory.curve.iter().map(|p| p.mean).fold(f64::NEG_INFINITY, f64::max);
    TrainingResult {
        record: JobRecord { ticks: memory.ticks, curve: memory.curve.clone(), score, failure: None, cut },
        selected: policy(&memory.best),
        last: policy(&memory.last),
    }
}
