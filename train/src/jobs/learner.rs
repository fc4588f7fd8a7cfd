//! What a study must know of a learner.

use super::{Guide, Job};
use crate::effort::Effort;
use crate::error::PolicyError;
use crate::search::SearchBudget;
use lowgear_agents::policy::Policy;
use lowgear_agents::policy::explain::Explain;
use lowgear_env::config::{KeyError, in_range};
use std::fmt::Debug;

/// More steps than anybody takes.
pub(crate) const NO_STEP_LIMIT: u64 = 1 << 50;

/// The table of a learner's settings under `[learners]`.
pub trait LearnerSettings {
    /// Checks every value.
    ///
    /// # Errors
    /// The first key that does not fit.
    fn check(&self) -> Result<(), KeyError>;

    /// Multiplies every budget of steps, and every schedule over steps.
    fn scale(&mut self, effort: Effort);

    /// As many steps as it takes until something else ends training.
    fn without_step_limit(&mut self);

    /// Fills in what depends on the number of gears and was left out.
    fn for_gears(&mut self, _gears: usize) {}

    /// The budget of a search over parameters, where the learner is one.
    fn search_budget(&mut self) -> Option<&mut SearchBudget> {
        None
    }

    /// Training run number `run`, from 1.
    fn job(&self, guide: Guide<'_>, run: u64) -> Box<dyn Job>;
}

/// A learner: implemented by its table of settings. Its line in the registry does the rest.
pub trait Learner: LearnerSettings + Sized {
    /// Number that the seeds of its runs are made from; never reused.
    const NUMBER: u64;
    /// Name in the report.
    const LABEL: &'static str;
    /// A learned policy as a file holds it.
    type Saved: Clone + Debug;
    /// A learned policy that drives.
    type Instance: Policy + Explain + Clone + Debug;

    /// The settings of the demonstration.
    fn demonstration() -> Self;

    /// A saved policy, ready to drive a vehicle with this many gears.
    ///
    /// # Errors
    /// What does not fit.
    fn instantiate(saved: &Self::Saved, gears: usize) -> Result<Self::Instance, PolicyError>;
}

/// Checks each number of a list against 0 to `high`.
pub(super) fn check_each(key: &str, values: &[f32], high: f32) -> Result<(), KeyError> {
    let mut checks =
        values.iter().enumerate().map(|(i, &v)| in_range(&format!("{key}[{i}]"), v, 0.0, high, ""));
    checks.try_for_each(|check| check)
}
