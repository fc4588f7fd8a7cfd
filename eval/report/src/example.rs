//! A made-up study, large enough to fill every part of the report.

mod pictures;
mod robustness;

pub(crate) use pictures::{pictures, trace_picture};

use std::collections::BTreeMap;

use lowgear_env::{Cause, RewardTerms, Seed, Stream};
use rand::RngExt;

use lowgear_eval::statistics::{
    Estimate, Scores, holm, mean_interval, paired_difference, probability_of_improvement, share_of_gap,
    tail_mean,
};
use lowgear_eval::summary::*;

const COURSES: usize = 120;
const LEVEL: f64 = 0.95;

/// Id, name, family, training seeds, course time over the plan's, damage, ticks.
type EvaluatedPolicy = (&'static str, &'static str, Family, usize, f64, f64, u64);

const POLICIES: [EvaluatedPolicy; 9] = [
    ("ladder", "Ladder by speed", Family::Rule, 1, 1.24, 5.1e-4, 0),
    ("hand-rule", "Hand-written rule", Family::Rule, 1, 1.115, 3.2e-4, 0),
    ("tuned-speed", "Tuned motor-speed rule", Family::Rule, 1, 1.075, 2.9e-4, 96_000_000),
    ("tuned-load", "Tuned load-ratio rule", Family::Rule, 1, 1.052, 2.4e-4, 96_000_000),
    ("tabular", "Tabular Q-learning", Family::Learned, 5, 1.098, 3.6e-4, 480_000_000),
    ("dqn", "Neural DQN", Family::Learned, 5, 1.047, 2.6e-4, 480_000_000),
    ("contextual", "Contextual thresholds", Family::Learned, 5, 1.036, 2.2e-4, 480_000_000),
    ("table", "Learned table", Family::Table, 5, 1.041, 2.3e-4, 500_000_000),
    ("plan", "Clairvoyant plan", Family::Plan, 1, 1.0, 2.5e-4, 0),
];

struct Driven {
    time: Scores,
    damage: Scores,
}

fn drive() -> Vec<Driven> {
    let mut rng = Seed(3).stream(Stream::Course, 0);
    let mut spread = move |size: f64| size * ((0..4).map(|_| rng.random::<f64>()).sum::<f64>() - 2.0) * 1.7;
    let base: Vec<f64> = (0..COURSES).map(|_| 130.0 + spread(14.0)).collect();
    POLICIES
        .iter()
        .map(|(_, _, family, seeds, factor, damage, _)| {
            let learned = if *family == Family::Rule || *family == Family::Plan { 0.0 } else { 1.0 };
            let mut matrix = |of: &mut dyn FnMut(f64, f64) -> f64| {
                let rows: Vec<Vec<f64>> = (0..*seeds)
                    .map(|_| {
                        let seed = learned * spread(1.0);
                        base.iter().map(|course| of(*course, seed)).collect()
                    })
                    .collect();
                Scores::new(&rows).unwrap()
            };
            let mut rng = Seed(4).stream(Stream::Sensors, (*factor * 1e6) as u64);
            let mut noise = move || rng.random::<f64>() + rng.random::<f64>() - 1.0;
            let time = matrix(&mut |course, seed| course * factor + 0.9 * seed + 6.0 * noise());
            let mut rng = Seed(5).stream(Stream::Sensors, (*damage * 1e9) as u64);
            let mut noise = move || rng.random::<f64>() + rng.random::<f64>() - 1.0;
            let damage = matrix(&mut |_, seed| damage * (1.0 + 0.05 * seed + 0.9 * noise()).max(0.05));
            Driven { time, damage }
        })
        .collect()
}

/// The whole example.
pub(crate) fn summary() -> Summary {
    let driven = drive();
    let (policies, headroom) = (policies(&driven), headroom(&driven));
    Summary {
        format: FORMAT,
        study: Study {
            name: "example".into(),
            seed: 1,
            version: "0.1.0".into(),
            task_version: 1,
            quick: false,
            level: LEVEL,
            command: "lowgear study resolved.toml".into(),
            inputs: vec![InputDigest {
                part: "study".into(),
                sha256: "7f968ea2866957b76fc6965784cc7853".repeat(2),
            }],
        },
        vehicle: VehicleCard {
            name: "Marrow Cart".into(),
            invented: true,
            figures: [
                ("mass", "1.6", "kg"),
                ("gears", "3", ""),
                ("wheel radius", "40", "mm"),
                ("nominal voltage", "7.4", "V"),
            ]
            .map(|(label, value, unit)| KeyFigure {
                label: label.into(),
                value: value.into(),
                unit: unit.into(),
            })
            .into(),
        },
        test_suite: TestSuite {
            courses: COURSES,
            total_length_m: 12_600.0,
            note: "Courses are made-up mixed garden paths.".into(),
        },
        roles: Roles {
            subject: "table".into(),
            hand_rule: "hand-rule".into(),
            tuned_rule: "tuned-speed".into(),
            plan: Some("plan".into()),
        },
        returns: returns(&driven),
        outcomes: outcomes(),
        paired: paired(&driven),
        headroom,
        robustness: robustness::maps(),
        fitted: vec![],
        places: places(),
        curves: curves(),
        tuned: tuned(),
        table: Some(sheet()),
        network: None,
        policies,
    }
}

/// Adds an exported network, with the differences that a comparison gives it; no test of them is significant.
pub(crate) fn add_network(summary: &mut Summary) {
    summary.network = Some(NetworkSheet {
        teacher: "contextual".into(),
        seed: 2,
        header: "firmware/network/cart.h".into(),
        sizes: "13 x 32 x 32 x 3".into(),
        features: vec!["gear".into(), "dwell".into()],
        bytes: 1754,
        products: 1536,
        agreement_percent: 96.18,
        rounding_agreement_percent: 99.54,
        hash: "abc".into(),
        vectors: 11_203,
        proof: vec!["C99: alike".into()],
        costs: vec![],
    });
    for metric in [Metric::CourseTime, Metric::Damage] {
        for (policy, against) in [("network", "hand-rule"), ("network", "tuned-speed"), ("table", "network")]
        {
            let mut difference = summary.difference("table", "hand-rule", metric).unwrap().clone();
            (difference.policy, difference.against) = (policy.into(), against.into());
            (difference.mean, difference.low, difference.high) = (0.5, -0.2, 1.2);
            (difference.percent, difference.corrected_p) = (Some(0.4), Some(0.5));
            summary.paired.push(difference);
        }
    }
}

fn tuned() -> Vec<TunedRule> {
    vec![
        thresholds("hand-rule", 6326.0),
        thresholds("tuned-speed", 5537.0),
        TunedRule {
            policy: "tuned-load".into(),
            enterable: vec!["shift down 2 to 1 below 1490 rpm of the motor".into()],
            thresholds: vec![],
            lines: vec![
                "gear 1 → 2 below load 312 ‰ for 350 ms".into(),
                "gear 2 → 1 above load 718 ‰ for 150 ms".into(),
            ],
        },
    ]
}

fn sheet() -> TableSheet {
    TableSheet {
        teacher: "contextual".into(),
        seed: 2,
        header: "firmware/lowgear.h".into(),
        refined: true,
        bytes: 1944,
        cells: 7776,
        visited_cells: 5210,
        filled_from_rule: 2566,
        axes: vec![
            TableAxis { feature: "gear".into(), cells: 3, edges: vec![] },
            TableAxis {
                feature: "load-slow".into(),
                cells: 12,
                edges: vec![100, 180, 250, 320, 400, 480, 560, 650, 760, 900, 1200],
            },
        ],
        hash: "3b1f0c5e9d2a47".into(),
        vectors: 4096,
        proof: vec![
            "C: 4096 of 4096 vectors agree".into(),
            "MicroPython: not run, no interpreter found".into(),
        ],
        costs: vec!["Cortex-M0: 1 850 bytes of program memory, 28 bytes of state".to_owned()],
    }
}

fn thresholds(policy: &str, motor_rpm: f64) -> TunedRule {
    TunedRule {
        policy: policy.into(),
        lines: vec![],
        enterable: vec![format!("shift up 1 to 2 at {motor_rpm} rpm of the motor or more")],
        thresholds: vec![ShiftThreshold {
            from: 1,
            to: 2,
            motor_rpm,
            rpm_per_v: Some(motor_rpm / 7.4),
            wait_s: None,
        }],
    }
}

pub(crate) fn around(mean: f64, share: f64, n_seeds: usize) -> Estimate {
    Estimate { mean, low: mean * (1.0 - share), high: mean * (1.0 + share), n_seeds, n_courses: COURSES }
}

fn percent(e: Estimate) -> Estimate {
    Estimate { mean: 100.0 * e.mean, low: 100.0 * e.low, high: 100.0 * e.high, ..e }
}

fn gap(driven: &[Driven], index: usize) -> Estimate {
    percent(share_of_gap(&driven[index].time, &driven[2].time, &driven[8].time, LEVEL).unwrap())
}

fn policies(driven: &[Driven]) -> Vec<PolicySummary> {
    POLICIES
        .iter()
        .enumerate()
        .map(|(index, (id, label, family, seeds, factor, _, ticks))| {
            let mut metrics = BTreeMap::new();
            metrics.insert(Metric::CourseTime, mean_interval(&driven[index].time, LEVEL).unwrap());
            metrics.insert(Metric::Damage, mean_interval(&driven[index].damage, LEVEL).unwrap());
            metrics.insert(Metric::CvarTime, tail_mean(&driven[index].time, 0.05, LEVEL).unwrap());
            metrics.insert(Metric::GapShare, gap(driven, index));
            metrics.insert(Metric::Finished, around(100.0 - 12.0 * (factor - 1.0), 0.004, *seeds));
            for (metric, value) in [
                (Metric::Return, -137.0 * factor),
                (Metric::Energy, 2.1 * factor),
                (Metric::Stall, 20.0 * (factor - 0.97)),
                (Metric::PeakWinding, 71.0 * factor),
                (Metric::Shifts, 9.3 * factor),
                (Metric::Reversals, 6.0 * (factor - 0.99)),
                (Metric::FailedUpshifts, 3.0 * (factor - 0.99)),
                (Metric::MissedEngagements, 0.4),
            ] {
                metrics.insert(metric, around(value, 0.06, *seeds));
            }
            PolicySummary {
                record: PolicyRecord {
                    search_ticks: *ticks,
                    inherited_ticks: if *family == Family::Learned { 96_000_000 } else { 0 },
                    failed_seeds: if *id == "dqn" { vec![4] } else { vec![] },
                    ..PolicyRecord::new(*id, *label, *family)
                },
                training_seeds: *seeds,
                seeds: Vec::new(),
                profile: Vec::new(),
                metrics,
            }
        })
        .collect()
}

fn headroom(driven: &[Driven]) -> Vec<Headroom> {
    (0..8)
        .map(|index| {
            let behind_s = paired_difference(&driven[index].time, &driven[8].time, LEVEL).unwrap().estimate;
            Headroom {
                policy: POLICIES[index].0.into(),
                behind_s,
                behind_percent: 100.0 * behind_s.mean / driven[8].time.mean(),
                gap_percent: Some(gap(driven, index)),
            }
        })
        .collect()
}

fn paired(driven: &[Driven]) -> Vec<PairedDifference> {
    let mut list = Vec::new();
    let mut p_values = Vec::new();
    for metric in [Metric::CourseTime, Metric::Damage] {
        for against in [1, 2, 3] {
            for index in (0..8).filter(|index| *index != against) {
                let pick =
                    |d: &Driven| if metric == Metric::Damage { d.damage.clone() } else { d.time.clone() };
                let (a, b) = (pick(&driven[index]), pick(&driven[against]));
                let difference = paired_difference(&a, &b, LEVEL).unwrap();
                p_values.push(difference.p_value);
                let e = difference.estimate;
                list.push(PairedDifference {
                    policy: POLICIES[index].0.into(),
                    against: POLICIES[against].0.into(),
                    metric,
                    mean: e.mean,
                    low: e.low,
                    high: e.high,
                    n_seeds: e.n_seeds,
                    n_courses: e.n_courses,
                    percent: Some(100.0 * e.mean / b.mean()),
                    ratio: (metric == Metric::Damage).then(|| around(a.mean() / b.mean(), 0.2, e.n_seeds)),
                    corrected_p: None,
                    improvement: Some(probability_of_improvement(&a, &b, LEVEL).unwrap()),
                });
            }
        }
    }
    for (difference, p) in list.iter_mut().zip(holm(&p_values)) {
        difference.corrected_p = Some(p);
    }
    list
}

fn returns(driven: &[Driven]) -> Vec<ReturnTerms> {
    POLICIES
        .iter()
        .zip(driven)
        .map(|(c, d)| ReturnTerms {
            policy: c.0.into(),
            terms: RewardTerms {
                progress_s: 60.0,
                time_s: -d.time.mean(),
                energy_s: -3.1,
                stress_s: -4.0,
                ..RewardTerms::default()
            },
        })
        .collect()
}

fn places() -> Vec<PlaceCount> {
    let mut list = Vec::new();
    for (policy, share) in [("table", 1), ("tuned-load", 2)] {
        for (surface, grade) in
            [("lawn", GradeClass::Level), ("long grass", GradeClass::Up), ("bark", GradeClass::SteepUp)]
        {
            list.push(PlaceCount {
                policy: policy.into(),
                surface: surface.into(),
                grade,
                distance_m: 3000.0,
                stalls: 3 * share,
                stalled_s: 4.5,
                failed_upshifts: 5 * share,
                hunts: share,
            });
        }
    }
    list
}

fn outcomes() -> Vec<Outcomes> {
    POLICIES
        .iter()
        .map(|(id, _, _, seeds, factor, _, _)| {
            let n = seeds * COURSES;
            let late = ((factor - 1.0) * 60.0) as usize;
            let causes = [
                (Cause::Finished, n - 4 * late),
                (Cause::OutOfTime, late),
                (Cause::StalledOut, 2 * late),
                (Cause::Overheated, late),
            ];
            Outcomes {
                policy: (*id).into(),
                causes: causes.map(|(cause, episodes)| CauseCount { cause, episodes }).into(),
            }
        })
        .collect()
}

fn curves() -> Vec<Curve> {
    let mut rng = Seed(9).stream(Stream::Learn, 0);
    let mut list = Vec::new();
    for (learner, best) in [("tabular", -151.0), ("dqn", -143.5), ("contextual", -142.0)] {
        for seed in 1..=5 {
            let points = (0..=24)
                .map(|check| {
                    let mean =
                        best - 40.0 * (-f64::from(check) / 6.0).exp() + 6.0 * (rng.random::<f64>() - 0.5);
                    CurvePoint { ticks: check as u64 * 4_000_000, mean, low: mean - 3.0, high: mean + 3.0 }
                })
                .collect();
            list.push(Curve { learner: learner.into(), seed, points });
        }
    }
    list
}
