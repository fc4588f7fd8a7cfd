//! Perturbed conditions of the made-up study.

use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::{Disturbance, DisturbanceAxis, RobustnessCell, RobustnessMap};

/// Two maps: one with a region where the policy under test is worse, one without.
pub(super) fn maps() -> Vec<RobustnessMap> {
    let axis = |disturbance, values: &[f64]| DisturbanceAxis { disturbance, values: values.to_vec() };
    let map = |x: DisturbanceAxis, y: DisturbanceAxis, lean: f64| {
        let columns = x.values.len();
        let cells = (0..columns * y.values.len())
            .map(|index| {
                let (column, row) = ((index % columns) as f64, (index / columns) as f64);
                cell(-4.2 + lean * (1.1 * column + 2.2 * row))
            })
            .collect();
        RobustnessMap { policy: "table".into(), against: "tuned-load".into(), x, y, cells }
    };
    vec![
        map(
            axis(Disturbance::MassFactor, &[0.7, 0.85, 1.0, 1.2, 1.5]),
            axis(Disturbance::Charge, &[0.1, 0.4, 1.0]),
            1.0,
        ),
        map(axis(Disturbance::LatencyTicks, &[0.0, 1.0, 2.0]), axis(Disturbance::Wear, &[0.0, 1.0]), 0.3),
    ]
}

fn cell(mean: f64) -> RobustnessCell {
    let around = |mean: f64| Estimate { mean, low: mean - 1.5, high: mean + 1.5, n_seeds: 5, n_courses: 40 };
    RobustnessCell {
        time_s: around(mean),
        return_s: around(-1.1 * mean),
        against_time_s: 140.0,
        finished_percent: 99.5,
        against_finished_percent: 99.0,
    }
}
