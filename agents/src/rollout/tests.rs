//! Policy iteration by rollouts on a small world, and its evidence by hand.

use super::{Evidence, RolloutError, RolloutLearner, RolloutPolicy, RolloutSettings};
use crate::grid::{Grid, GridAxis};
use crate::neural::RuleGuide;
use crate::policy::Policy;
use crate::rule::RuleSettings;
use crate::worlds::cliff::{ACTIONS, CELLS, COLUMNS, Cliff, START, outcome};
use lowgear_env::Seed;
use lowgear_onboard::{Feature, Features, Request};

/// Up along the left side, along the top, down the right side: 17 steps.
fn long_way_round(cell: &usize) -> Option<usize> {
    Some(match (cell / COLUMNS, cell % COLUMNS) {
        (_, column) if column == COLUMNS - 1 => 2,
        (0, _) => 1,
        _ => 0,
    })
}

fn steps(choices: &[u8]) -> usize {
    let mut cell = START;
    for step in 1..=100 {
        let action = match usize::from(choices[cell]) {
            ACTIONS => long_way_round(&cell).unwrap(),
            action => action,
        };
        cell = outcome(cell, action).0;
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
    RolloutLearner::new(settings, CELLS, ACTIONS, Seed(5))
}

fn train(learner: &mut RolloutLearner, episodes: u64) {
    for _ in 0..episodes {
        learner.episode(&Cliff::new(), &long_way_round, |&cell| cell, |_| 0.0);
    }
}

/// The shortest way is 13 steps (Sutton, Barto 2018, example 6.6).
#[test]
fn from_the_long_way_round_it_comes_to_the_shortest() {
    let mut learner = learner(0.3);
    assert_eq!(steps(learner.choices()), 17);
    train(&mut learner, 1600);
    assert_eq!(steps(learner.choices()), 13);
}

#[test]
fn going_on_from_saved_bytes_is_the_same_as_going_on() {
    let mut whole = learner(0.3);
    train(&mut whole, 100);
    let mut parts = learner(0.3);
    train(&mut parts, 50);
    let mut parts: RolloutLearner = postcard::from_bytes(&postcard::to_stdvec(&parts).unwrap()).unwrap();
    train(&mut parts, 50);
    assert_eq!(parts, whole);
}

#[test]
fn trials_are_as_many_as_wanted_where_states_abound() {
    let mut learner = learner(0.0);
    train(&mut learner, 39);
    // Each of the 17 cells on the way is met once an episode; half of them are tried from.
    let trials = learner.evidence[START][1].trials;
    assert!((10.0..=30.0).contains(&trials), "{trials}");
}

#[test]
fn a_policy_that_does_not_fit_its_grid_is_refused() {
    let axis = GridAxis { feature: Feature::Gear, edges: vec![1, 2] };
    let guide = || RuleGuide::new(RuleSettings::stall_aware(3, 800, 10), 3).unwrap();
    let policy = |choices| RolloutPolicy::new(choices, Grid::new(vec![axis.clone()]).unwrap(), guide());
    assert!(policy(vec![3, 1, 3]).is_ok());
    assert_eq!(policy(vec![3, 1]).unwrap_err(), RolloutError::Shape { cells: 3, choices: 2 });
    assert_eq!(policy(vec![3, 1, 4]).unwrap_err(), RolloutError::Choice { cell: 2, found: 4 });
}

#[test]
fn cells_overrule_the_guide_or_follow_it() {
    let grid = Grid::new(vec![GridAxis { feature: Feature::Gear, edges: vec![1, 2] }]).unwrap();
    let guide = RuleGuide::new(RuleSettings::stall_aware(3, 800, 10), 3).unwrap();
    let mut policy = RolloutPolicy::new(vec![1, 3, 0], grid, guide).unwrap();
    let fast = |gear| {
        let mut features = Features::default();
        features.0[Feature::Gear as usize] = gear;
        features.0[Feature::MotorSpeed as usize] = 900;
        features.0[Feature::SinceFailed as usize] = 1000;
        features
    };
    let all = [true; 3];
    assert_eq!(policy.decide(&fast(0), all), Request::Hold);
    assert_eq!(policy.decide(&fast(1), all), Request::Up);
    assert_eq!(policy.decide(&fast(2), all), Request::Down);
    // What is impossible is not asked for, and in the top gear the rule has no threshold.
    assert_eq!(policy.decide(&fast(2), [false, true, true]), Request::Hold);
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
