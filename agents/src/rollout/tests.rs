//! Policy iteration by rollouts on a small world, and its evidence by hand.

use super::{Evidence, RolloutLearner, RolloutSettings};
use crate::worlds::cliff::{ACTIONS, CELLS, COLUMNS, Cliff, START, outcome};
use lowgear_env::Seed;

/// Up along the left side, along the top, down the right side: 17 steps.
fn long_way_round() -> Vec<u8> {
    (0..CELLS)
        .map(|cell| match (cell / COLUMNS, cell % COLUMNS) {
            (_, column) if column == COLUMNS - 1 => 2,
            (0, _) => 1,
            _ => 0,
        })
        .collect()
}

fn steps(actions: &[u8]) -> usize {
    let mut cell = START;
    for step in 1..=100 {
        cell = outcome(cell, usize::from(actions[cell])).0;
        if cell == CELLS - 1 {
            return step;
        }
    }
    usize::MAX
}

fn learner(wander: f64) -> RolloutLearner {
    let settings = RolloutSettings {
        round: 40,
        trials: 20.0,
        horizon_s: 60.0,
        confidence: 1.0,
        wander,
        ..RolloutSettings::default()
    };
    RolloutLearner::new(settings, long_way_round(), ACTIONS, 0, Seed(5))
}

/// The shortest way is 13 steps (Sutton, Barto 2018, example 6.6).
#[test]
fn from_the_long_way_round_it_comes_to_the_shortest() {
    let mut learner = learner(0.3);
    assert_eq!(steps(learner.actions()), 17);
    for _ in 0..1600 {
        learner.episode(&mut Cliff::new(), |&cell| cell, |_| 0.0);
    }
    assert_eq!(steps(learner.actions()), 13);
}

#[test]
fn going_on_from_saved_bytes_is_the_same_as_going_on() {
    let mut whole = learner(0.3);
    for _ in 0..100 {
        whole.episode(&mut Cliff::new(), |&cell| cell, |_| 0.0);
    }
    let mut parts = learner(0.3);
    for _ in 0..50 {
        parts.episode(&mut Cliff::new(), |&cell| cell, |_| 0.0);
    }
    let mut parts: RolloutLearner = postcard::from_bytes(&postcard::to_stdvec(&parts).unwrap()).unwrap();
    for _ in 0..50 {
        parts.episode(&mut Cliff::new(), |&cell| cell, |_| 0.0);
    }
    assert_eq!(parts, whole);
}

#[test]
fn trials_are_as_many_as_wanted_where_states_abound() {
    let mut learner = learner(0.0);
    for _ in 0..39 {
        learner.episode(&mut Cliff::new(), |&cell| cell, |_| 0.0);
    }
    // Each of the 17 cells on the way is met once an episode; half of them are tried from.
    let trials = learner.evidence[START][1].trials;
    assert!((10.0..=30.0).contains(&trials), "{trials}");
}

/// Worked by hand: differences 1 and 3 have mean 2 and variance 1; with five trials' worth of variance 8 the variance
/// of a trial is (2 + 40) / 7 = 6, that of the mean 3.
#[test]
fn evidence_has_mean_and_variance_and_fades() {
    let mut evidence = Evidence::default();
    evidence.add(1.0);
    evidence.add(3.0);
    assert!((evidence.mean() - 2.0).abs() < 1e-12);
    assert!((evidence.variance() - 1.0).abs() < 1e-12);
    assert!((evidence.variance_of_mean(8.0) - 3.0).abs() < 1e-12);
    evidence.fade(0.5);
    assert!((evidence.mean() - 2.0).abs() < 1e-12 && (evidence.trials - 1.0).abs() < 1e-12);
}
