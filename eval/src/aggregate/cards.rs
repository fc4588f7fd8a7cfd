//! Parts of a summary made from the study's own types.

use lowgear_env::vehicle::VehicleConfig;

use crate::suite;
use crate::summary::{Curve, CurvePoint, KeyFigure, TestSuite, VehicleCard};

/// Half of the interval of a validation score, in standard errors: 95 % of a normal distribution.
const HALF_WIDTH: f64 = 1.96;

/// The vehicle in short.
#[must_use]
pub fn vehicle_card(vehicle: &VehicleConfig) -> VehicleCard {
    let ratios: Vec<String> = vehicle.gearbox.total_ratio.iter().map(f64::to_string).collect();
    let figures = [
        ("mass, load included", vehicle.chassis.mass_kg.to_string(), "kg"),
        ("wheel radius", ((1e4 * vehicle.chassis.wheel_radius_m).round() / 10.0).to_string(), "mm"),
        ("gears", ratios.len().to_string(), ""),
        ("total ratios", ratios.join(", "), ""),
        ("nominal voltage", vehicle.battery.nominal_voltage_v.to_string(), "V"),
    ];
    VehicleCard {
        name: vehicle.name.clone(),
        invented: vehicle.invented,
        figures: figures
            .map(|(label, value, unit)| KeyFigure { label: label.to_owned(), value, unit: unit.to_owned() })
            .into(),
    }
}

/// The test courses in short; instantiates each of them for its length.
#[must_use]
pub fn suite_card(suite: &suite::TestSuite, note: &str) -> TestSuite {
    let scenario = suite.scenario();
    TestSuite {
        courses: suite.courses as usize,
        total_length_m: (0..suite.courses)
            .map(|episode| scenario.instantiate(episode).1.course.length_m)
            .sum(),
        note: note.to_owned(),
    }
}

/// A learning curve from checks `(ticks, mean return, standard error over courses)`, s. The interval is the
/// mean plus and minus 1.96 standard errors: 95 % over courses, for this one training run.
#[must_use]
pub fn curve(learner: &str, seed: u64, checks: impl IntoIterator<Item = (u64, f64, f64)>) -> Curve {
    let points = checks.into_iter().map(|(ticks, mean, standard_error)| {
        let half = HALF_WIDTH * standard_error;
        CurvePoint { ticks, mean, low: mean - half, high: mean + half }
    });
    Curve { learner: learner.into(), seed, points: points.collect() }
}
