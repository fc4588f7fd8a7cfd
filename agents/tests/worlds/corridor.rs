//! A short corridor with switched actions (Sutton, Barto 2018, example 13.1).
//!
//! Three cells that look alike, then the goal. Left (0) and right (1) do what they say, but in the middle
//! cell the other way round; at the left wall left stays. Every step costs 1. An agent that cannot tell the cells
//! apart does best to go right with probability `2 - sqrt 2`, at random.

use lowgear_env::{End, Step, World};

/// Probability of going right that is best.
pub const BEST: f64 = 2.0 - std::f64::consts::SQRT_2;

/// Expected return from the first cell when going right with probability `p`: `(2 p - 4) / (p (1 - p))`,
/// the solution of the three Bellman equations.
#[must_use]
pub fn value(p: f64) -> f64 {
    (2.0 * p - 4.0) / (p * (1.0 - p))
}

/// The world. It observes nothing; each step takes 1 s. There is no chance in it and no time limit.
#[derive(Clone, Debug, Default)]
pub struct Corridor {
    cell: usize,
}

impl World for Corridor {
    type Observation = ();

    fn actions(&self) -> usize {
        2
    }

    fn reset(&mut self, _episode: u64) {
        self.cell = 0;
    }

    fn observation(&self) -> &() {
        &()
    }

    fn allowed(&self, _action: usize) -> bool {
        true
    }

    fn step(&mut self, action: usize) -> Step {
        let right = (action == 1) != (self.cell == 1);
        self.cell = if right { self.cell + 1 } else { self.cell.saturating_sub(1) };
        let end = (self.cell == 3).then_some(End::Terminated);
        Step { reward: -1.0, elapsed_s: 1.0, end }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values of example 13.1 (reinforcement_learning.json, `sb_ex13_1_short_corridor`).
    #[test]
    fn the_closed_form_equals_the_reference() {
        assert!((BEST - 0.585_786_437_626_904_9).abs() < 1e-12);
        assert!((value(BEST) + 11.656_854_249_492_381).abs() < 1e-9);
        assert!((value(0.05) + 82.105_263_157_894_46).abs() < 1e-9);
        assert!((value(0.95) + 44.210_526_315_789_345).abs() < 1e-9);
    }
}
