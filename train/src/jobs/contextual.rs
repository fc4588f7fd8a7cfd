//! Search of thresholds that depend on context, from what one of the searches for the load-ratio rule came to.

use super::rule::{search_at, searched};
use super::{
    Guide, Job, JobContext, Learner, LearnerSettings, NO_STEP_LIMIT, SavedPolicy, TrainingContext,
    TrainingResult,
};
use crate::effort::Effort;
use crate::error::{PolicyError, StudyError};
use crate::search::{Search, SearchBudget};
use lowgear_agents::rule::contextual::{Contextual, ContextualSettings};
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_env::config::{Check, KeyError};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::rc::Rc;

/// Search of contextual thresholds.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ContextualTraining {
    /// Budget.
    #[serde(default = "budget")]
    pub budget: SearchBudget,
}

const fn budget() -> SearchBudget {
    SearchBudget { generations: 60, population: 16, courses: 32, validate_every: 6, step: 0.05 }
}

impl LearnerSettings for ContextualTraining {
    fn check(&self) -> Result<(), KeyError> {
        self.budget.check().map_err(|e| e.within("budget"))
    }

    fn scale(&mut self, effort: Effort) {
        effort.search(&mut self.budget);
    }

    fn without_step_limit(&mut self) {
        self.budget.generations = NO_STEP_LIMIT as usize;
    }

    fn search_budget(&mut self) -> Option<&mut SearchBudget> {
        Some(&mut self.budget)
    }

    fn job(&self, guide: Guide<'_>, run: u64) -> Box<dyn Job> {
        let (rule, start) = (guide.rule.clone(), guide.start(run).clone());
        Box::new(ContextualJob { rule, start, budget: self.budget, run })
    }
}

impl Learner for ContextualTraining {
    const NUMBER: u64 = 3;
    const LABEL: &'static str = "Contextual thresholds";
    type Saved = ContextualSettings;
    type Instance = Contextual;

    fn demonstration() -> ContextualTraining {
        ContextualTraining { budget: budget() }
    }

    fn instantiate(saved: &ContextualSettings, gears: usize) -> Result<Contextual, PolicyError> {
        Ok(Contextual::new(saved.clone(), gears)?)
    }
}

/// One search of contextual thresholds.
struct ContextualJob {
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
            seed: context.job_seed(ContextualTraining::NUMBER, self.run),
            limit: context.limit.as_ref(),
            stopwatch: Rc::clone(&job_context.stopwatch),
        };
        let (memory, cut) = search_at(job_context, context, &search)?;
        let policy = |weights: &[f64]| SavedPolicy::Contextual(at(weights).unwrap_or_else(|| start.clone()));
        let mut trained = searched(&memory, cut, policy);
        if self.start != self.rule {
            let mut rule = Rule::new(self.rule.clone(), gears).map_err(PolicyError::from)?;
            let score = search.validated(&mut rule, memory.ticks).mean;
            if score > trained.record.score {
                trained.record.score = score;
                trained.selected = SavedPolicy::Contextual(ContextualSettings::from_rule(&self.rule));
            }
        }
        Ok(trained)
    }
}
