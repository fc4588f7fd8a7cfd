//! Statistics against SciPy and, where it is installed, rliable (Agarwal et al. 2021) on the same numbers.

use crate::sandbox::repository;
use lowgear_env::{Seed, Stream};
use lowgear_eval::statistics::{
    Resampling, Scores, bootstrap_difference, holm, interquartile_mean, iqm_interval, mean_interval,
    paired_difference, probability_of_improvement, share_of_gap, student_quantile, tail_mean,
};
use rand::RngExt;
use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;

/// Skewed course times, one row per training seed.
fn times(seeds: usize, courses: usize, faster: f64, index: u64) -> Vec<Vec<f64>> {
    let mut rng = Seed(5).stream(Stream::Bootstrap, index);
    let hard: Vec<f64> = {
        let mut rng = Seed(5).stream(Stream::Bootstrap, 99);
        (0..courses).map(|_| 100.0 - 40.0 * (1.0 - rng.random::<f64>()).ln()).collect()
    };
    (0..seeds)
        .map(|_| {
            let seed = 4.0 * rng.random::<f64>();
            hard.iter().map(|hard| faster * hard + seed + 10.0 * rng.random::<f64>()).collect()
        })
        .collect()
}

/// What the Python program finds, or `None` where SciPy is missing.
fn independent(given: &Value) -> Option<Value> {
    let there = Command::new("python3").args(["-c", "import scipy"]).output();
    if !there.is_ok_and(|out| out.status.success()) {
        println!("SKIPPED: needs python3 with SciPy");
        return None;
    }
    let file = Path::new(env!("CARGO_TARGET_TMPDIR")).join("statistics.json");
    std::fs::write(&file, serde_json::to_vec(given).unwrap()).unwrap();
    let program = repository().join("tests/evaluation/statistics.py");
    let out =
        Command::new("python3").env("PYTHONDONTWRITEBYTECODE", "1").arg(program).arg(&file).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    Some(serde_json::from_slice(&out.stdout).unwrap())
}

#[test]
fn every_statistic_agrees_with_an_independent_one() {
    let (a, b) = (times(5, 200, 0.95, 0), times(4, 200, 1.0, 1));
    let (zero, plan) = (times(1, 200, 1.0, 2), times(1, 200, 0.9, 3));
    let p_values = [0.011, 0.04, 0.012, 0.2, 0.0004];
    let given = json!({"a": a, "b": b, "zero": zero, "plan": plan, "p": p_values, "resamples": 20000});
    let Some(found) = independent(&given) else { return };
    let request = Resampling { level: 0.95, resamples: 20_000, seed: Seed(3) };
    let [a, b, zero, plan] = [&a, &b, &zero, &plan].map(|rows| Scores::new(rows).unwrap());
    let against = |key: &str| found[key].as_f64().unwrap_or_else(|| panic!("no `{key}` in {found}"));
    let same = |key: &str, ours: f64| {
        let theirs = against(key);
        assert!((ours - theirs).abs() <= 1e-9 * theirs.abs().max(1.0), "{key}: {ours} against {theirs}");
    };
    let (mean, difference) = (mean_interval(&a, 0.95).unwrap(), paired_difference(&a, &b, 0.95).unwrap());
    same("mean", mean.mean);
    same("mean_low", mean.low);
    same("mean_high", mean.high);
    same("difference_low", difference.estimate.low);
    same("difference_high", difference.estimate.high);
    same("difference_p", difference.p_value);
    let single = paired_difference(&zero, &plan, 0.95).unwrap();
    same("single_low", single.estimate.low);
    same("single_high", single.estimate.high);
    same("single_p", single.p_value);
    same("t_quantile", student_quantile(0.975, 3.7));
    same("iqm", interquartile_mean(a.cells()).unwrap());
    let improvement = probability_of_improvement(&a, &b, 0.95).unwrap();
    same("improvement", improvement.mean);
    let tail = tail_mean(&a, 0.05, 0.95).unwrap();
    same("cvar", tail.mean);
    let gap = share_of_gap(&a, &zero, &plan, 0.95).unwrap();
    same("gap", gap.mean);
    for (index, corrected) in holm(&p_values).into_iter().enumerate() {
        same(&format!("holm_{index}"), corrected);
    }
    let middle = iqm_interval(&a, 0.95).unwrap();
    for (key, ours) in [("improvement", improvement), ("cvar", tail), ("gap", gap), ("iqm", middle)] {
        same(&format!("{key}_low"), ours.low);
        same(&format!("{key}_high"), ours.high);
    }
    // A percentile interval of another generator: ends within 5 % of the width, five times what 20 000 resamples
    // scatter by.
    let plain = bootstrap_difference(&a, &b, &request).unwrap();
    let (low, high) = (against("bootstrap_low"), against("bootstrap_high"));
    let room = 0.05 * (high - low);
    let close = (plain.low - low).abs() < room && (plain.high - high).abs() < room;
    assert!(close, "{} to {} against {low} to {high}", plain.low, plain.high);
    if let Some(theirs) = found["rliable_iqm"].as_f64() {
        assert!((theirs - against("iqm")).abs() < 1e-9, "rliable's interquartile mean");
        let theirs = against("rliable_improvement");
        assert!((theirs - improvement.mean).abs() < 1e-9, "rliable's probability of improvement: {theirs}");
    } else {
        println!("without rliable: SciPy alone");
    }
}
