//! The distance column next to the wheels' turns: radius, ratios and the column's scale.

use super::{Plausibility, figures, median};
use crate::runs::{Recipe, Run};
use lowgear_env::vehicle::VehicleConfig;

/// Ways shorter than this tell nothing, m.
const LONG_M: f64 = 0.3;
/// Ways agree within this: slip on soft ground, a tape's and a ruler's errors.
const AGREE: f64 = 0.05;

/// One run's way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DistanceCheck {
    /// Gear, 0 is the lowest.
    pub gear: usize,
    /// By the distance column, m.
    pub measured_m: f64,
    /// By motor turns, ratio and wheel radius, m.
    pub turned_m: f64,
}

/// The way of a run on the ground that has a distance and moved.
#[must_use]
pub fn distance_check(config: &VehicleConfig, run: &Run) -> Option<DistanceCheck> {
    let readings: Vec<(usize, f64)> =
        run.samples.iter().enumerate().filter_map(|(i, s)| s.distance_m.map(|m| (i, m))).collect();
    let (&(from, first_m), &(to, last_m)) = (readings.first()?, readings.last()?);
    let turned_rad: f64 = run.samples[from..=to].iter().skip(1).map(|s| s.motor_rad_s.abs() * s.dt_s).sum();
    let turned_m = turned_rad * config.chassis.wheel_radius_m / config.gearbox.total_ratio[run.gear];
    let on_ground = matches!(run.recipe, Recipe::Level | Recipe::Ramp);
    let measured_m = (last_m - first_m).abs();
    (on_ground && turned_m > LONG_M).then_some(DistanceCheck { gear: run.gear, measured_m, turned_m })
}

pub(super) fn check(config: &VehicleConfig, runs: &[Run], plausibility: &mut Plausibility) {
    let all: Vec<DistanceCheck> = runs.iter().filter_map(|run| distance_check(config, run)).collect();
    let share = |only: Option<usize>| {
        let some = all.iter().filter(|w| only.is_none_or(|gear| w.gear == gear));
        median(some.map(|w| w.measured_m / w.turned_m).collect())
    };
    let Some(ratio) = share(None) else { return };
    if let Some(unit) = unit_of(ratio) {
        plausibility.refused.push(format!(
            "the distance is {} times what the wheels turned; this looks like {unit}: name the column's unit in its heading or in a mapping",
            figures(ratio)
        ));
        return;
    }
    let gears = config.gearbox.total_ratio.len();
    let by_gear: Vec<(usize, f64)> = (0..gears).filter_map(|g| share(Some(g)).map(|r| (g, r))).collect();
    let off = |r: f64| (r - 1.0).abs() > AGREE;
    let wrong: Vec<&(usize, f64)> = by_gear.iter().filter(|(_, r)| off(*r)).collect();
    if wrong.is_empty() {
        return;
    }
    let radius_m = config.chassis.wheel_radius_m;
    if ratio < 0.02 {
        plausibility.contradictions.push(
            "the distance stands still while the wheels turn: the column says nothing, or they were off the ground".to_owned(),
        );
    } else if wrong.len() == by_gear.len() && by_gear.iter().all(|(_, r)| (r / ratio - 1.0).abs() < AGREE) {
        plausibility.contradictions.push(format!(
            "the distance column has {:+.1} % against the way that the wheels turned: with `wheel-radius-m` = {} instead of {radius_m} they would agree; \
             otherwise the column's scale is off or the wheels slip",
            100.0 * (ratio - 1.0),
            figures(radius_m * ratio)
        ));
    } else {
        for &&(gear, r) in &wrong {
            let given = config.gearbox.total_ratio[gear];
            plausibility.contradictions.push(format!(
                "in gear {} the distance column has {:+.1} % against the way that the wheels turned: `total-ratio` would be {} instead of {given}, or the \
                 wheels slip there",
                gear + 1,
                100.0 * (r - 1.0),
                figures(given / r)
            ));
        }
    }
}

fn unit_of(ratio: f64) -> Option<&'static str> {
    [
        (100.0, "centimetres where metres are expected"),
        (1000.0, "millimetres where metres are expected"),
        (10.0, "millimetres where centimetres are expected"),
        (0.1, "centimetres where millimetres are expected"),
        (0.01, "metres where centimetres are expected"),
        (0.001, "metres where millimetres are expected"),
        (3.6, "a speed in km/h summed as m/s"),
    ]
    .into_iter()
    .find(|(factor, _)| (ratio / factor).ln().abs() < 0.3)
    .map(|(_, unit)| unit)
}
