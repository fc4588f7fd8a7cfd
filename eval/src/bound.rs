//! How far the best possible shift sequence is: a clairvoyant plan.
//!
//! Dynamic programming (Bellman 1957) backwards over position, speed and gear on one known course with the
//! episode's own vehicle, no noise and dogs that always enter. Charge and temperatures are no dimension of the
//! grid: they are those of a first, coarse and cold plan where it drove by, and matter as much as all
//! the rest (a demo cart's motor that stays cold is 5 % faster). The value is optimistic up to interpolation and to
//! that; driven in the real episode the plan is a policy with full knowledge, [`Plan::decide`].

mod ceiling;
mod grid;
mod knowledge;
mod one_step_model;
mod preview;
mod reports;

pub use ceiling::{Ceiling, View};
pub use knowledge::{Knowledge, Position, counted_offset_m};
pub use preview::{Preview, Typical, drive_preview};
pub use reports::{HeightClasses, Heights, PreviewSensor};

use grid::{no_load_speeds_m_s, positions_m};
use lowgear_env::motion::{Plant, Track};
use lowgear_env::vehicle::{TemperatureRise, Vehicle};
use lowgear_env::{Drive, Mask, Scenario, Step, run_episode};
use lowgear_onboard::Request;
use one_step_model::{Clocks, Successor, predict};

/// Resolution of the grid. Distances are counted in *strides*: what the vehicle covers at its top speed between
/// two decisions. So the same figures do for a cart that crawls and a tractor that trots.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GridResolution {
    /// Distance between positions, strides.
    pub position_strides: f64,
    /// Number of speeds.
    pub speeds: usize,
}

impl Default for GridResolution {
    fn default() -> GridResolution {
        GridResolution { position_strides: 0.2, speeds: 20 }
    }
}

/// The grid of the first plan, which only tells how warm things get.
const COARSE: GridResolution = GridResolution { position_strides: 1.0, speeds: 9 };

/// A plan for one course.
pub struct Plan {
    values: Vec<f64>,
    positions_m: Vec<f64>,
    speeds: Vec<f64>,
    /// For each gear how many of the speeds it can have; faster than the last counts as that.
    speeds_in_gear: Vec<usize>,
    gears: usize,
    clocks: Clocks,
    /// What the vehicle covers at its top speed between two decisions, m.
    stride_m: f64,
    /// A shift must promise this much more than a hold, s.
    margin_s: f64,
}

/// Speeds of the grid end so far above a gear's no-load speed: down a slope the vehicle drives the motor.
const OVER_SPEED: f64 = 1.15;
/// A decision is followed this far before the plan's value is looked up, strides.
const AHEAD_STRIDES: f64 = 0.6;
/// And for this many decisions at the most.
const AHEAD_HOLDS: usize = 12;
/// Between two grid positions a state can look better than it is; a shift must promise more than this share of
/// the time that the plan takes from one position to the next.
const MARGIN_SHARE: f64 = 0.2;
/// Sweeps over one layer at the most; decisions that end within the layer converge geometrically.
const SWEEPS: usize = 200;

/// Of the planned course time: by how much the mean value of plans may be too low on account of the grid, at
/// [`GridResolution::default`]. Measured: 0.3 s of 183 s by twice the positions and speeds.
pub const DISCRETISATION_SHARE: f64 = 0.005;

/// Charge and temperatures where a vehicle has been, in order of position.
struct ThermalProfile(Vec<(f64, f64, TemperatureRise)>);

impl ThermalProfile {
    /// As at the start, everywhere.
    fn cold(vehicle: &Vehicle) -> ThermalProfile {
        ThermalProfile(vec![(0.0, vehicle.charge, TemperatureRise::default())])
    }

    /// As a first, coarse plan warms it up.
    fn of(drive: &Drive) -> ThermalProfile {
        ThermalProfile::along(drive, &ThermalProfile::coarse_plan(drive))
    }

    /// The plan that only shows how warm things get.
    fn coarse_plan(drive: &Drive) -> Plan {
        Plan::with(drive, COARSE, &ThermalProfile::cold(drive.vehicle()))
    }

    /// Along the way that `plan` takes in the episode.
    fn along(drive: &Drive, plan: &Plan) -> ThermalProfile {
        let mut drive = drive.clone();
        let mut noted = ThermalProfile::cold(drive.vehicle()).0;
        let note = |drive: &Drive, _, _: &Step| {
            let plant = drive.plant();
            if noted.last().is_none_or(|last| plant.x_m > last.0) {
                noted.push((plant.x_m, plant.charge, plant.temperature_rise));
            }
        };
        run_episode(&mut drive, |drive| plan.decide(drive), note);
        ThermalProfile(noted)
    }

    fn at(&self, x_m: f64) -> (f64, TemperatureRise) {
        let behind = self.0.partition_point(|noted| noted.0 <= x_m).max(1) - 1;
        (self.0[behind].1, self.0[behind].2)
    }
}

impl Plan {
    /// Plans the course of `drive`, which stands at its start.
    #[must_use]
    pub fn new(drive: &Drive, resolution: GridResolution) -> Plan {
        Plan::with(drive, resolution, &ThermalProfile::of(drive))
    }

    fn with(drive: &Drive, resolution: GridResolution, thermal_profile: &ThermalProfile) -> Plan {
        let (scenario, vehicle, track) = (drive.scenario(), drive.vehicle(), drive.track());
        let mut plan = Plan::unsolved(scenario, vehicle, track, resolution);
        for i in (0..plan.positions_m.len() - 1).rev() {
            let successors = plan.successors(scenario, vehicle, track, i, thermal_profile);
            plan.solve_layer(scenario, &successors, i);
        }
        let planned_s =
            plan.values[..plan.gears].iter().fold(f64::NEG_INFINITY, |best, value| best.max(*value)).abs();
        let step_m = resolution.position_strides * plan.stride_m;
        plan.margin_s = MARGIN_SHARE * planned_s * step_m / track.course.length_m;
        plan
    }

    /// The grid for a track, every value 0.
    fn unsolved(scenario: &Scenario, vehicle: &Vehicle, track: &Track, resolution: GridResolution) -> Plan {
        let clocks = Clocks::new(scenario);
        let tops_m_s = no_load_speeds_m_s(vehicle);
        let top_m_s = tops_m_s.iter().copied().fold(0.0, f64::max);
        let stride_m = top_m_s * f64::from(clocks.decision) * vehicle.tick_s;
        let positions_m = positions_m(vehicle, track, resolution.position_strides * stride_m);
        let gears = vehicle.gears.len();
        let last = (resolution.speeds - 1) as f64;
        let speeds: Vec<f64> =
            (0..resolution.speeds).map(|j| OVER_SPEED * top_m_s * (j as f64 / last).powf(1.4)).collect();
        let up_to =
            |top: &f64| speeds.partition_point(|&v| v < OVER_SPEED * top).clamp(1, speeds.len() - 1) + 1;
        let speeds_in_gear = tops_m_s.iter().map(up_to).collect();
        let layer = speeds.len() * gears;
        Plan {
            values: vec![0.0; positions_m.len() * layer],
            positions_m,
            speeds,
            speeds_in_gear,
            gears,
            clocks,
            stride_m,
            margin_s: 0.0,
        }
    }

    /// The value at the start: a return that no causal policy exceeds in the mean, up to interpolation.
    #[must_use]
    pub fn start_value(&self, scenario: &Scenario) -> f64 {
        let gear = (scenario.episode.start_gear - 1).min(self.gears - 1);
        let length_m = self.positions_m[self.positions_m.len() - 1];
        self.values[gear] + length_m / scenario.episode.reward.reference_speed_m_s
    }

    /// The best decision for the state that `drive` is really in: each one is followed by holding the gear
    /// for a stretch, so that all are compared where the interpolation is trustworthy.
    #[must_use]
    pub fn decide(&self, drive: &Drive) -> Request {
        self.decide_on(drive, drive.track(), &drive.plant(), drive.mask())
    }

    /// What each request is worth where `drive` really is, s, by its code: the return until somewhat further on and the plan's
    /// value there. Minus infinity where it is not allowed or leads nowhere.
    #[must_use]
    pub fn request_values(&self, drive: &Drive) -> [f64; 3] {
        self.request_values_on(drive, drive.track(), &drive.plant(), drive.mask())
    }

    /// The best request where the vehicle is taken to be that of `drive`, the ground to be `track` and the state to be `plant`.
    fn decide_on(&self, drive: &Drive, track: &Track, plant: &Plant, mask: Mask) -> Request {
        let [down, hold, up] = self.request_values_on(drive, track, plant, mask);
        let mut best = (hold + self.margin_s, Request::Hold);
        for (value, request) in [(down, Request::Down), (up, Request::Up)] {
            if value > best.0 {
                best = (value, request);
            }
        }
        best.1
    }

    fn request_values_on(&self, drive: &Drive, track: &Track, plant: &Plant, mask: Mask) -> [f64; 3] {
        let (hold, moved_m) = self.decision_value(drive, track, plant, Request::Hold);
        if moved_m < 0.01 && mask.allows(Request::Down as usize) {
            // Stuck: whatever the interpolation promises, only a lower gear can help.
            return [0.0, f64::NEG_INFINITY, f64::NEG_INFINITY];
        }
        let value = |request: Request| {
            if mask.allows(request as usize) {
                self.decision_value(drive, track, plant, request).0
            } else {
                f64::NEG_INFINITY
            }
        };
        [value(Request::Down), hold, value(Request::Up)]
    }

    /// Return of a decision, then holding until [`AHEAD_STRIDES`] further on or [`AHEAD_HOLDS`] decisions later,
    /// then the plan; and the distance covered until then, m.
    fn decision_value(&self, drive: &Drive, track: &Track, plant: &Plant, request: Request) -> (f64, f64) {
        let start_m = plant.x_m;
        let mut plant = plant.clone();
        let mut reward = 0.0;
        for n in 0..AHEAD_HOLDS {
            let request = if n == 0 { request } else { Request::Hold };
            let Some((successor, after)) =
                predict(drive.scenario(), drive.vehicle(), track, plant, request, &self.clocks)
            else {
                return (f64::NEG_INFINITY, 0.0);
            };
            reward += successor.reward;
            if successor.finished {
                return (reward, successor.x_m - start_m);
            }
            if successor.x_m > start_m + AHEAD_STRIDES * self.stride_m || n + 1 == AHEAD_HOLDS {
                return (reward + self.value(&successor), successor.x_m - start_m);
            }
            plant = after;
        }
        (f64::NEG_INFINITY, 0.0)
    }

    /// Where each decision leads from each speed and gear at position `i`.
    fn successors(
        &self,
        scenario: &Scenario,
        vehicle: &Vehicle,
        track: &Track,
        i: usize,
        thermal_profile: &ThermalProfile,
    ) -> Vec<Option<Successor>> {
        let layer = self.speeds.len() * self.gears;
        let mut successors = Vec::with_capacity(layer * 3);
        let (charge, temperature_rise) = thermal_profile.at(self.positions_m[i]);
        for j in 0..self.speeds.len() {
            for gear in 0..self.gears {
                if j >= self.speeds_in_gear[gear] {
                    successors.extend([None; Request::ALL.len()]);
                    continue;
                }
                let plant = Plant::at(vehicle, track, self.positions_m[i], self.speeds[j], gear)
                    .with_thermal_state(vehicle, charge, temperature_rise);
                for request in Request::ALL {
                    let successor = predict(scenario, vehicle, track, plant.clone(), request, &self.clocks);
                    successors.push(successor.map(|(successor, _)| successor));
                }
            }
        }
        successors
    }

    /// Finds the values at position `i`, from where decisions lead and the values behind it.
    fn solve_layer(&mut self, scenario: &Scenario, successors: &[Option<Successor>], i: usize) {
        let layer = self.speeds.len() * self.gears;
        let from = i * layer;
        let stay = self.giving_up(scenario, i);
        self.values[from..from + layer].fill(stay);
        let decision_values: Vec<Option<DecisionValue>> =
            successors.iter().map(|l| l.as_ref().map(|l| self.decision_value_from(l, i))).collect();
        let own = &mut self.values[from..from + layer];
        for _ in 0..SWEEPS {
            let mut change: f64 = 0.0;
            for k in 0..layer {
                let options = decision_values[3 * k..3 * k + 3].iter().flatten();
                let best = options.map(|o| o.value(own)).fold(stay, f64::max);
                change = change.max((best - own[k]).abs());
                own[k] = best;
            }
            if change < 1e-4 {
                break;
            }
        }
    }

    /// Value of standing still from position `i` on until the episode is given up, with the progress that is
    /// then missing and the time left until the limit.
    fn giving_up(&self, scenario: &Scenario, i: usize) -> f64 {
        let (episode, last) = (&scenario.episode, self.positions_m.len() - 1);
        let weights = &episode.reward;
        let missing_m = self.positions_m[last] - self.positions_m[i];
        // Not sooner on the clock than at first gear's pace: the plan does not know what it took to get here.
        let clock_s = self.positions_m[i] / self.speeds[1].max(0.02) + episode.give_up_s;
        -weights.abort_s
            - episode.give_up_s * (weights.time + weights.stall)
            - weights.time * (episode.time_limit_s - clock_s).max(0.0)
            - missing_m / weights.reference_speed_m_s
    }

    /// Value of a landing seen from layer `i`, as a function of the layer's own values: behind it, the way back
    /// up is added at first gear's pace.
    fn decision_value_from(&self, successor: &Successor, i: usize) -> DecisionValue {
        if successor.finished {
            return DecisionValue { sure: successor.reward, open: 0.0, node: 0, next: 0, fast: 0.0 };
        }
        let here_m = self.positions_m[i];
        let back_m = (here_m - successor.x_m).max(0.0);
        let at = if back_m > 0.0 { Successor { x_m: here_m, v_m_s: 0.0, ..*successor } } else { *successor };
        let (row, share) = self.position_index(at.x_m);
        let (j, fast) = self.speed_index(at.v_m_s, at.gear);
        let node = (j - 1) * self.gears + at.gear;
        let reward = successor.reward - back_m / self.speeds[1].max(0.02);
        let next = node + self.gears;
        if row > i {
            return DecisionValue { sure: reward + self.value(&at), open: 0.0, node, next, fast };
        }
        let sure = reward + share * self.row(i + 1, j, fast, at.gear);
        DecisionValue { sure, open: 1.0 - share, node, next, fast }
    }

    /// Interpolated value of a state.
    fn value(&self, successor: &Successor) -> f64 {
        let (i, share) = self.position_index(successor.x_m);
        let (j, fast) = self.speed_index(successor.v_m_s, successor.gear);
        let row = |i: usize| self.row(i, j, fast, successor.gear);
        row(i) * (1.0 - share) + row(i + 1) * share
    }

    /// The position at or before `x_m`, and the share of the way to the next one.
    fn position_index(&self, x_m: f64) -> (usize, f64) {
        let last = self.positions_m.len() - 1;
        let i = self.positions_m.partition_point(|&x| x <= x_m).clamp(1, last) - 1;
        let (from_m, to_m) = (self.positions_m[i], self.positions_m[i + 1]);
        (i, ((x_m - from_m) / (to_m - from_m)).clamp(0.0, 1.0))
    }

    /// The speed above `v_m_s`, and the share of the way to it from the one below.
    fn speed_index(&self, v_m_s: f64, gear: usize) -> (usize, f64) {
        let v = v_m_s.max(0.0);
        let j = self.speeds.partition_point(|&s| s <= v).clamp(1, self.speeds_in_gear[gear] - 1);
        (j, ((v - self.speeds[j - 1]) / (self.speeds[j] - self.speeds[j - 1])).clamp(0.0, 1.0))
    }

    /// Value at a position, between two speeds.
    fn row(&self, i: usize, j: usize, fast: f64, gear: usize) -> f64 {
        let node = |j: usize| self.values[(i * self.speeds.len() + j) * self.gears + gear];
        node(j - 1) * (1.0 - fast) + node(j) * fast
    }
}

/// What a decision is worth while the values of its layer are still being found: `sure`, and `open` times the
/// value between two of the layer's nodes.
#[derive(Clone, Copy, Debug)]
struct DecisionValue {
    sure: f64,
    open: f64,
    node: usize,
    next: usize,
    fast: f64,
}

impl DecisionValue {
    fn value(&self, layer: &[f64]) -> f64 {
        if self.open > 0.0 {
            self.sure + self.open * (layer[self.node] * (1.0 - self.fast) + layer[self.next] * self.fast)
        } else {
            self.sure
        }
    }
}

/// Drives the plan in the episode that it was made for.
pub fn drive_plan(drive: &mut Drive, plan: &Plan) {
    run_episode(drive, |drive| plan.decide(drive), |_, _, _| {});
}
