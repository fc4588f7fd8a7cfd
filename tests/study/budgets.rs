//! A study with longer or shorter budgets than its file says.

use crate::sandbox::Sandbox;

#[test]
fn effort_multiplies_budgets_and_schedules_and_the_kept_study_says_so() {
    let place = Sandbox::new();
    place.run(&["study", "tiny.toml", "--out", "run", "--effort", "0.5"]).done();
    let kept = place.read("run/resolved.toml");
    for line in ["effort = 0.5", "decisions = 3000", "episodes = 5", "over = 20000"] {
        assert!(kept.lines().any(|l| l.trim() == line), "no {line} in:\n{kept}");
    }
    let resume = ["study", "tiny.toml", "--out", "run", "--resume"];
    place.run(&resume).refused(2, &["run/resolved.toml", "--effort"]);
    place.run(&[&resume[..], &["--effort", "0.5"]].concat()).done();
}

#[test]
fn a_job_whose_hours_are_used_up_ends_with_its_best_policy_and_the_study_goes_on() {
    let place = Sandbox::new();
    // 3.6 s for all of it: less than so much effort takes.
    let ran =
        place.run(&["study", "tiny.toml", "--out", "run", "--effort", "300", "--hours", "0.001"]).done();
    assert!(ran.err.contains("its share of the hours"), "{}", ran.err);
    for learner in ["contextual", "dqn", "ppo", "tabular"] {
        let record = place.read(&format!("run/{learner}/seed-1/job.json"));
        assert!(record.contains("is used up after"), "{record}");
    }
    assert!(place.read("run/resolved.toml").contains("\nhours = 0.001\n"));
    assert!(place.read("run/report.html").contains("used up"));
}
