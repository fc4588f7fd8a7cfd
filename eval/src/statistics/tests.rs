use lowgear_env::{Seed, Stream};
use rand::RngExt;

use super::*;

fn request() -> Resampling {
    Resampling { level: 0.95, resamples: 2000, seed: Seed(7) }
}

fn noise(seeds: usize, courses: usize, stream: u64) -> Scores {
    let mut rng = Seed(11).stream(Stream::Bootstrap, stream);
    let rows: Vec<Vec<f64>> =
        (0..seeds).map(|_| (0..courses).map(|_| 100.0 + 20.0 * rng.random::<f64>()).collect()).collect();
    Scores::new(&rows).unwrap()
}

fn close(got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{got} is not {expected} within {tolerance}");
}

#[test]
fn bad_shapes_are_refused_by_name() {
    assert_eq!(Scores::new::<Vec<f64>>(&[]), Err(StatisticsError::Empty));
    assert_eq!(Scores::new(&[vec![]]), Err(StatisticsError::Empty));
    let ragged = Scores::new(&[vec![1.0, 2.0], vec![1.0]]);
    assert_eq!(ragged, Err(StatisticsError::Ragged { seed: 1, got: 1, expected: 2 }));
    let broken = Scores::new(&[vec![1.0, 2.0], vec![1.0, f64::NAN]]);
    assert_eq!(broken, Err(StatisticsError::NotFinite { seed: 1, course: 1 }));
    let differ = paired_difference(&noise(2, 5, 0), &noise(2, 6, 0), 0.95);
    assert_eq!(differ, Err(StatisticsError::CoursesDiffer { a: 5, b: 6 }));
    assert_eq!(mean_interval(&noise(2, 5, 0), 1.0), Err(StatisticsError::Level(1.0)));
    assert_eq!(mean_interval(&noise(5, 1, 0), 0.9), Err(StatisticsError::TooFewCourses { got: 1 }));
    let few = Resampling { resamples: 10, ..request() };
    assert!(bootstrap_difference(&noise(2, 5, 0), &noise(2, 5, 1), &few).is_err());
    assert!(tail_mean(&noise(2, 5, 0), 0.0, 0.95).is_err());
    assert_eq!(mean(&[]), None);
    assert_eq!(interquartile_mean(&[f64::NAN]), None);
}

#[test]
fn swapping_the_arms_mirrors_the_interval() {
    for b_seeds in [1, 5] {
        let (a, b) = (noise(5, 40, 0), noise(b_seeds, 40, 1));
        let there = paired_difference(&a, &b, 0.9).unwrap();
        let back = paired_difference(&b, &a, 0.9).unwrap();
        close(there.estimate.low, -back.estimate.high, 1e-9);
        close(there.estimate.high, -back.estimate.low, 1e-9);
        close(there.p_value, back.p_value, 1e-12);
    }
    // Equal seed counts draw the same numbers only arm by arm, so the bootstrap mirrors exactly when single.
    let (a, b) = (noise(1, 40, 0), noise(1, 40, 1));
    let there = bootstrap_difference(&a, &b, &request()).unwrap();
    let back = bootstrap_difference(&b, &a, &request()).unwrap();
    close(there.low, -back.high, 1e-9);
    close(there.high, -back.low, 1e-9);
    let wins = probability_of_improvement(&a, &b, 0.95).unwrap();
    let losses = probability_of_improvement(&b, &a, 0.95).unwrap();
    close(wins.mean + losses.mean, 1.0, 1e-12);
    close(wins.low + losses.high, 1.0, 1e-12);
}

/// By hand: a = [[1, 2, 3], [3, 4, 8]], b = [[0, 1, 1]]. Course means of a: 2, 3, 5.5; differences 2, 2,
/// 4.5, mean 17/6, squared deviations 25/36 + 25/36 + 100/36 = 25/6, variance of the mean 25/6/2/3 = 25/36.
/// Seed means 2 and 5: variance of the mean 4.5/2 = 2.25. Together 106/36; degrees of freedom
/// (106/36)^2 / ((25/36)^2/2 + 2.25^2/1) = 11236/(312.5 + 6561) = 1.634692...
#[test]
fn a_difference_computed_by_hand() {
    let a = Scores::new(&[vec![1.0, 2.0, 3.0], vec![3.0, 4.0, 8.0]]).unwrap();
    let b = Scores::new(&[vec![0.0, 1.0, 1.0]]).unwrap();
    let got = paired_difference(&a, &b, 0.95).unwrap().estimate;
    let half = student_quantile(0.975, 11236.0 / 6873.5) * (106.0_f64 / 36.0).sqrt();
    close(got.mean, 17.0 / 6.0, 1e-12);
    close(got.low, 17.0 / 6.0 - half, 1e-9);
    close(got.high, 17.0 / 6.0 + half, 1e-9);
    assert_eq!((got.n_seeds, got.n_courses), (2, 3));
}

/// Student's sleep data ("The probable error of a mean", Biometrika 6, 1908): extra hours of sleep of ten
/// patients under two drugs. Textbook result of the paired comparison: mean 1.58, t = 4.0621, 9 degrees of
/// freedom, p = 0.002833, interval 0.7001 to 2.4599. Data and result are values from memory.
#[test]
fn single_rows_reduce_to_the_paired_t_interval() {
    let first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
    let second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
    let (a, b) = (Scores::new(&[second]).unwrap(), Scores::new(&[first]).unwrap());
    let got = paired_difference(&a, &b, 0.95).unwrap();
    close(got.estimate.mean, 1.58, 1e-12);
    close(got.estimate.low, 0.7001, 1e-4);
    close(got.estimate.high, 2.4599, 1e-4);
    close(got.p_value, 0.002833, 1e-6);
}

/// Tabled upper 97.5 % points; values from memory of the usual printed table.
#[test]
fn student_quantiles_agree_with_the_printed_table() {
    for (dof, expected) in
        [(1.0, 12.706), (2.0, 4.303), (4.0, 2.776), (9.0, 2.262), (30.0, 2.042), (99.0, 1.984)]
    {
        close(student_quantile(0.975, dof), expected, 6e-4);
        close(student_quantile(0.025, dof), -expected, 6e-4);
    }
    close(student_quantile(0.75, 1.0), 1.0, 1e-10); // Cauchy: tan(pi / 4)
    close(student_cdf(1.0, 2.0), 0.5 + 0.5 / 3.0_f64.sqrt(), 1e-12); // closed form
}

#[test]
fn interquartile_mean_drops_a_quarter_at_each_end() {
    close(interquartile_mean(&[1.0, 2.0, 3.0, 400.0]).unwrap(), 2.5, 1e-12);
    // Five values: 1.25 dropped at each end, so 0.75, 1, 0.75 of the middle three over 2.5.
    close(
        interquartile_mean(&[9.0, 1.0, 2.0, 3.0, 4.0]).unwrap(),
        (0.75 * 2.0 + 3.0 + 0.75 * 4.0) / 2.5,
        1e-12,
    );
}

#[test]
fn the_tail_is_the_mean_of_the_worst_share() {
    let values: Vec<f64> = (1..=40).map(f64::from).collect();
    let scores = Scores::new(&[values]).unwrap();
    let tail = tail_mean(&scores, 0.05, 0.95).unwrap();
    close(tail.mean, 39.5, 1e-12);
    assert!(tail.low < 39.5 && tail.high > 39.5);
    close(tail_mean(&scores, 1.0, 0.95).unwrap().mean, 20.5, 1e-12);
    let partly = tail_mean(&scores, 0.0375, 0.95).unwrap(); // one and a half courses
    close(partly.mean, (40.0 + 0.5 * 39.0) / 1.5, 1e-12);
}

#[test]
fn share_of_the_gap_runs_from_the_zero_policy_to_the_plan() {
    let zero = noise(1, 30, 0);
    let plan = Scores::new(&[zero.cells().iter().map(|t| t - 10.0).collect::<Vec<_>>()]).unwrap();
    let half = Scores::new(&[zero.cells().iter().map(|t| t - 5.0).collect::<Vec<_>>()]).unwrap();
    let got = share_of_gap(&half, &zero, &plan, 0.95).unwrap();
    for value in [got.mean, got.low, got.high] {
        close(value, 0.5, 1e-9);
    }
    assert_eq!(share_of_gap(&half, &plan, &zero, 0.95), Err(StatisticsError::NoGap));
}

/// A share of the gap between fixed ends is a mean, rescaled.
#[test]
fn for_means_the_jackknife_is_the_student_interval() {
    let scores = noise(5, 40, 0);
    let plain = mean_interval(&scores, 0.9).unwrap();
    let fixed = |score: f64| Scores::new(&[[score; 40]]).unwrap();
    let gap = share_of_gap(&scores, &fixed(200.0), &fixed(100.0), 0.9).unwrap();
    close(gap.low, (200.0 - plain.high) / 100.0, 1e-9);
    close(gap.high, (200.0 - plain.low) / 100.0, 1e-9);
}

#[test]
fn a_gap_that_is_not_clear_has_no_shares() {
    let zero = noise(1, 30, 0);
    let barely = Scores::new(&[noise(1, 30, 1).cells().iter().map(|t| t - 0.5).collect::<Vec<_>>()]).unwrap();
    assert_eq!(share_of_gap(&zero, &zero, &barely, 0.95), Err(StatisticsError::NoGap));
}

#[test]
fn the_same_seed_gives_the_same_interval_and_another_gives_another() {
    let (a, b) = (noise(5, 40, 0), noise(5, 40, 1));
    let once = bootstrap_difference(&a, &b, &request()).unwrap();
    assert_eq!(once, bootstrap_difference(&a, &b, &request()).unwrap());
    let other = Resampling { seed: Seed(8), ..request() };
    assert_ne!(once, bootstrap_difference(&a, &b, &other).unwrap());
}

#[test]
fn equal_arms_differ_by_nothing() {
    let a = noise(1, 10, 0);
    let got = paired_difference(&a, &a, 0.95).unwrap();
    close(got.estimate.high - got.estimate.low, 0.0, 0.0);
    close(got.p_value, 1.0, 0.0);
}

#[test]
fn holm_multiplies_by_the_hypotheses_left() {
    let corrected = holm(&[0.04, 0.01, 0.03]);
    for (got, expected) in corrected.iter().zip([0.06, 0.03, 0.06]) {
        close(*got, expected, 1e-12);
    }
    assert!(holm(&[]).is_empty());
}

#[test]
fn a_whole_study_is_a_matter_of_milliseconds() {
    let start = std::time::Instant::now();
    for metric in 0..12 {
        let rule = noise(1, 100, 100 + metric);
        for policy in 0..10 {
            let scores = noise(5, 100, policy);
            paired_difference(&scores, &rule, 0.95).unwrap();
            mean_interval(&scores, 0.95).unwrap();
            bootstrap_difference(&scores, &rule, &request()).unwrap();
        }
    }
    println!("120 comparisons: {:?}", start.elapsed());
    assert!(start.elapsed().as_secs() < 20, "{:?}", start.elapsed());
}

/// Five training seeds that all are identical to the rule: the mean of five equal numbers is not always that number.
#[test]
fn policies_that_drive_alike_do_not_differ_by_rounding() {
    let rule = noise(1, 40, 3);
    let row: Vec<f64> = rule.rows().next().unwrap().to_vec();
    let learned = Scores::new(&vec![row; 5]).unwrap();
    let means = learned.course_means();
    assert!(means != rule.course_means(), "rounding shows in at least one course");
    let found = paired_difference(&learned, &rule, 0.95).unwrap();
    assert_eq!((found.estimate.mean, found.p_value), (0.0, 1.0));
    assert!(found.estimate.low <= 0.0 && found.estimate.high >= 0.0, "{:?}", found.estimate);
}
