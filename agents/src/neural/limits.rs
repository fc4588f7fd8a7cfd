//! Limits of settings that the neural learners share; each names the key it was given.

use crate::schedule::Schedule;
use lowgear_env::config::{KeyError, in_range, require};

/// Inputs and actions that a learner takes.
pub(crate) const SIZES: &str = "1 to 4096 inputs, 1 to 32 actions";

pub(crate) fn positive(key: &str, value: f32) -> Result<(), KeyError> {
    require(value > 0.0 && value.is_finite(), key, value, "above 0")
}

pub(crate) fn not_negative(key: &str, value: f32) -> Result<(), KeyError> {
    require(value >= 0.0 && value.is_finite(), key, value, "0 or above")
}

/// A share of which 0 is none.
pub(crate) fn share(key: &str, value: f64) -> Result<(), KeyError> {
    require(value > 0.0 && value <= 1.0, key, value, "above 0 to 1")
}

/// Widths of hidden layers.
pub(crate) fn widths(key: &str, widths: &[usize]) -> Result<(), KeyError> {
    let fine = widths.len() <= 8 && widths.iter().all(|width| (1..=4096).contains(width));
    require(fine, key, format!("{widths:?}"), "up to 8 widths of 1 to 4096")
}

/// Both ends of a schedule.
pub(crate) fn ends(key: &str, schedule: &Schedule, low: f32, high: f32) -> Result<(), KeyError> {
    in_range(&format!("{key}.from"), schedule.from, low, high, "")?;
    in_range(&format!("{key}.to"), schedule.to, low, high, "")
}

/// A step size: it may fall to 0 but not begin there.
pub(crate) fn learning_rate(key: &str, rate: &Schedule) -> Result<(), KeyError> {
    share(&format!("{key}.from"), rate.from.into())?;
    in_range(&format!("{key}.to"), rate.to, 0.0, 1.0, "")
}
