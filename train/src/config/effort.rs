//! A study with longer or shorter budgets.

use super::StudyConfig;
use crate::search::SearchBudget;
use lowgear_agents::schedule::Schedule;

/// A factor on numbers of steps.
#[derive(Clone, Copy)]
struct Effort(f64);

impl Effort {
    /// Steps of a budget.
    fn steps(self, steps: &mut u64) {
        *steps = ((*steps as f64 * self.0).round() as u64).max(2);
    }

    /// Steps of a schedule, which may be none.
    fn span(self, steps: &mut u64) {
        *steps = (*steps as f64 * self.0).round() as u64;
    }

    /// As many validations as before, and at least one.
    fn validations(self, every: &mut u64, steps: u64) {
        *every = ((*every as f64 * self.0.max(1.0)).round() as u64).min(steps);
    }

    fn search(self, budget: &mut SearchBudget) {
        let (mut generations, mut every) = (budget.generations as u64, budget.validate_every as u64);
        self.steps(&mut generations);
        self.validations(&mut every, generations);
        (budget.generations, budget.validate_every) = (generations as usize, every as usize);
    }

    fn schedule<F>(self, schedule: &mut Schedule<F>) {
        self.span(&mut schedule.begin);
        self.span(&mut schedule.over);
    }
}

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
        self.search_budgets().for_each(|b| b.courses = b.courses.min(quick.test_courses));
        self.with_effort(quick.budget_share)
    }

    /// The budgets of all searches over parameters of policies.
    fn search_budgets(&mut self) -> impl Iterator<Item = &mut SearchBudget> {
        let tuning = &mut self.tuning;
        let own = tuning.speed_budget.iter_mut().chain(&mut tuning.load_budget).chain([&mut tuning.budget]);
        let contextual = self.learners.contextual.iter_mut().map(|contextual| &mut contextual.budget);
        own.chain(contextual)
            .chain(self.table.edge_refinement.iter_mut().map(|refinement| &mut refinement.budget))
    }

    /// The study with every budget of steps, and every schedule over steps, multiplied by `factor`.
    #[must_use]
    pub fn with_effort(mut self, factor: f64) -> StudyConfig {
        let effort = Effort(factor);
        self.search_budgets().for_each(|budget| effort.search(budget));
        self.hyper_search.iter_mut().for_each(|search| effort.steps(&mut search.first_ticks));
        let learners = &mut self.learners;
        if let Some(tabular) = &mut learners.tabular {
            effort.steps(&mut tabular.episodes);
            effort.validations(&mut tabular.validate_every, tabular.episodes);
            effort.schedule(&mut tabular.settings.epsilon);
        }
        if let Some(dqn) = &mut learners.dqn {
            effort.steps(&mut dqn.decisions);
            effort.validations(&mut dqn.validate_every, dqn.decisions);
            let s = &mut dqn.settings;
            let schedules = [&mut s.learning_rate, &mut s.epsilon, &mut s.guide, &mut s.guide_weight];
            schedules.into_iter().for_each(|schedule| effort.schedule(schedule));
        }
        if let Some(ppo) = &mut learners.ppo {
            effort.steps(&mut ppo.decisions);
            effort.validations(&mut ppo.validate_every, ppo.decisions);
            effort.schedule(&mut ppo.settings.learning_rate);
            effort.schedule(&mut ppo.settings.entropy_weight);
        }
        self
    }
}
