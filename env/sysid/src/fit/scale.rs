//! The spring scale: what it shows of the push at the rims.

use super::parameters::Surfaces;
use super::simulate::Predicted;
use crate::runs::Run;
use lowgear_env::motion::GRAVITY_M_S2;
use lowgear_env::vehicle::ChassisConfig;

/// Duty from which a row is driven.
const DRIVEN: f64 = 0.05;

/// Mean push over the rows that are driven, N.
#[must_use]
pub fn mean_drive_force_n(run: &Run, predicted: &[Predicted]) -> Option<f64> {
    let driven =
        || run.samples.iter().zip(predicted).filter(|(s, _)| s.duty > DRIVEN).map(|(_, p)| p.drive_force_n);
    let count = driven().count();
    (count > 0).then(|| driven().sum::<f64>() / count as f64)
}

/// What a spring scale shows of it, N: bearings and the ground take their part first.
#[must_use]
pub fn spring_scale_n(chassis: &ChassisConfig, surfaces: &Surfaces, run: &Run, drive_force_n: f64) -> f64 {
    let surface = run.surface.as_ref().and_then(|s| surfaces.names.iter().position(|n| n == s));
    let rolling = surface.map_or(0.0, |i| surfaces.rolling[i]);
    drive_force_n - chassis.drag_n - rolling * chassis.mass_kg * GRAVITY_M_S2
}
