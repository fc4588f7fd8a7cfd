//! Search of a distilled table's edges, for what the table itself earns.

use super::rule::{search_at, searched};
use super::{Job, JobContext, TrainingContext, TrainingResult};
use crate::config::EdgeRefinementConfig;
use crate::error::StudyError;
use crate::saved::SavedPolicy;
use crate::search::Search;
use lowgear_agents::table::{LookupTable, TablePolicy};
use std::rc::Rc;

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
            stopwatch: Rc::clone(&job_context.stopwatch),
        };
        let (memory, cut) = search_at(job_context, context, &search)?;
        let json = |moves: &[f64]| {
            self.table.with_edges_moved(moves).unwrap_or_else(|| self.table.clone()).to_json()
        };
        let (best, last) = (json(&memory.best), json(&memory.last));
        let (best, last) =
            (best.map_err(StudyError::step("table"))?, last.map_err(StudyError::step("table"))?);
        let mut trained = searched(&memory, cut, |_| SavedPolicy::Table(best.clone()));
        trained.last = SavedPolicy::Table(last);
        Ok(trained)
    }
}
