//! The price of knowing an obstacle before a sensor reports it.
//!
//! A plan that knows the course is charged, over each piece of way, the values of the rows of obstacles that the sensor
//! reports there less the expectation of these values: `sum of value(row) - integral of rate x mean value`. The difference is
//! a martingale for a controller that decides by reports alone, so that it costs nothing in the mean, and it takes from the plan
//! what it gains by preparing for a row that it cannot know of (Brown, Smith, Sun 2010, "Information relaxations and
//! duality in stochastic dynamic programs", Operations Research 58). Any values give a bound; the better they are, the
//! tighter it is. Values depend on what is known at the decision: speed, the gear asked for, the ground.

use super::{Plan, Successor};

/// Charges by position and state, summed up from the start.
#[derive(Clone, Debug)]
pub(super) struct Penalty {
    /// By position, speed and gear, in the order of a plan's values.
    sums: Vec<f64>,
}

impl Penalty {
    /// From the charge of each piece between positions: `pieces[i]` holds, by speed and gear, what is charged between
    /// positions `i` and `i + 1`.
    pub(super) fn new(pieces: &[Vec<f64>]) -> Penalty {
        let layer = pieces.first().map_or(0, Vec::len);
        let mut sums = vec![0.0; layer];
        for piece in pieces {
            let before = sums.len() - layer;
            for (node, charge) in piece.iter().enumerate() {
                sums.push(sums[before + node] + charge);
            }
        }
        Penalty { sums }
    }

    /// Charges every decision at position `i`. Between two positions of the grid a state is both in part, and so is the
    /// charge: each row is charged once on every way through the grid.
    pub(super) fn charge(&self, plan: &Plan, i: usize, successors: &mut [Option<Successor>]) {
        let layer = plan.speeds.len() * plan.gears;
        let last = plan.positions_m.len() - 1;
        for (option, successor) in successors.iter_mut().enumerate() {
            let Some(successor) = successor else { continue };
            let speed = option / 3 / plan.gears;
            let sum = |position: usize| self.sums[position * layer + speed * plan.gears + successor.gear];
            let reached = if successor.finished {
                sum(last)
            } else {
                let (row, share) = plan.position_index(successor.x_m.max(plan.positions_m[i]));
                sum(row) * (1.0 - share) + sum(row + 1) * share
            };
            successor.reward -= reached - sum(i);
        }
    }
}
