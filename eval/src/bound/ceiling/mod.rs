//! A ceiling for controllers that see only so far ahead: in the mean no such controller returns more.
//!
//! A dual bound (Brown, Smith, Sun 2010, "Information relaxations and duality in stochastic dynamic programs", Operations
//! Research 58): the plan that knows the course is charged for knowing obstacles before they come into view.
//!
//! **Who it holds for.** A controller that knows its vehicle, its state, surfaces and grades exactly, and of the obstacles
//! those that lie less than `a + w` ahead of its front axle: `a` is the view, `w` the widest contact of a wheel, so that
//! nothing is touched before it is known. That is more than a controller with a sensor of this range knows of them, but for
//! false reports that copy heights of obstacles elsewhere. Whether an obstacle begins a row is known when it comes into view,
//! the spacing from the second one on; the length never. Obstacles that were drawn and left out are known with the others.
//!
//! **Why.** The ground is cut into cells. Cell `k` comes into view when the front axle first reaches `x_k`. Let `B_k` be what
//! is known just before: the cells before, and with the decisions so far the state of the vehicle. The surprise `s_k` is the
//! number of obstacles of each kind in the cell less its mean given the cells before ([`law`]); as obstacles are drawn
//! without regard to anything else, `E[s_k | B_k] = 0`. Let `l_k` be any losses, one for each kind, that follow from `B_k`
//! ([`exposure`]). For every controller as above `E[s_k l_k] = 0`, and with the return `R`
//!
//! ```text
//! E[R] = E[R - sum s_k l_k] <= E[max (R - sum s_k l_k)],
//! ```
//!
//! the maximum being over all sequences of requests on the course as it is. That maximum is found by the dynamic
//! programming of the plan, with one more term; without charges it is the plan. Any losses give a ceiling, a weight on them
//! too. It is tight where a loss is what an obstacle costs a controller that did not know of it.
//!
//! **How exact.** The ceiling bounds values, not driven returns, and is as exact as the value of the plan: see
//! [`DISCRETISATION_SHARE`](super::DISCRETISATION_SHARE), and the charge and temperatures of a first plan. Dogs always enter
//! and come free under any torque, which can only help. A vehicle that rolls back behind a place is put there at a
//! standstill, so no cell is charged for twice.

mod exposure;
mod law;
mod marks;

use super::{GridResolution, Plan, Successor, ThermalProfile};
use exposure::Exposure;
use law::{CELL_M, Law};
use lowgear_env::vehicle::Vehicle;
use lowgear_env::{Drive, Scenario};
use lowgear_onboard::Request;
use std::ops::Range;

/// What a ceiling is for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    /// Obstacles are known this far ahead of where the front wheels touch them, m.
    pub ahead_m: f64,
    /// Weight on the charges; 0 is the clairvoyant plan.
    pub weight: f64,
}

/// Ceilings on the courses of a scenario.
#[derive(Clone, Debug)]
pub struct Ceiling {
    law: Law,
}

/// The charges on one course.
struct Charges {
    exposure: Exposure,
    /// For each position of the plan the cells that come into view there.
    cells: Vec<Range<usize>>,
    /// Where each cell comes into view, m.
    shown_m: Vec<f64>,
    surprises: Vec<Vec<f64>>,
    /// The ground from each cell on, as [`Exposure::ground`] has it.
    grounds: Vec<(usize, f64)>,
    weight: f64,
}

impl Ceiling {
    /// For courses with obstacles that are drawn for every episode; `None` for others, of laps among them.
    #[must_use]
    pub fn new(scenario: &Scenario) -> Option<Ceiling> {
        Law::new(scenario).map(|law| Ceiling { law })
    }

    /// Values at the start, s, one for each view: their means over courses are ceilings on the mean return. `drive` stands at
    /// the start of its course.
    #[must_use]
    pub fn start_values(&self, drive: &Drive, resolution: GridResolution, views: &[View]) -> Vec<f64> {
        let (scenario, track) = (drive.scenario(), drive.track());
        let vehicle = never_jams(drive.vehicle());
        let thermal_profile = ThermalProfile::of(drive);
        let unsolved = || Plan::unsolved(scenario, &vehicle, track, resolution);
        let mut solved: Vec<(Plan, Option<Charges>)> = Vec::new();
        for view in views {
            let plan = unsolved();
            let charges =
                (view.weight != 0.0).then(|| self.charges(drive, &plan, resolution, *view, &thermal_profile));
            solved.push((plan, charges));
        }
        let grid = unsolved();
        for i in (0..grid.positions_m.len() - 1).rev() {
            let successors = grid.successors(scenario, &vehicle, track, i, &thermal_profile);
            for (plan, charges) in &mut solved {
                let mut charged = successors.clone();
                charges.iter().for_each(|charges| charges.subtract(plan, i, &mut charged));
                plan.solve_layer(scenario, &charged, i);
            }
        }
        solved.iter().map(|(plan, _)| plan.start_value(scenario)).collect()
    }

    fn charges(
        &self,
        drive: &Drive,
        plan: &Plan,
        resolution: GridResolution,
        View { ahead_m, weight }: View,
        thermal_profile: &ThermalProfile,
    ) -> Charges {
        let course = &drive.track().course;
        let surprises = self.law.surprises(drive.scenario(), drive.episode(), course);
        let before_m = ahead_m + self.law.marks.widest_m(drive.vehicle().wheel_radius_m);
        let shown_m: Vec<f64> = (0..surprises.len()).map(|cell| cell as f64 * CELL_M - before_m).collect();
        let count = |x_m: f64| shown_m.partition_point(|&shown| shown < x_m);
        let positions = &plan.positions_m;
        let next = |i: usize| positions.get(i + 1).map_or(shown_m.len(), |&next| count(next));
        let cells = (0..positions.len()).map(|i| count(positions[i])..next(i)).collect();
        let exposure = Exposure::new(drive, &self.law, resolution, ahead_m, thermal_profile);
        let ground = |cell: usize| exposure.ground(course, cell as f64 * CELL_M);
        let grounds = (0..surprises.len()).map(ground).collect();
        Charges { exposure, cells, shown_m, surprises, grounds, weight }
    }
}

impl Charges {
    /// Takes what comes into view on the way off the rewards of decisions at position `i`. A landing between two positions
    /// counts as the next one in part, as its value does.
    fn subtract(&self, plan: &Plan, i: usize, successors: &mut [Option<Successor>]) {
        let last = plan.positions_m.len() - 1;
        for (k, successor) in successors.iter_mut().enumerate() {
            let Some(successor) = successor else { continue };
            let to_m = if successor.finished { plan.positions_m[last] } else { successor.x_m };
            if to_m <= plan.positions_m[i] {
                continue;
            }
            let (row, share) = plan.position_index(to_m);
            let whole: f64 = (i + 1..=row).map(|q| self.shown_s(plan, i, q, k)).sum();
            let part = if share > 0.0 { share * self.shown_s(plan, i, row + 1, k) } else { 0.0 };
            successor.reward -= self.weight * (whole + part);
        }
    }

    /// The charge for what comes into view at position `q` after decision `k` at position `i`, s.
    fn shown_s(&self, plan: &Plan, i: usize, q: usize, k: usize) -> f64 {
        let (node, request) = (k / Request::ALL.len(), k % Request::ALL.len());
        let charge = |cell: usize| {
            let way_m = self.shown_m[cell] - plan.positions_m[i];
            self.exposure.charge_s(self.grounds[cell], way_m, node, request, &self.surprises[cell])
        };
        self.cells[q].clone().map(charge).sum()
    }
}

/// The vehicle with dogs that come free under any torque.
fn never_jams(vehicle: &Vehicle) -> Vehicle {
    let mut vehicle = vehicle.clone();
    vehicle.selector.release_torque_nm = f64::INFINITY;
    vehicle
}

#[cfg(test)]
mod tests;
