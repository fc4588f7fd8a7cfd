//! Search of thresholds that depend on context, from the tuned rule on load ratio.

use super::rule::{search_at, searched};
use super::{Desk, Job, Trained, Workbench};
use crate::error::StudyError;
use crate::saved::SavedPolicy;
use crate::search::{Search, SearchBudget};
use lowgear_agents::contextual::{Contextual, ContextualSettings};
use lowgear_agents::rule::RuleSettings;
use std::rc::Rc;

/// One search of contextual thresholds.
pub struct ContextualJob {
    /// The rule it begins as.
    pub rule: RuleSettings,
    /// Budget.
    pub budget: SearchBudget,
    /// Number of the run.
    pub run: u64,
}

impl Job for ContextualJob {
    fn learner(&self) -> &'static str {
        "contextual"
    }

    fn run_number(&self) -> u64 {
        self.run
    }

    fn steps(&self) -> u64 {
        self.budget.generations as u64
    }

    fn train(&self, bench: &Workbench<'_>, desk: &Desk<'_>) -> Result<Trained, StudyError> {
        let gears = bench.gears;
        let start = ContextualSettings::from_rule(&self.rule);
        let at = |weights: &[f64]| start.with_weights(weights).ok();
        let search = Search {
            budget: self.budget,
            training: &bench.training,
            validation: &bench.validation,
            build: |weights: &[f64]| at(weights).and_then(|settings| Contextual::new(settings, gears).ok()),
            start: start.weights(),
            seed: bench.job_seed(3, self.run),
            stopwatch: Rc::clone(&desk.stopwatch),
        };
        let (memory, cut) = search_at(desk, bench, &search)?;
        let policy = |weights: &[f64]| SavedPolicy::Contextual(at(weights).unwrap_or_else(|| start.clone()));
        Ok(searched(&memory, cut, policy))
    }
}
