//! How fast a learner learns and how much it explores.

use lowgear_env::config::{KeyError, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Step size of an update.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub enum StepSize {
    /// The same for every update, above 0 and up to 1.
    Constant(f64),
    /// `max(floor, n^-omega)` at the n-th visit of this cell and action.
    Visits {
        /// Exponent, 0 to 1. Without a floor, values converge for 0.5 < omega <= 1 (Robbins, Monro 1951).
        omega: f64,
        /// Smallest step size, 0 to 1; above 0 it keeps following a target that moves.
        floor: f64,
    },
}

impl StepSize {
    /// Step size at the `visits`-th visit, counted from 1.
    #[must_use]
    pub fn at(self, visits: u32) -> f64 {
        match self {
            StepSize::Constant(size) => size,
            StepSize::Visits { omega, floor } => f64::from(visits.max(1)).powf(-omega).max(floor),
        }
    }

    pub(super) fn validate(self) -> Result<(), KeyError> {
        match self {
            StepSize::Constant(size) => in_range("step-size.constant", size, 1e-9, 1.0, ""),
            StepSize::Visits { omega, floor } => {
                in_range("step-size.visits.omega", omega, 0.0, 1.0, "")?;
                in_range("step-size.visits.floor", floor, 0.0, 1.0, "")
            }
        }
    }
}

/// Probability of exploring, linear in the number of decisions learned from.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Epsilon {
    /// At the first decision, 0 to 1.
    pub start: f64,
    /// After `decisions` and from then on, 0 to 1.
    pub end: f64,
    /// Decisions over which it goes from `start` to `end`.
    pub decisions: u64,
}

impl Epsilon {
    /// The same probability for ever.
    #[must_use]
    pub const fn constant(value: f64) -> Epsilon {
        Epsilon { start: value, end: value, decisions: 0 }
    }

    /// Probability after this many decisions.
    #[must_use]
    pub fn at(self, decisions: u64) -> f64 {
        if decisions >= self.decisions {
            return self.end;
        }
        self.start + (self.end - self.start) * (decisions as f64 / self.decisions as f64)
    }

    pub(super) fn validate(self) -> Result<(), KeyError> {
        in_range("epsilon.start", self.start, 0.0, 1.0, "")?;
        in_range("epsilon.end", self.end, 0.0, 1.0, "")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn epsilon_falls_along_a_line_and_stays() {
        let epsilon = Epsilon { start: 0.5, end: 0.1, decisions: 100 };
        let at = [0, 50, 100, 1000].map(|decisions| epsilon.at(decisions));
        assert_eq!(at, [0.5, 0.3, 0.1, 0.1]);
        assert_eq!(Epsilon::constant(0.2).at(0), 0.2);
    }

    #[test]
    fn step_size_falls_with_visits_down_to_the_floor() {
        let sizes = StepSize::Visits { omega: 0.5, floor: 0.2 };
        assert_eq!([1, 4, 16, 25, 10_000].map(|n| sizes.at(n)), [1.0, 0.5, 0.25, 0.2, 0.2]);
        assert_eq!(StepSize::Constant(0.3).at(9), 0.3);
    }
}
