//! How far the best possible shift sequence is: a clairvoyant plan.
//!
//! Dynamic programming (Bellman 1957) backwards over position, speed and gear on one known course with the
//! episode's own vehicle, no noise and dogs that always enter. Its value is optimistic up to interpolation;
//! driven in the real episode it is a policy with full knowledge, [`Plan::decide`].

use lowgear_env::motion::{Dogs, Plant, Selector, Track};
use lowgear_env::vehicle::Vehicle;
use lowgear_env::{Drive, Scenario, World};
use lowgear_onboard::{Command, Request};

/// Fineness of the grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fineness {
    /// Distance between positions, m.
    pub position_m: f64,
    /// Number of speeds.
    pub speeds: usize,
}

impl Default for Fineness {
    fn default() -> Fineness {
        Fineness { position_m: 0.03, speeds: 14 }
    }
}

/// A plan for one course.
pub struct Plan {
    values: Vec<f64>,
    step_m: f64,
    positions: usize,
    speeds: Vec<f64>,
    gears: usize,
    clocks: Clocks,
}

/// Durations that a decision takes, in ticks.
#[derive(Clone, Copy, Debug)]
struct Clocks {
    hold: u32,
    cut_lead: u32,
    dwell: u32,
    decision: u32,
}

/// Where a decision leads.
#[derive(Clone, Copy, Debug)]
struct Landing {
    reward: f64,
    x_m: f64,
    v_m_s: f64,
    gear: usize,
    finished: bool,
}

/// Value of a state before anything better is known.
const WORST: f64 = -1e5;
/// Sweeps over one layer at the most; decisions that end within the layer converge geometrically.
const SWEEPS: usize = 200;

impl Plan {
    /// Plans the course of `drive`.
    #[must_use]
    pub fn new(drive: &Drive, fineness: Fineness) -> Plan {
        let (vehicle, track) = (drive.vehicle(), drive.track());
        let scenario = drive.scenario();
        let guard = &scenario.settings.guard;
        let decision = u32::from(scenario.settings.decision_ticks);
        let clocks = Clocks {
            hold: decision,
            cut_lead: u32::from(guard.cut_lead_ticks),
            dwell: u32::from(guard.min_dwell_ticks),
            decision,
        };
        let positions = (track.course.length_m / fineness.position_m).ceil() as usize;
        let gears = vehicle.gears.len();
        let top_m_s = 1.15 * top_speed_m_s(vehicle);
        let last = (fineness.speeds - 1) as f64;
        let speeds: Vec<f64> =
            (0..fineness.speeds).map(|j| top_m_s * (j as f64 / last).powf(1.4)).collect();
        let layer = speeds.len() * gears;
        let mut plan = Plan {
            values: vec![0.0; (positions + 1) * layer],
            step_m: track.course.length_m / positions as f64,
            positions,
            speeds,
            gears,
            clocks,
        };
        for i in (0..positions).rev() {
            plan.solve_layer(scenario, vehicle, track, i);
        }
        plan
    }

    /// The value at the start: a return that no causal policy exceeds in the mean, up to interpolation.
    #[must_use]
    pub fn start_value(&self, scenario: &Scenario) -> f64 {
        let gear = (scenario.episode.start_gear - 1).min(self.gears - 1);
        self.values[gear] + self.positions as f64 * self.step_m / scenario.episode.reward.reference_speed_m_s
    }

    /// The best decision for the state that `drive` is really in.
    #[must_use]
    pub fn decide(&self, drive: &Drive) -> Request {
        let mut best = (f64::NEG_INFINITY, Request::Hold);
        for request in Request::ALL {
            if !drive.allowed(request as usize) {
                continue;
            }
            let landing =
                foresee(drive.scenario(), drive.vehicle(), drive.track(), drive.plant().clone(), request, &self.clocks);
            let Some(landing) = landing else { continue };
            let value = landing.reward + if landing.finished { 0.0 } else { self.value(&landing) };
            if value > best.0 + 1e-9 {
                best = (value, request);
            }
        }
        best.1
    }

    fn solve_layer(&mut self, scenario: &Scenario, vehicle: &Vehicle, track: &Track, i: usize) {
        let layer = self.speeds.len() * self.gears;
        let mut landings = Vec::with_capacity(layer * 3);
        for j in 0..self.speeds.len() {
            for gear in 0..self.gears {
                let plant = Plant::at(vehicle, track, i as f64 * self.step_m, self.speeds[j], gear);
                for request in Request::ALL {
                    landings.push(foresee(scenario, vehicle, track, plant.clone(), request, &self.clocks));
                }
            }
        }
        let from = i * layer;
        for (k, value) in self.values[from..from + layer].iter_mut().enumerate() {
            *value = WORST + k as f64 * 1e-6;
        }
        for _ in 0..SWEEPS {
            let mut change: f64 = 0.0;
            for k in 0..layer {
                let best = landings[3 * k..3 * k + 3]
                    .iter()
                    .flatten()
                    .map(|l| l.reward + if l.finished { 0.0 } else { self.value_from(l, i) })
                    .fold(WORST, f64::max);
                change = change.max((best - self.values[from + k]).abs());
                self.values[from + k] = best;
            }
            if change < 1e-4 {
                break;
            }
        }
    }

    /// Value of a landing seen from layer `i`: behind it, the way back up is added at first gear's pace.
    fn value_from(&self, landing: &Landing, i: usize) -> f64 {
        let here_m = i as f64 * self.step_m;
        if landing.x_m >= here_m {
            return self.value(landing);
        }
        let back_m = here_m - landing.x_m;
        self.value(&Landing { x_m: here_m, v_m_s: 0.0, ..*landing }) - back_m / self.speeds[1].max(0.02)
    }

    /// Interpolated value of a state.
    fn value(&self, landing: &Landing) -> f64 {
        let at = (landing.x_m / self.step_m).max(0.0);
        let i = (at as usize).min(self.positions - 1);
        let share = (at - i as f64).min(1.0);
        let v = landing.v_m_s.max(0.0);
        let j = self.speeds.partition_point(|&s| s <= v).clamp(1, self.speeds.len() - 1);
        let span = self.speeds[j] - self.speeds[j - 1];
        let fast = ((v - self.speeds[j - 1]) / span).clamp(0.0, 1.0);
        let node = |i: usize, j: usize| self.values[(i * self.speeds.len() + j) * self.gears + landing.gear];
        let row = |i: usize| node(i, j - 1) * (1.0 - fast) + node(i, j) * fast;
        row(i) * (1.0 - share) + row(i + 1) * share
    }
}

/// No-load speed in the top gear with a full battery, m/s.
fn top_speed_m_s(vehicle: &Vehicle) -> f64 {
    let line = vehicle.motor.line(
        vehicle.battery.open_circuit_v(vehicle.charge),
        vehicle.battery.resistance_ohm,
        1.0,
        vehicle.motor.resistance_ohm,
    );
    let top = vehicle.gears.iter().map(|g| g.turn_rad_m).fold(f64::INFINITY, f64::min);
    line.no_load_rad_s() / top
}

/// Lets a decision happen without noise: time, stalls, stress and shifts as the reward counts them, progress
/// left out. `None` when there is no such gear.
fn foresee(
    scenario: &Scenario,
    vehicle: &Vehicle,
    track: &Track,
    plant: Plant,
    request: Request,
    clocks: &Clocks,
) -> Option<Landing> {
    let from = plant.gear?;
    let target = match request {
        Request::Down => from.checked_sub(1)?,
        Request::Hold => from,
        Request::Up => from + 1,
    };
    if target >= vehicle.gears.len() {
        return None;
    }
    let mut run = Foresight { scenario, vehicle, track, damage: plant.stress.total(), plant, reward: 0.0 };
    let duty = f64::from(scenario.episode.throttle_permille) / 1000.0;
    let finished = if target == from {
        run.ticks(clocks.hold, duty)
    } else {
        run.shift(target, duty, clocks)
    };
    let stress = run.plant.stress.total() - run.damage;
    Some(Landing {
        reward: run.reward - scenario.episode.reward.stress_s_per_life * stress,
        x_m: run.plant.x_m,
        v_m_s: run.plant.v_m_s,
        gear: target,
        finished,
    })
}

struct Foresight<'a> {
    scenario: &'a Scenario,
    vehicle: &'a Vehicle,
    track: &'a Track,
    plant: Plant,
    damage: f64,
    reward: f64,
}

impl Foresight<'_> {
    /// Whole ticks at one duty; returns whether the course is finished.
    fn ticks(&mut self, count: u32, duty: f64) -> bool {
        (0..count).any(|_| self.pass(self.vehicle.tick_s, duty))
    }

    fn pass(&mut self, dt_s: f64, duty: f64) -> bool {
        let weights = &self.scenario.episode.reward;
        let advance = self.plant.advance(self.vehicle, self.track, dt_s, duty);
        self.reward -= weights.time * advance.elapsed_s;
        if duty > 0.0 && self.plant.v_m_s.abs() < 1e-3 {
            self.reward -= weights.stall * advance.elapsed_s;
        }
        advance.finished
    }

    /// Cut, move, engage, then the dwell before the next shift is allowed.
    fn shift(&mut self, target: usize, duty: f64, clocks: &Clocks) -> bool {
        self.reward -= self.scenario.episode.reward.shift_s;
        let Some(from) = self.plant.gear else { return false };
        if self.ticks(clocks.cut_lead, 0.0) {
            return true;
        }
        let mut selector = Selector::new(self.vehicle, from, None);
        let command =
            Command { drive: false, gear: target as u8, nudge: false, recalibrate: false, park: false };
        selector.command(self.vehicle, &mut self.plant, &command);
        if selector.dogs == Dogs::Jammed {
            // Torque holds the dogs; a moment without drive lets them go.
            self.plant.disengage();
            selector.dogs = Dogs::Moving { left_s: self.vehicle.tick_s };
        }
        let tick_s = self.vehicle.tick_s;
        let move_s = selector.next_s();
        if self.pass(move_s, 0.0) {
            return true;
        }
        selector.pass(self.vehicle, &mut self.plant, move_s);
        let rest_s = (move_s / tick_s).ceil() * tick_s - move_s;
        if rest_s > 1e-9 && self.pass(rest_s, 0.0) {
            return true;
        }
        self.ticks(clocks.dwell.max(clocks.decision.saturating_sub(clocks.cut_lead)), duty)
    }
}

/// Drives the plan in the episode that it was made for.
pub fn drive_plan(drive: &mut Drive, plan: &Plan) {
    loop {
        let request = plan.decide(drive);
        if drive.step(request as usize).end.is_some() {
            return;
        }
    }
}
