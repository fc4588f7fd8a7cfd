//! Search of thresholds that depend on context, from what one of the searches for the load-ratio rule came to.

use super::rule::{search_at, searched};
use super::{Job, JobContext, TrainingContext, TrainingResult};
use crate::error::StudyError;
use crate::saved::SavedPolicy;
use crate::search::{Search, SearchBudget, curve_point};
use lowgear_agents::rule::contextual::{Contextual, ContextualSettings};
use lowgear_agents::rule::{Rule, RuleSettings};
use std::rc::Rc;

/// One search of contextual thresholds.
pub struct ContextualJob {
    /// The tuned rule: what the run comes to where validation finds nothing better.
    pub rule: RuleSettings,
    /// The rule it begins as.
    pub start: RuleSettings,
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

    fn train(
        &self,
        context: &TrainingContext<'_>,
        job_context: &JobContext<'_>,
    ) -> Result<TrainingResult, StudyError> {
        let gears = context.gears;
        let start = ContextualSettings::from_rule(&self.start);
        let at = |weights: &[f64]| start.with_weights(weights).ok();
        let search = Search {
            budget: self.budget,
            training: &context.training,
            validation: &context.validation,
            build: |weights: &[f64]| at(weights).and_then(|settings| Contextual::new(settings, gears).ok()),
            start: start.weights(),
            seed: context.job_seed(3, self.run),
            stopwatch: Rc::clone(&job_context.stopwatch),
        };
        let (memory, cut) = search_at(job_context, context, &search)?;
        let policy = |weights: &[f64]| SavedPolicy::Contextual(at(weights).unwrap_or_else(|| start.clone()));
        let mut trained = searched(&memory, cut, policy);
        if self.start != self.rule {
            let mut rule = Rule::new(self.rule.clone(), gears).map_err(StudyError::step("validation"))?;
            let score = curve_point(memory.ticks, &context.validation.returns(&mut rule).0).mean;
            if score > trained.record.score {
                trained.record.score = score;
                trained.selected = SavedPolicy::Contextual(ContextualSettings::from_rule(&self.rule));
            }
        }
        Ok(trained)
    }
}
