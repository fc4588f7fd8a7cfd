//! The outside check values, their reference vehicle, and plain ground for it.
//!
//! | case | checked in |
//! | --- | --- |
//! | motor line, with and without the battery's resistance; bare spin-up | `motor` |
//! | equivalent mass, terminal speed and time constant, gradeability by torque | `tractive_effort` |
//! | gradeability by grip, all-wheel and two-wheel drive with the load moving to the rear | `traction` |
//! | hunting band of a speed-only schedule, its limit and its shifts | `hunting` |
//! | step by statics and by momentum | `obstacles` |
//! | coast-down: constant, air, grass, in gear with an open circuit; air drag | `coast_down` |
//! | battery at constant current and power, discharge | `battery` |
//! | heat of two bodies, steady rise, runaway, stall | `heat` |
//! | dog impact, motor speed in neutral, move time of the servo | `dogs` |
//! | encoder by counts, tilt by an accelerometer | `sensors` |
//! | rainflow (the standard's example, 200 random points), Miner, equivalent torque | `damage` |
//! | roughness by class, generated profile by Welch | `roughness` |
//!
//! These do not apply, each with its reason:
//! - motor spin-up *with* inductance: the electrical time constant is neglected (the error is checked instead);
//! - terminal speeds at -5°: the motor is driven there and the gears then pass torque the other way;
//! - anything with a short circuit: duty 0 leaves the motor's circuit open;
//! - step without impact loss, and lift-off: every strike is plastic, and wheels stay on the ground;
//! - battery with an RC branch, the selector's detent, period measurement of speed: not modelled;
//! - resolution of an accelerometer by bits: its step is given in degrees;
//! - the servo by seconds for 60 degrees: a convention of catalogues;
//! - roughness classes above E, root mean square of slope: no vehicle of this kind drives there, and the slope's
//!   follows from density and waviness, which are checked;
//! - optimal gear sequence of a drive cycle: a question to a planner, not to the vehicle.

use lowgear_env::motion::{Plant, Track};
use lowgear_env::terrain::{Course, Obstacle, Segment, Surface};
use lowgear_env::vehicle::{Vehicle, VehicleConfig};
use lowgear_env::{Seed, Stream, config};
use proptest::test_runner::{Config as ProptestConfig, FileFailurePersistence};
use serde_json::Value;
use std::path::Path;

/// The values under `case`; see `source` in the file.
pub(super) fn case(case: &str) -> Value {
    let all: Value = serde_json::from_str(include_str!("../data/drivetrain.json")).unwrap();
    all.get(case).cloned().expect("a case of the file")
}

/// The rows of a case.
pub(super) fn rows(name: &str) -> Vec<Value> {
    case(name).as_array().cloned().expect("rows")
}

/// A number of a row.
pub(super) fn number(row: &Value, key: &str) -> f64 {
    row.get(key).and_then(Value::as_f64).unwrap_or_else(|| panic!("no number `{key}` in {row}"))
}

/// A list of numbers of a row.
pub(super) fn numbers(row: &Value, key: &str) -> Vec<f64> {
    let list = row.get(key).and_then(Value::as_array).unwrap_or_else(|| panic!("no list `{key}` in {row}"));
    list.iter().map(|v| v.as_f64().expect("a number")).collect()
}

/// Asserts that two numbers agree within `relative`.
#[track_caller]
pub(super) fn close(got: f64, expected: f64, relative: f64, what: &str) {
    let most = relative * expected.abs().max(1e-12);
    assert!((got - expected).abs() <= most, "{what}: {got} against {expected}, {relative} allowed");
}

/// The reference vehicle's file.
pub(super) fn reference() -> VehicleConfig {
    let file = Path::new("reference-vehicle.toml");
    let mut vehicle: VehicleConfig =
        config::parse(include_str!("../data/reference-vehicle.toml"), file).unwrap();
    // Lower than any file may have it, so that the reference counts every range above the knee.
    vehicle.stress.knee_torque_nm = 1e-4;
    vehicle
}

/// The vehicle of a file that varies nothing.
pub(super) fn built(config: &VehicleConfig) -> Vehicle {
    config.draw(&mut Seed(0).stream(Stream::Vehicle, 0))
}

/// A kilometre of one kind of ground.
pub(super) fn ground(rolling: f64, friction: f64, grade_deg: f64) -> Course {
    Course {
        name: "plain".into(),
        length_m: 1000.0,
        surfaces: vec![Surface { name: "plain".into(), rolling, drag_s_m: 0.0, friction }],
        segments: vec![Segment { start_m: -5.0, sin_grade: grade_deg.to_radians().sin(), surface: 0 }],
        obstacles: vec![],
    }
}

/// The same with one obstacle.
pub(super) fn ground_with(obstacle: Obstacle, rolling: f64, friction: f64) -> Course {
    Course { obstacles: vec![obstacle], ..ground(rolling, friction, 0.0) }
}

/// Drives for `time_s` at full duty in ticks of the vehicle; returns whether it moved forward.
pub(super) fn drive_for(plant: &mut Plant, vehicle: &Vehicle, track: &Track, time_s: f64, duty: f64) -> bool {
    let from = plant.x_m;
    let ticks = (time_s / vehicle.tick_s).round() as usize;
    for _ in 0..ticks {
        plant.advance(vehicle, track, vehicle.tick_s, duty);
    }
    plant.x_m > from
}

/// Settings of a property test: its number of cases; a failing seed is kept next to its source, to be committed.
pub(super) fn cases(cases: u32) -> ProptestConfig {
    let beside = FileFailurePersistence::WithSource("seeds");
    ProptestConfig { failure_persistence: Some(Box::new(beside)), ..ProptestConfig::with_cases(cases) }
}
