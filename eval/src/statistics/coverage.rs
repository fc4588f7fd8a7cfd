//! How often a nominal 95 % interval holds the truth, on synthetic studies of 5 seeds and 100 courses.

use lowgear_env::{Seed, Stream};
use rand::{Rng, RngExt};
use rayon::prelude::*;

use super::{Resampling, Scores, bootstrap_difference, paired_difference};

const STUDIES: u64 = 2000;
const TRUTH: f64 = 0.7;

/// Standard deviations of one kind of study; `opponent_seeds` is 1 for a rule.
struct Kind {
    name: &'static str,
    seed: f64,
    course: f64,
    rest: f64,
    skewed: bool,
    opponent_seeds: usize,
    /// Smallest and largest accepted coverage of the default interval.
    student: (f64, f64),
    /// The same for the percentile bootstrap.
    percentile: (f64, f64),
}

const KINDS: [Kind; 5] = [
    Kind {
        name: "seeds dominate, rule opponent",
        seed: 1.0,
        course: 3.0,
        rest: 2.0,
        skewed: false,
        opponent_seeds: 1,
        student: (0.93, 0.97),
        percentile: (0.85, 0.94),
    },
    Kind {
        name: "courses dominate",
        seed: 0.1,
        course: 3.0,
        rest: 2.0,
        skewed: false,
        opponent_seeds: 1,
        student: (0.93, 0.97),
        percentile: (0.92, 0.99),
    },
    Kind {
        name: "seeds alone vary",
        seed: 1.0,
        course: 0.2,
        rest: 0.2,
        skewed: false,
        opponent_seeds: 1,
        student: (0.93, 0.97),
        percentile: (0.78, 0.88),
    },
    Kind {
        name: "long-tailed courses",
        seed: 0.5,
        course: 3.0,
        rest: 2.0,
        skewed: true,
        opponent_seeds: 1,
        student: (0.93, 0.97),
        percentile: (0.86, 0.97),
    },
    Kind {
        name: "learner against learner",
        seed: 1.0,
        course: 3.0,
        rest: 2.0,
        skewed: false,
        opponent_seeds: 5,
        student: (0.93, 0.97),
        percentile: (0.86, 0.96),
    },
];

/// Standard normal, as the sum of twelve uniform numbers less six (close enough here).
fn normal(rng: &mut impl Rng) -> f64 {
    (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0
}

/// Mean 0, standard deviation 1; exponential when skewed.
fn course_effect(skewed: bool, rng: &mut impl Rng) -> f64 {
    if skewed { -(1.0 - rng.random::<f64>()).ln() - 1.0 } else { normal(rng) }
}

/// Both arms share course difficulty (large, cancels); the *difference* has its own course effect.
fn study(kind: &Kind, index: u64) -> (Scores, Scores) {
    let mut rng = Seed(2024).stream(Stream::Bootstrap, index);
    let difficulty: Vec<f64> = (0..100).map(|_| 20.0 * normal(&mut rng)).collect();
    let response: Vec<f64> = (0..100).map(|_| kind.course * course_effect(kind.skewed, &mut rng)).collect();
    let mut arm = |seeds: usize, shift: f64, responds: f64, learned: bool| {
        let rows: Vec<Vec<f64>> = (0..seeds)
            .map(|_| {
                let seed = if learned { kind.seed * normal(&mut rng) } else { 0.0 };
                (0..100)
                    .map(|c| {
                        137.0
                            + difficulty[c]
                            + shift
                            + seed
                            + responds * response[c]
                            + kind.rest * normal(&mut rng)
                    })
                    .collect()
            })
            .collect();
        Scores::new(&rows).unwrap()
    };
    let learner = arm(5, TRUTH, 1.0, true);
    let opponent = arm(kind.opponent_seeds, 0.0, 0.0, kind.opponent_seeds > 1);
    (learner, opponent)
}

#[test]
fn the_default_interval_holds_the_truth_as_often_as_it_says() {
    for kind in &KINDS {
        let hits: Vec<[bool; 2]> = (0..STUDIES)
            .into_par_iter()
            .map(|index| {
                let (a, b) = study(kind, index);
                let default = paired_difference(&a, &b, 0.95).unwrap().estimate;
                let request = Resampling { level: 0.95, resamples: 200, seed: Seed(index) };
                let plain = bootstrap_difference(&a, &b, &request).unwrap();
                [default, plain].map(|e| e.low <= TRUTH && TRUTH <= e.high)
            })
            .collect();
        let share = |which: usize| hits.iter().filter(|hit| hit[which]).count() as f64 / STUDIES as f64;
        let (student, percentile) = (share(0), share(1));
        println!("{}: Student {student:.3}, percentile bootstrap {percentile:.3}", kind.name);
        assert!(kind.student.0 <= student && student <= kind.student.1, "{}: Student {student}", kind.name);
        assert!(
            kind.percentile.0 <= percentile && percentile <= kind.percentile.1,
            "{}: percentile bootstrap {percentile}",
            kind.name
        );
    }
}
