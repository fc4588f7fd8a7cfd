//! Learners with absurd settings: each such job stops with a clear report, and everything else goes on.

use crate::sandbox::Sandbox;

/// The tiny study with an absurd setting in place of a line.
fn ran(line: &str, by: &str) -> (Sandbox, String) {
    let place = Sandbox::new();
    place.edit("tiny.toml", line, by);
    let ran = place.run(&["study", "tiny.toml", "--out", "run", "--quick"]).done();
    (place, ran.err)
}

/// Training of `learner` diverged, the policy before that is judged, and nobody else was disturbed.
#[track_caller]
fn diverged((place, err): (Sandbox, String), learner: &str, label: &str) {
    let read = |job: &str, file: &str| -> serde_json::Value {
        serde_json::from_str(&place.read(&format!("run/{job}/seed-1/{file}"))).unwrap()
    };
    let cause = read(learner, "job.json")["failure"].as_str().unwrap().to_owned();
    assert!(cause.contains("diverged"), "{cause}");
    assert!(err.contains(&format!("{learner}/seed-1: {cause}")), "no {cause:?} in:\n{err}");
    // Nothing had been selected before, so the policy is the rule that training began with.
    for file in ["policy.json", "last.json"] {
        assert!(read(learner, file)["policy"]["rule"].is_object(), "{file}");
    }
    for other in ["contextual", "dqn", "ppo", "tabular"].into_iter().filter(|o| *o != learner) {
        assert!(read(other, "job.json")["failure"].is_null(), "{other}");
    }
    let report = place.read("run/report.html");
    assert!(report.contains(&format!("{label} (1 diverged)")), "the row says so");
    assert!(report.contains(&format!("{label} seed 1 ended early")), "the cause is reported");
    place.run(&["study", "tiny.toml", "--out", "run", "--quick", "--resume"]).done();
}

#[test]
fn a_value_network_that_diverges_stops_alone() {
    let absurd =
        "warm-up = 100\nguide-margin = 3e38\nguide-weight = { from = 3e38, to = 3e38, begin = 0, over = 0 }";
    diverged(ran("warm-up", absurd), "dqn", "Neural DQN");
}

#[test]
fn a_policy_network_that_diverges_stops_alone() {
    let absurd = "gru-size = 4\nnormalise-returns = false\nreward-scale = 1e30";
    diverged(ran("gru-size", absurd), "ppo", "Neural PPO");
}

/// Traces that add up, undiminished and with full step size: each visit overshoots by more than the one before.
#[test]
fn a_table_that_diverges_stops_alone() {
    let absurd = "trust-visits = 2\nlambda-per-s = 1.0\ngamma-per-s = 1.0\ntrace = \"accumulating\"\n\
        step-size = { constant = 1.0 }";
    diverged(ran("trust-visits", absurd), "tabular", "Tabular values");
}
