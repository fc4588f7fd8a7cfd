//! The statistics of trials against SciPy.

use crate::sandbox::repository;
use lowgear_eval::trial::power::fixed_power;
use lowgear_eval::trial::sequential::log_likelihood_ratio;
use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;

#[test]
fn power_and_likelihood_ratio_of_a_trial_agree_with_scipy() {
    let there = Command::new("python3").args(["-c", "import scipy"]).output();
    if !there.is_ok_and(|out| out.status.success()) {
        println!("SKIPPED: needs python3 with SciPy");
        return;
    }
    let power = [(2, 1.0, 0.05), (6, 1.25, 0.05), (10, 0.9, 0.025), (34, 0.5, 0.025), (89, 0.267, 0.05)];
    let ratio = [(2.5, 3), (-1.0, 5), (4.0, 6), (0.3, 12), (3.1, 40), (-2.0, 90), (5.0, 25)];
    let given = json!({"power": power, "ratio": ratio});
    let file = Path::new(env!("CARGO_TARGET_TMPDIR")).join("trial.json");
    std::fs::write(&file, serde_json::to_vec(&given).unwrap()).unwrap();
    let program = repository().join("tests/evaluation/trial.py");
    let out =
        Command::new("python3").env("PYTHONDONTWRITEBYTECODE", "1").arg(program).arg(&file).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let found: Value = serde_json::from_slice(&out.stdout).unwrap();
    for (at, (pairs, effect, error)) in power.into_iter().enumerate() {
        let (ours, theirs) = (fixed_power(pairs, effect, error), found["power"][at].as_f64().unwrap());
        assert!((ours - theirs).abs() < 1e-6, "power of {pairs} pairs: {ours} against {theirs}");
    }
    for (at, (t, pairs)) in ratio.into_iter().enumerate() {
        let (ours, theirs) = (log_likelihood_ratio(t, pairs).exp(), found["ratio"][at].as_f64().unwrap());
        assert!((ours - theirs).abs() < 1e-6 * theirs, "t = {t}, {pairs} pairs: {ours} against {theirs}");
    }
}
