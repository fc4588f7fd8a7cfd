//! How fast jobs were: the one file of each that is not the same from run to run.

use super::reference;
use std::fs;

/// Rows of a job's timings below the header.
fn rows(job: &str) -> Vec<Vec<f64>> {
    let text = fs::read_to_string(reference().join(job).join("timing.csv")).unwrap();
    let rows = text.lines().skip(1);
    rows.map(|row| row.split(',').map(|cell| cell.parse().unwrap()).collect()).collect()
}

#[test]
fn every_job_says_how_fast_it_was_and_where_its_time_went() {
    for job in ["tuned-load-rule", "contextual", "dqn", "ppo", "tabular"] {
        let rows = rows(&format!("{job}/seed-1"));
        assert!(rows.len() >= 2, "{job}: {rows:?}");
        for pair in rows.windows(2) {
            let (steps, ticks, elapsed_s) = (pair[1][0] - pair[0][0], pair[1][1] - pair[0][1], pair[1][2]);
            assert!(steps > 0.0 && ticks > 0.0 && elapsed_s > 0.0, "{job}: {pair:?}");
            // Speeds are written with one digit and with none behind the point, the time in whole microseconds.
            let rounding = 1e-4 + 1e-6 / elapsed_s;
            assert!((pair[1][3] - steps / elapsed_s).abs() < 0.06 + rounding * pair[1][3], "{job}: {pair:?}");
            assert!((pair[1][4] - ticks / elapsed_s).abs() < 0.6 + rounding * pair[1][4], "{job}: {pair:?}");
            let shares = &pair[1][5..10];
            assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-3, "{job}: {shares:?}");
            assert!(shares[0] > 0.0, "{job}: the world takes time: {shares:?}");
        }
    }
}

#[test]
fn no_other_file_of_a_job_tells_the_time() {
    let record = fs::read_to_string(reference().join("dqn/seed-1/job.json")).unwrap();
    assert!(!record.contains("elapsed") && !record.contains("per_s"), "{record}");
    assert!(!reference().join("dqn/seed-1/seconds.json").exists(), "time counts only with --hours");
}
