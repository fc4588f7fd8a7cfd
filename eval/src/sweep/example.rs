//! A made-up sweep for tests, here and of the report.

use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::{Family, PolicyRecord};
use lowgear_eval::sweep::{
    DifferenceToRule, PolicyFigures, RuleFigures, SWEEP_FORMAT, SweepAxis, SweepPoint, SweepSummary,
};

pub(crate) fn estimate(mean: f64, half: f64) -> Estimate {
    Estimate { mean, low: mean - half, high: mean + half, n_seeds: 3, n_courses: 40 }
}

/// A change with an interval of ±1 %.
pub(crate) fn change(percent: f64) -> Option<DifferenceToRule> {
    Some(DifferenceToRule { absolute: estimate(2.0 * percent, 2.0), percent: Some(estimate(percent, 1.0)) })
}

pub(crate) fn point(job: u64, place: Vec<usize>, percent: f64) -> SweepPoint {
    let policy = |id: &str, family, percent| PolicyFigures {
        record: PolicyRecord::new(id, format!("Policy {id}"), family),
        time_s: estimate(200.0 + 2.0 * percent, 3.0),
        damage_per_km: estimate(1e-3, 2e-4),
        time_difference: change(percent),
        damage_difference: change(-5.0 * percent),
        return_difference: Some(DifferenceToRule { absolute: estimate(-percent, 0.5), percent: None }),
        hand_difference: change(percent - 9.0),
        gap_percent: Some(estimate(-10.0 * percent, 5.0)),
    };
    SweepPoint {
        job,
        place,
        missing: None,
        vehicle: "cart".into(),
        rule: Some(RuleFigures {
            label: "Tuned".into(),
            time_s: estimate(200.0, 3.0),
            damage_per_km: estimate(2e-3, 2e-4),
            return_s: estimate(-90.0, 3.0),
            hand_difference: change(-9.0),
            search_ticks: 40_000_000,
        }),
        headroom: change(4.0),
        policies: vec![
            policy("hand-rule", Family::Rule, 9.0),
            policy("table", Family::Table, percent + 0.5),
            policy("tabular", Family::Learned, percent),
        ],
    }
}

/// Two by two points; one has no figures.
pub(crate) fn sweep() -> SweepSummary {
    let axis = |label: &str, key: Option<&str>| SweepAxis {
        label: label.into(),
        unit: "kg".into(),
        key: key.map(String::from),
        values: vec!["1".into(), "2".into()],
    };
    let mut points = vec![
        point(1, vec![0, 0], -3.0),
        point(2, vec![0, 1], 0.2),
        point(3, vec![1, 0], 2.0),
        point(4, vec![1, 1], 0.0),
    ];
    points[3] = SweepPoint {
        missing: Some("failed: <b>".into()),
        rule: None,
        headroom: None,
        policies: vec![],
        ..points[3].clone()
    };
    SweepSummary {
        format: SWEEP_FORMAT,
        name: "trial".into(),
        study: "demo".into(),
        version: "0".into(),
        level: 0.95,
        command: "lowgear sweep trial.toml".into(),
        axes: vec![axis("mass", None), axis("weight", Some("episode.reward.stress-s-per-life"))],
        points,
    }
}
