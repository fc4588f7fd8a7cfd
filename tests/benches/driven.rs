//! What benches share that drive plans and rules over the same courses.

use lowgear_env::{Cause, Drive, Outcome};
use lowgear_eval::statistics::{Scores, paired_difference};
use lowgear_eval::suite::TestSuite;
use rayon::prelude::*;
use std::sync::Arc;

/// Outcome of every course.
pub(crate) fn each(suite: &TestSuite, drive_it: impl Fn(&mut Drive) + Sync) -> Vec<Outcome> {
    let courses = 0..suite.courses;
    let outcomes = courses.into_par_iter().map(|episode| {
        let mut drive = Drive::new(Arc::clone(suite.scenario()), episode);
        drive_it(&mut drive);
        drive.outcome()
    });
    outcomes.collect()
}

/// One line: mean time, time saved against the rule, damage over the rule's, courses finished.
pub(crate) fn row(name: &str, outcomes: &[Outcome], base: &[Outcome]) {
    let times = |outcomes: &[Outcome]| {
        Scores::new(&[outcomes.iter().map(|o| o.time_s).collect::<Vec<f64>>()]).unwrap()
    };
    let damage = |outcomes: &[Outcome]| outcomes.iter().map(|o| o.damage).sum::<f64>();
    let saved = paired_difference(&times(base), &times(outcomes), 0.95).unwrap().estimate;
    println!(
        "{name:<42} {:6.1} s, saved {:+5.1} s ({:+5.1} to {:+5.1}), damage {:+4.0} %, finished {}",
        times(outcomes).mean(),
        saved.mean,
        saved.low,
        saved.high,
        100.0 * (damage(outcomes) / damage(base) - 1.0),
        outcomes.iter().filter(|o| o.cause == Cause::Finished).count(),
    );
}
