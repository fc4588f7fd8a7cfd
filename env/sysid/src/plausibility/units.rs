//! Readings far outside of what the vehicle file allows, and the unit that they are likely in.

use super::{DRIVEN, ExpectedReadings, Plausibility, figures, median, place, quantile, turns};
use crate::runs::{Recipe, Run};
use std::f64::consts::TAU;

/// A motor is at most this many times as fast as it turns without load: running downhill, a fresh battery.
const TOO_FAST: f64 = 2.5;
/// With wheels off the ground it reaches at least this part of it.
const TOO_SLOW: f64 = 0.25;
/// Currents beyond this many times that at standstill are none.
const TOO_STRONG: f64 = 3.0;
/// Voltages at rest within this factor of the battery's.
const VOLTAGE: f64 = 2.2;
/// A known factor explains a reading within this factor.
const NEAR: f64 = 1.5;

/// Factors by which a reading is too large when its unit is mistaken, and what was mistaken.
type Known = &'static [(f64, &'static str)];

const SPEEDS: Known = &[
    (9.549, "turns per minute (rpm) where rad/s are expected"),
    (57.3, "degrees per second where rad/s are expected"),
    (1.0 / TAU, "turns per second where rad/s are expected"),
    (1.0 / 9.549, "rad/s where turns per minute are expected, or the vehicle file's no-load speed is in rpm"),
    (1.0 / 57.3, "rad/s where degrees per second are expected"),
];
const THOUSANDS: Known = &[
    (1000.0, "thousandths (mA, mV) where the whole unit is expected"),
    (100.0, "hundredths where the whole unit is expected"),
    (10.0, "tenths where the whole unit is expected"),
    (0.1, "tens of the unit where the unit is expected"),
    (0.001, "the whole unit where thousandths (mA, mV) are expected"),
];

/// What a ratio of reading to expectation looks like.
fn likely(ratio: f64, known: Known) -> String {
    let nearest = known
        .iter()
        .map(|(factor, said)| ((ratio / factor).ln().abs(), said))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|(off, _)| *off < NEAR.ln());
    nearest.map_or_else(
        || {
            "no usual mistake of a unit explains it: check the column, its scale and the vehicle file"
                .to_owned()
        },
        |(_, said)| format!("this looks like {said}: name the column's unit in its heading or in a mapping"),
    )
}

pub(super) fn check(expected: &ExpectedReadings, runs: &[Run], plausibility: &mut Plausibility) {
    let said =
        [duty(runs).or_else(|| speed(expected, runs)), voltage(expected, runs), current(expected, runs)];
    plausibility.refused.extend(said.into_iter().flatten());
    plausibility.refused.extend(tilt(runs));
}

/// The motor turns, but the duty next to never is.
fn duty(runs: &[Run]) -> Option<String> {
    let samples = || runs.iter().filter(|r| turns(r)).flat_map(|r| &r.samples);
    let most = samples().map(|s| s.duty).fold(0.0, f64::max);
    let turned = samples().any(|s| s.motor_rad_s != 0.0 && s.duty > 0.0);
    (turned && most > 0.0 && most <= 0.02).then(|| {
        format!(
            "the duty is {} at the most while the motor turns; this looks like a share under a heading of percent or permille: name the column's unit \
             in its heading or in a mapping",
            figures(most)
        )
    })
}

/// The fastest speed of a run over that without load, where it is driven.
fn fastest(expected: &ExpectedReadings, run: &Run) -> Option<f64> {
    let duty = run.samples.iter().map(|s| s.duty).fold(0.0, f64::max);
    let speeds: Vec<f64> = run.samples.iter().map(|s| s.motor_rad_s.abs()).collect();
    let fast = quantile(speeds, 0.98)?;
    (duty >= DRIVEN && turns(run)).then(|| fast / expected.fastest_rad_s(duty))
}

fn speed(expected: &ExpectedReadings, runs: &[Run]) -> Option<String> {
    let ratios = |only: Option<Recipe>| -> Vec<f64> {
        let some = runs.iter().filter(|r| only.is_none_or(|recipe| r.recipe == recipe));
        some.filter_map(|run| fastest(expected, run)).collect()
    };
    let high = median(ratios(None)).filter(|r| *r > TOO_FAST);
    let low = median(ratios(Some(Recipe::WheelsOff))).filter(|r| *r > 0.0 && *r < TOO_SLOW);
    let ratio = high.or(low)?;
    Some(format!(
        "motor speeds of {} rad/s where the vehicle file has {} without load; {}. Pulses per turn of the encoder count as well",
        figures(ratio * expected.fastest_rad_s(1.0)),
        figures(expected.fastest_rad_s(1.0)),
        likely(ratio / 0.85, SPEEDS)
    ))
}

fn voltage(expected: &ExpectedReadings, runs: &[Run]) -> Option<String> {
    let at_rest = runs.iter().flat_map(|r| &r.samples).filter(|s| s.duty <= 0.0).filter_map(|s| s.battery_v);
    let rest_v = median(at_rest.collect())?;
    let ratio = rest_v / expected.voltage_v;
    (!(1.0 / VOLTAGE..=VOLTAGE).contains(&ratio)).then(|| {
        format!(
            "the battery shows {} V at rest where the vehicle file has {} V; {}",
            figures(rest_v),
            expected.voltage_v,
            if ratio <= 0.0 { "is it connected?".to_owned() } else { likely(ratio, THOUSANDS) }
        )
    })
}

fn current(expected: &ExpectedReadings, runs: &[Run]) -> Option<String> {
    let samples = || runs.iter().flat_map(|r| &r.samples);
    let idle =
        median(samples().filter(|s| s.duty <= 0.0).filter_map(|s| s.current_a).collect()).unwrap_or(0.0);
    let shares: Vec<f64> = samples()
        .filter(|s| s.duty >= DRIVEN)
        .filter_map(|s| s.current_a.map(|a| (a - idle) / expected.stall_a(s.duty)))
        .collect();
    let middle = median(shares.clone())?;
    let (low, high) = (quantile(shares.clone(), 0.02)?, quantile(shares, 0.98)?);
    let size = high.max(-low);
    if size > TOO_STRONG {
        return Some(format!(
            "motor currents of {} A where the vehicle file allows {} at standstill; {}",
            figures(size * expected.stall_a(1.0)),
            figures(expected.stall_a(1.0)),
            likely(size / 0.9, THOUSANDS)
        ));
    }
    let least = 0.3 * expected.no_load_a / expected.stall_a(1.0);
    if size > 0.0 && size < least.min(0.01) {
        return Some(format!(
            "motor currents of {} A at the most where the motor takes {} without any load; {}",
            figures(size * expected.stall_a(1.0)),
            figures(expected.no_load_a),
            likely(size / 0.9, THOUSANDS)
        ));
    }
    (middle < -least.max(0.03)).then(|| {
        "the motor current falls when the motor is driven: the sensor is the wrong way round; turn it, or give `per-count` the other sign in a mapping"
            .to_owned()
    })
}

/// Ramps: the tilt against the label, less what it shows on level ground.
fn tilt(runs: &[Run]) -> Option<String> {
    let shown = |run: &Run| median(run.samples.iter().filter_map(|s| s.tilt_deg).collect());
    let labelled = |recipe: Recipe| runs.iter().filter(move |r| r.labelled && r.recipe == recipe);
    let level = median(labelled(Recipe::Level).filter_map(shown).collect())?;
    let slopes: Vec<(f64, &Run)> = labelled(Recipe::Ramp)
        .filter(|r| r.grade_deg.abs() >= 3.0)
        .filter_map(|r| shown(r).map(|deg| ((deg - level) / r.grade_deg, r)))
        .collect();
    let (_, run) = *slopes.first()?;
    let slope = median(slopes.iter().map(|(slope, _)| *slope).collect())?;
    let why = if slope < -0.5 {
        "the sensor is the wrong way round: turn it, or give `per-count` the other sign in a mapping"
    } else if slope > 4.0 {
        "this looks like tenths of a degree where degrees are expected: `tilt_ddeg` is the heading"
    } else if slope.abs() < 0.2 {
        "this looks like radians where degrees are expected (`tilt_rad` is the heading), or the sensor is dead"
    } else {
        return None;
    };
    Some(format!(
        "the tilt changes by {}° from level ground to {}; {why}",
        figures(slope * run.grade_deg),
        place(run)
    ))
}
