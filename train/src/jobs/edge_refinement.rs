//! Search of a distilled table's edges, for what the table itself earns.

use super::rule::{search_at, searched};
use super::{Job, JobContext, SavedPolicy, TrainingContext, TrainingResult};
use crate::error::StudyError;
use crate::search::{Search, SearchBudget};
use lowgear_agents::table::{LookupTable, TablePolicy};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::rc::Rc;

/// A search of the edges of a distilled table, for the return that the table itself earns.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct EdgeRefinementConfig {
    /// Budget. A step of 0.03 moves an edge of a speed by 30 permille and one of a load or clock by 9 %.
    #[serde(default = "edge_refinement_budget")]
    pub budget: SearchBudget,
    /// In this search gearbox stress weighs so many times what the reward says, 0 to 1000: speed is soon bought with
    /// wear where only few courses tell what wear costs.
    #[serde(default = "stress_factor")]
    pub stress_factor: f64,
}

pub(crate) const fn edge_refinement_budget() -> SearchBudget {
    SearchBudget { generations: 40, population: 16, courses: 48, validate_every: 5, step: 0.03 }
}

pub(crate) const fn stress_factor() -> f64 {
    6.0
}

/// One search of the edges of one table.
pub struct EdgeRefinementJob {
    /// The table as it was distilled: what the run comes to where validation finds nothing better.
    pub table: LookupTable,
    /// Budget, and the weight of wear.
    pub config: EdgeRefinementConfig,
    /// Number of the run.
    pub run: u64,
}

impl Job for EdgeRefinementJob {
    fn learner(&self) -> &'static str {
        "table"
    }

    fn run_number(&self) -> u64 {
        self.run
    }

    fn steps(&self) -> u64 {
        self.config.budget.generations as u64
    }

    fn train(
        &self,
        context: &TrainingContext<'_>,
        job_context: &JobContext<'_>,
    ) -> Result<TrainingResult, StudyError> {
        let factor = self.config.stress_factor;
        let search = Search {
            budget: self.config.budget,
            training: &context.training.with_stress_weight(factor),
            validation: &context.validation.with_stress_weight(factor),
            build: |moves: &[f64]| self.table.with_edges_moved(moves).map(TablePolicy::new),
            start: vec![0.0; self.table.movable_edges()],
            seed: context.job_seed(8, self.run),
            limit: context.limit.as_ref(),
            stopwatch: Rc::clone(&job_context.stopwatch),
        };
        let (memory, cut) = search_at(job_context, context, &search)?;
        let json = |moves: &[f64]| {
            self.table.with_edges_moved(moves).unwrap_or_else(|| self.table.clone()).to_json()
        };
        let (best, last) = (json(&memory.best), json(&memory.last));
        let (best, last) = (best?, last?);
        let mut trained = searched(&memory, cut, |_| SavedPolicy::Table(best.clone()));
        trained.last = SavedPolicy::Table(last);
        Ok(trained)
    }
}
