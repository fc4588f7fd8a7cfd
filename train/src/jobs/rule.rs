//! Tuning a threshold rule by black-box search.

use super::{Desk, Job, Record, Trained, Workbench};
use crate::checkpoint::{load_checkpoint, save_checkpoint};
use crate::error::StudyError;
use crate::saved::SavedPolicy;
use crate::search::{Search, SearchBudget, SearchMemory};
use crate::timing::Stage;
use crate::watch::Pause;
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

impl Job for RuleJob {
    fn learner(&self) -> &'static str {
        match self.start.signal {
            Signal::MotorSpeed => "tuned-speed-rule",
            Signal::SpeedRatio => "tuned-load-rule",
        }
    }

    fn run_number(&self) -> u64 {
        self.run
    }

    fn steps(&self) -> u64 {
        self.budget.generations as u64
    }

    fn train(&self, bench: &Workbench<'_>, desk: &Desk<'_>) -> Result<Trained, StudyError> {
        let gears = bench.gears;
        let at = |vector: &[f64]| self.start.with_vector(vector).ok();
        let search = Search {
            budget: self.budget,
            training: &bench.training,
            validation: &bench.validation,
            build: |vector: &[f64]| at(vector).and_then(|settings| Rule::new(settings, gears).ok()),
            start: self.start.to_vector(),
            seed: bench.job_seed(1 + self.start.signal as u64, self.run),
            stopwatch: Rc::clone(&desk.stopwatch),
        };
        let (memory, cut) = search_at(desk, bench, &search)?;
        let policy = |vector: &[f64]| SavedPolicy::Rule(at(vector).unwrap_or_else(|| self.start.clone()));
        Ok(searched(&memory, cut, policy))
    }
}

/// Runs a search with its checkpoint on the desk; says why it ended early, if it did.
pub(super) fn search_at<P: Policy, B: Fn(&[f64]) -> Option<P> + Clone>(
    desk: &Desk<'_>,
    bench: &Workbench<'_>,
    search: &Search<'_, B>,
) -> Result<(SearchMemory, Option<String>), StudyError> {
    let (checkpoint, identity) = (desk.checkpoint(), desk.identity(bench));
    let memory: SearchMemory =
        load_checkpoint(&checkpoint, &identity, |w| bench.reporter.line(&w))?.unwrap_or_default();
    let total = search.budget.generations as u64;
    let mut cut = None;
    desk.stopwatch.begin(0, memory.ticks);
    let memory = search.run(memory, |memory, generation| {
        desk.show(generation as u64, total, memory.ticks, &memory.curve);
        desk.stopwatch.enter(Stage::Keeping);
        bench.check_driven()?;
        save_checkpoint(&checkpoint, &identity, memory)?;
        desk.kept(generation as u64, memory.ticks)?;
        desk.stopwatch.enter(Stage::Learning);
        match desk.watch.pause(memory.ticks) {
            Some(Pause::Stop) => Err(StudyError::Stopped),
            Some(Pause::Spent) => {
                cut = desk.watch.cut(&format!("{generation} generations"));
                Ok(ControlFlow::Break(()))
            }
            Some(Pause::Checkpoint) | None => Ok(ControlFlow::Continue(())),
        }
    })?;
    Ok((memory, cut))
}

/// Turns the memory of a search into what a job came to.
pub(super) fn searched(
    memory: &SearchMemory,
    cut: Option<String>,
    policy: impl Fn(&[f64]) -> SavedPolicy,
) -> Trained {
    let score = memory.curve.iter().map(|p| p.mean).fold(f64::NEG_INFINITY, f64::max);
    Trained {
        record: Record { ticks: memory.ticks, curve: memory.curve.clone(), score, failure: None, cut },
        selected: policy(&memory.best),
        last: policy(&memory.last),
    }
}
