//! A factor on numbers of steps.

use crate::search::SearchBudget;
use lowgear_agents::schedule::Schedule;

/// A factor on numbers of steps.
#[derive(Clone, Copy, Debug)]
pub struct Effort(pub f64);

impl Effort {
    /// Steps of a budget.
    pub fn steps(self, steps: &mut u64) {
        *steps = ((*steps as f64 * self.0).round() as u64).max(2);
    }

    /// Steps of a schedule, which may be none.
    pub fn span(self, steps: &mut u64) {
        *steps = (*steps as f64 * self.0).round() as u64;
    }

    /// As many validations as before, and at least one.
    pub fn validations(self, every: &mut u64, steps: u64) {
        *every = ((*every as f64 * self.0.max(1.0)).round() as u64).min(steps);
    }

    /// Generations of a search and its validations.
    pub fn search(self, budget: &mut SearchBudget) {
        let (mut generations, mut every) = (budget.generations as u64, budget.validate_every as u64);
        self.steps(&mut generations);
        self.validations(&mut every, generations);
        (budget.generations, budget.validate_every) = (generations as usize, every as usize);
    }

    /// Steps at which a schedule begins and over which it goes.
    pub fn schedule<F>(self, schedule: &mut Schedule<F>) {
        self.span(&mut schedule.begin);
        self.span(&mut schedule.over);
    }
}
