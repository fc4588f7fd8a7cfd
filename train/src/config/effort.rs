//! A study with longer or shorter budgets.

use super::StudyConfig;
use crate::effort::Effort;
use crate::search::SearchBudget;

impl StudyConfig {
    /// The study as `--quick` runs it.
    #[must_use]
    pub fn with_quick_budget(mut self) -> StudyConfig {
        let quick = self.quick;
        self.training_seeds = quick.training_seeds;
        self.validation_courses = quick.validation_courses;
        self.test_courses = quick.test_courses;
        self.tuning.searches = 1;
        self.robustness.iter_mut().for_each(|r| r.courses = r.courses.min(quick.test_courses));
        Effort(quick.budget_share).steps(&mut self.table.courses);
        self.network.iter_mut().for_each(|n| Effort(quick.budget_share).steps(&mut n.courses));
        let most = quick.test_courses;
        self.search_budgets().for_each(|b| b.courses = b.courses.min(most));
        self.learners.each(|learner| {
            learner.search_budget().into_iter().for_each(|b| b.courses = b.courses.min(most));
        });
        self.with_effort(quick.budget_share)
    }

    /// The budgets of the searches for rules and edges.
    fn search_budgets(&mut self) -> impl Iterator<Item = &mut SearchBudget> {
        let tuning = &mut self.tuning;
        let own = tuning.speed_budget.iter_mut().chain(&mut tuning.load_budget).chain([&mut tuning.budget]);
        own.chain(self.table.edge_refinement.iter_mut().map(|refinement| &mut refinement.budget))
    }

    /// The study with every budget of steps, and every schedule over steps, multiplied by `factor`.
    #[must_use]
    pub fn with_effort(mut self, factor: f64) -> StudyConfig {
        let effort = Effort(factor);
        self.search_budgets().for_each(|budget| effort.search(budget));
        self.hyper_search.iter_mut().for_each(|search| effort.steps(&mut search.first_ticks));
        self.network.iter_mut().for_each(|network| effort.steps(&mut network.steps));
        self.learners.each(|learner| learner.scale(effort));
        self
    }
}
