//! Numbers that change while a learner learns.

use serde::{Deserialize, Serialize};

/// A value that stays, moves in a straight line, and stays again. Time is counted in decisions.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Schedule {
    /// Value up to decision `begin`.
    pub from: f32,
    /// Value from decision `begin + over` on.
    pub to: f32,
    /// Decision at which the value starts to move.
    pub begin: u64,
    /// Decisions that the move takes.
    pub over: u64,
}

impl Schedule {
    /// The same value for ever.
    #[must_use]
    pub const fn constant(value: f32) -> Schedule {
        Schedule { from: value, to: value, begin: 0, over: 0 }
    }

    /// From one value to another within the first `over` decisions.
    #[must_use]
    pub const fn linear(from: f32, to: f32, over: u64) -> Schedule {
        Schedule { from, to, begin: 0, over }
    }

    /// The value at a decision.
    #[must_use]
    pub fn at(&self, decision: u64) -> f32 {
        let past = decision.saturating_sub(self.begin);
        if decision < self.begin {
            self.from
        } else if past >= self.over {
            self.to
        } else {
            self.from + (self.to - self.from) * (past as f32 / self.over as f32)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_schedule_stays_moves_and_stays() {
        let s = Schedule { from: 1.0, to: 0.0, begin: 10, over: 4 };
        assert_eq!([0, 10, 11, 13, 14, 99].map(|d| s.at(d)), [1.0, 1.0, 0.75, 0.25, 0.0, 0.0]);
        assert_eq!(Schedule::constant(0.3).at(7), 0.3);
    }
}
