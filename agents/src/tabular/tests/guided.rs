//! The guide: followed until there is evidence against it.

use super::*;
use crate::policy::Policy;
use crate::policy::grid::{Grid, GridAxis};
use crate::rule::{Rule, RuleSettings};
use crate::worlds::cliff::{self, Cliff};
use lowgear_env::Seed;
use lowgear_onboard::{Feature, Features, Request};

/// A detour along the top row: 17 steps.
fn detour(cell: usize) -> usize {
    let (row, column) = (cell / cliff::COLUMNS, cell % cliff::COLUMNS);
    match (row, column) {
        (_, column) if column == cliff::COLUMNS - 1 => 2,
        (0, _) => 1,
        _ => 0,
    }
}

/// Steps of the guided greedy path, or `None` if it does not arrive.
fn guided_steps(learner: &TabularLearner) -> Option<usize> {
    let mut cell = cliff::START;
    for step in 0..100 {
        if cell == cliff::GOAL {
            return Some(step);
        }
        let view = View { cell, allowed: Mask::all(cliff::ACTIONS), guide: Some(detour(cell)) };
        cell = cliff::outcome(cell, learner.greedy(&view)).0;
    }
    None
}

/// Greedy behaviour is the guide's before learning and better than it in the end.
#[test]
fn a_guided_learner_starts_as_its_guide_and_improves_on_it() {
    let settings = TabularSettings {
        trust_visits: 5,
        rule_margin: 0.5,
        ..plain(Algorithm::QLearning, StepSize::Constant(0.2), 0.2)
    };
    let mut learner = TabularLearner::new(settings, cliff::CELLS, cliff::ACTIONS, Seed(4)).unwrap();
    assert_eq!(guided_steps(&learner), Some(17));
    for episode in 0..20_000 {
        learn_episode(&mut Cliff::new(), |&cell| cell, &mut learner, episode, |&cell, _| Some(detour(cell)));
    }
    assert_eq!(guided_steps(&learner), Some(13));
}

fn gearbox() -> (TabularLearner, Grid, Rule) {
    let grid = Grid::new(vec![
        GridAxis { feature: Feature::Gear, edges: vec![1] },
        GridAxis { feature: Feature::MotorSpeed, edges: vec![200, 800] },
    ])
    .unwrap();
    let settings = TabularSettings {
        trust_visits: 3,
        rule_margin: 0.1,
        ..plain(Algorithm::QLearning, StepSize::Constant(1.0), 0.0)
    };
    let learner = TabularLearner::new(settings, grid.cells(), 3, Seed(0)).unwrap();
    let rule = Rule::new(RuleSettings::two_sided(2, 900, 150, 10), 2).unwrap();
    (learner, grid, rule)
}

fn features(gear: i16, speed: i16) -> Features {
    let mut features = Features::default();
    features.0[Feature::Gear as usize] = gear;
    features.0[Feature::MotorSpeed as usize] = speed;
    features
}

#[test]
fn an_untaught_table_decides_as_the_rule_and_counts_it() {
    let (learner, grid, rule) = gearbox();
    let mut policy = TabularPolicy::new(&learner, grid, rule.clone()).unwrap();
    let mut alone = rule;
    for gear in 0..2 {
        for speed in (0..1000).step_by(50) {
            let at = features(gear, speed);
            assert_eq!(policy.decide(&at, Mask::all(3)), alone.decide(&at, Mask::all(3)));
        }
    }
    assert_eq!((policy.decisions(), policy.fallbacks()), (40, 40));
    assert_eq!(policy.coverage(), Coverage { cells: 6, visited: 0, trusted: 0 });
}

#[test]
fn evidence_overrules_the_rule_in_its_cell_only() {
    let (mut learner, grid, rule) = gearbox();
    let (slow, middle) = (grid.cell(&features(0, 100)), grid.cell(&features(0, 500)));
    let hold = Request::Hold as usize;
    let up = Request::Up as usize;
    for _ in 0..3 {
        learner.learn(&choice(middle, hold, 3), 1.0, 0.2, None);
        learner.learn(&choice(middle, up, 3), 2.0, 0.2, None);
    }
    learner.learn(&choice(slow, up, 3), 9.0, 0.2, None);
    let mut policy = TabularPolicy::new(&learner, grid, rule).unwrap();
    assert_eq!(policy.decide(&features(0, 500), Mask::all(3)), Request::Up);
    assert_eq!(policy.fallbacks(), 0);
    assert_eq!(
        policy.decide(&features(0, 500), [true, true, false].into()),
        Request::Hold,
        "the guard's word counts"
    );
    assert_eq!(policy.decide(&features(0, 100), Mask::all(3)), Request::Hold, "one visit is no evidence");
    assert_eq!(policy.fallbacks(), 1);
    assert_eq!(policy.coverage(), Coverage { cells: 6, visited: 2, trusted: 1 });
}

#[test]
fn a_table_of_another_shape_is_refused() {
    let (_, grid, rule) = gearbox();
    let settings = plain(Algorithm::QLearning, StepSize::Constant(1.0), 0.0);
    for (cells, actions) in [(5, 3), (6, 2)] {
        let learner = TabularLearner::new(settings.clone(), cells, actions, Seed(0)).unwrap();
        assert!(TabularPolicy::new(&learner, grid.clone(), rule.clone()).is_err());
    }
}
