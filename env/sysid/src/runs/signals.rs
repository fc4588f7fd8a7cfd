//! What an unlabelled stretch is, by its signals alone, where only one recipe does that.

use super::label::Recipe;
use crate::log::Sample;

/// Shortest stretch that is looked at, s.
const SHORTEST_S: f64 = 0.5;
/// Distance that counts as none, m.
const NOWHERE_M: f64 = 0.02;
/// Way that the wheels must have turned before that tells anything, m.
const TURNED_M: f64 = 0.2;
/// Mean tilt from which a stretch is a ramp, degrees.
const RAMP_DEG: f64 = 3.0;

/// What the signals say.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Verdict {
    /// Too short, or nothing happens.
    Nothing,
    /// One recipe only; with the grade, degrees.
    Sure(Recipe, f64),
    /// Several would look so.
    Ambiguous(&'static str),
}

/// Looks at a stretch in one gear; `turn_rad_m` is motor turn per way in it.
pub(super) fn classify(samples: &[Sample], turn_rad_m: f64, still_rad_s: f64) -> Verdict {
    let lasted_s: f64 = samples.iter().skip(1).map(|s| s.dt_s).sum();
    let driven_s: f64 = samples.iter().filter(|s| s.duty > 0.05).map(|s| s.dt_s).sum();
    let fastest_rad_s = samples.iter().map(|s| s.motor_rad_s.abs()).fold(0.0, f64::max);
    if lasted_s < SHORTEST_S {
        return Verdict::Nothing;
    }
    if fastest_rad_s <= still_rad_s {
        return if driven_s >= SHORTEST_S { Verdict::Sure(Recipe::StallPull, 0.0) } else { Verdict::Nothing };
    }
    let turned_m: f64 = samples.iter().skip(1).map(|s| s.motor_rad_s * s.dt_s).sum::<f64>() / turn_rad_m;
    let ends = samples.first().and_then(|s| s.distance_m).zip(samples.last().and_then(|s| s.distance_m));
    match ends {
        Some((from, to)) if turned_m > TURNED_M && (to - from).abs() < NOWHERE_M => {
            return Verdict::Sure(Recipe::WheelsOff, 0.0);
        }
        None => return Verdict::Ambiguous("wheels off the ground or on it? there is no distance column"),
        Some(_) if turned_m <= TURNED_M => return Verdict::Nothing,
        Some(_) => {}
    }
    let tilts: Vec<f64> = samples.iter().filter_map(|s| s.tilt_deg).collect();
    if tilts.is_empty() {
        return Verdict::Ambiguous("level ground or a ramp? there is no tilt column");
    }
    let tilt_deg = tilts.iter().sum::<f64>() / tilts.len() as f64;
    if tilt_deg.abs() >= RAMP_DEG {
        return Verdict::Sure(Recipe::Ramp, tilt_deg);
    }
    Verdict::Sure(Recipe::Level, 0.0)
}
