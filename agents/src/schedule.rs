//! Numbers that change while a learner learns.

use serde::{Deserialize, Serialize};
use std::ops::{Add, Mul, Sub};

/// A number that a schedule can move: `f32` in networks, `f64` in tables.
pub trait Real: Copy + Add<Output = Self> + Sub<Output = Self> + Mul<Output = Self> {
    /// `part / whole`.
    fn share(part: u64, whole: u64) -> Self;
}

impl Real for f32 {
    fn share(part: u64, whole: u64) -> f32 {
        part as f32 / whole as f32
    }
}

impl Real for f64 {
    fn share(part: u64, whole: u64) -> f64 {
        part as f64 / whole as f64
    }
}

/// A value that stays, moves in a straight line, and stays again. Time is counted in decisions.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Schedule<F = f32> {
    /// Value up to decision `begin`.
    pub from: F,
    /// Value from decision `begin + over` on.
    pub to: F,
    /// Decision at which the value starts to move.
    pub begin: u64,
    /// Decisions that the move takes.
    pub over: u64,
}

impl<F: Real> Schedule<F> {
    /// The same value for ever.
    #[must_use]
    pub const fn constant(value: F) -> Schedule<F> {
        Schedule { from: value, to: value, begin: 0, over: 0 }
    }

    /// From one value to another within the first `over` decisions.
    #[must_use]
    pub const fn linear(from: F, to: F, over: u64) -> Schedule<F> {
        Schedule { from, to, begin: 0, over }
    }

    /// The value at a decision.
    #[must_use]
    pub fn at(&self, decision: u64) -> F {
        let past = decision.saturating_sub(self.begin);
        if decision < self.begin {
            self.from
        } else if past >= self.over {
            self.to
        } else {
            self.from + (self.to - self.from) * F::share(past, self.over)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_schedule_stays_moves_and_stays() {
        let s = Schedule { from: 1.0_f32, to: 0.0, begin: 10, over: 4 };
        assert_eq!([0, 10, 11, 13, 14, 99].map(|d| s.at(d)), [1.0, 1.0, 0.75, 0.25, 0.0, 0.0]);
        assert_eq!(Schedule::constant(0.3_f32).at(7), 0.3);
    }

    #[test]
    fn doubles_keep_their_digits() {
        let s = Schedule::linear(0.5_f64, 0.1, 100);
        assert_eq!([0, 50, 100, 1000].map(|d| s.at(d)), [0.5, 0.3, 0.1, 0.1]);
        assert_eq!(Schedule::constant(0.2_f64).at(0), 0.2);
    }
}
