//! The problem at the start values: scatter of the sensors, and what each run has for itself.

use super::estimate::Conditions;
use super::parameters::{Parameter, Shared, Surfaces};
use super::problem::{Problem, RunParameters, Scatter, Variable};
use crate::runs::Run;
use lowgear_env::vehicle::VehicleConfig;
use std::f64::consts::TAU;

/// Everything at the start values.
pub(super) fn initial_problem<'a>(
    start: &VehicleConfig,
    runs: &'a [Run],
    conditions: Conditions,
) -> Problem<'a> {
    let mut names: Vec<String> = Vec::new();
    for name in runs.iter().filter_map(|r| r.surface.clone()) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let mut shared = Shared::new(start, Surfaces::new(names), conditions.air_c);
    let given = conditions.given;
    let assumed: Vec<Parameter> = Parameter::ASSUMED
        .into_iter()
        .filter(|p| given.of_assumed(p) > 0.0 && shared.get(p) > p.limits().0)
        .collect();
    shared.heat_moves = assumed.iter().any(|p| *p != Parameter::WheelInertia);
    let run_parameters: Vec<RunParameters> =
        runs.iter().map(|run| initial_run_parameters(start, run)).collect();
    let any_current = runs.iter().flat_map(|r| &r.samples).any(|s| s.current_a.is_some());
    let gears = start.gearbox.total_ratio.len();
    let mut variables: Vec<Variable> = Parameter::all(gears, shared.surfaces.names.len())
        .into_iter()
        .filter(|p| any_current || *p != Parameter::CurrentOffset)
        .chain(assumed)
        .map(Variable::Shared)
        .collect();
    for run in runs.iter().filter(|r| r.grade_deg != 0.0 && given.grade_deg > 0.0) {
        let grade = Variable::Grade(run.grade_deg);
        if !variables.contains(&grade) {
            variables.push(grade);
        }
    }
    variables.extend((0..runs.len()).filter(|&r| run_parameters[r].fits_ocv).map(Variable::Ocv));
    variables.extend((0..runs.len()).filter(|&r| run_parameters[r].fits_start).map(Variable::Start));
    let sensors = &start.sensors;
    let noise = |s: Option<lowgear_env::vehicle::NoisyConfig>, usual: f64| {
        s.map_or(usual, |s| s.noise.hypot(s.resolution / 12.0_f64.sqrt())).max(1e-4)
    };
    let pulse_rad = TAU / f64::from(sensors.encoder.pulses_per_turn) / 6.0_f64.sqrt();
    let scatter = Scatter {
        encoder: sensors.encoder.noise.max(1e-4),
        pulse_rad,
        voltage_v: noise(sensors.battery, 0.03),
        current_a: noise(sensors.current, 0.02),
        factor: [1.0; 5],
    };
    Problem {
        first: shared.clone(),
        runs,
        shared,
        run_parameters,
        variables,
        scatter,
        speed_is: conditions.speed_is,
        given,
        robust: true,
    }
}

fn initial_run_parameters(start: &VehicleConfig, run: &Run) -> RunParameters {
    let turn_rad_m = start.gearbox.total_ratio[run.gear] / start.chassis.wheel_radius_m;
    let rest_v = rest_voltage(run);
    let (charge, ocv_offset_v) = charge_at_rest(start, run);
    let first_rad_s = run.samples.iter().take(2).map(|s| s.motor_rad_s.abs()).fold(0.0, f64::max);
    let fits_start = !run.starts_at_rest(still_rad_s(start));
    let interval_s = run.samples.get(1).map_or(start.controller.tick_s, |s| s.dt_s);
    let late_s = f64::from(start.sensors.latency_ticks) * start.controller.tick_s;
    RunParameters {
        charge,
        ocv_offset_v,
        fits_ocv: rest_v.is_some(),
        start_m_s: if fits_start { (first_rad_s / turn_rad_m).min(19.0) } else { 0.0 },
        fits_start,
        weigh_rad_s: run.samples.iter().map(|s| s.motor_rad_s.abs()).collect(),
        late: (late_s / interval_s).round() as usize,
        grade_off_deg: 0.0,
    }
}

/// Battery voltage of a run without drive, V; the highest reading where it is always driven.
fn rest_voltage(run: &Run) -> Option<f64> {
    let at_rest = run.samples.iter().take_while(|s| s.duty <= 0.0).filter_map(|s| s.battery_v);
    let mut idle: Vec<f64> = at_rest.collect();
    if idle.is_empty() {
        idle = run.samples.iter().filter(|s| s.duty <= 0.0).filter_map(|s| s.battery_v).collect();
    }
    idle.sort_by(f64::total_cmp);
    let highest = run
        .samples
        .iter()
        .filter_map(|s| s.battery_v)
        .fold(None, |a: Option<f64>, v| Some(a.map_or(v, |a| a.max(v))));
    idle.get(idle.len() / 2).copied().or(highest)
}

/// State of charge at the beginning of a run, on the curve of the file, and what its voltage has beyond that curve, V.
#[must_use]
pub fn charge_at_rest(start: &VehicleConfig, run: &Run) -> (f64, f64) {
    match rest_voltage(run) {
        Some(rest_v) => {
            let charge = charge_at_rest_v(start, rest_v);
            (charge, (rest_v - start.battery.open_circuit_v(charge)).clamp(-4.9, 4.9))
        }
        None => (start.variation.charge.centre(), 0.0),
    }
}

/// Motor speed below which the motor counts as standing still, rad/s: one and a half pulses a tick.
#[must_use]
pub fn still_rad_s(config: &VehicleConfig) -> f64 {
    1.5 * TAU / (f64::from(config.sensors.encoder.pulses_per_turn) * config.controller.tick_s)
}

/// State of charge at an open-circuit voltage, on the curve of the file.
#[must_use]
pub fn charge_at_rest_v(start: &VehicleConfig, rest_v: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if start.battery.open_circuit_v(middle) < rest_v { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}
