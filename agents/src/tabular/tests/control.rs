//! Cliff walking and maximisation bias (Sutton, Barto 2018, examples 6.6 and 6.7), and a slippery lake.

use super::*;
use crate::worlds::bias::{self, Bias};
use crate::worlds::cliff::{self, Cliff};
use crate::worlds::frozen_lake::{self, FrozenLake};
use lowgear_env::Seed;

fn teach(settings: TabularSettings, episodes: u64, seed: u64) -> TabularLearner {
    let mut learner = TabularLearner::new(settings, cliff::CELLS, cliff::ACTIONS, Seed(seed)).unwrap();
    for episode in 0..episodes {
        learn_episode(&mut Cliff::new(), |&cell| cell, &mut learner, episode, alone);
    }
    learner
}

fn view(cell: usize) -> View {
    View { cell, allowed: Mask::all(cliff::ACTIONS), guide: None }
}

/// Steps of the greedy path, or `None` if it does not arrive.
fn greedy_steps(learner: &TabularLearner) -> Option<usize> {
    let mut cell = cliff::START;
    for step in 0..cliff::CELLS {
        if cell == cliff::GOAL {
            return Some(step);
        }
        cell = cliff::outcome(cell, learner.greedy(&view(cell))).0;
    }
    None
}

/// Expected return from the start under the epsilon-soft greedy policy: the fixed point of its Bellman
/// equation, swept until it stands still.
fn value_when_exploring(learner: &TabularLearner, epsilon: f64) -> f64 {
    let mut values = vec![0.0; cliff::CELLS];
    let backup = |values: &[f64], cell: usize| {
        let pi = update::epsilon_soft(learner.greedy(&view(cell)), Mask::all(cliff::ACTIONS), epsilon);
        let outcomes = (0..cliff::ACTIONS).map(|action| cliff::outcome(cell, action));
        outcomes.zip(pi).map(|((next, reward), p)| p * (reward + values[next])).sum::<f64>()
    };
    for _ in 0..20_000 {
        for cell in 0..cliff::GOAL {
            values[cell] = backup(&values, cell);
        }
    }
    values[cliff::START]
}

/// The optimal path has 13 steps.
#[test]
fn q_learning_walks_along_the_cliff() {
    for (lambda_per_s, epsilon, episodes) in [(0.0, 0.1, 1000), (0.5, 0.3, 2000)] {
        let settings =
            TabularSettings { lambda_per_s, ..plain(Algorithm::QLearning, StepSize::Constant(0.5), epsilon) };
        let learner = teach(settings, episodes, 1);
        assert_eq!(greedy_steps(&learner), Some(13), "lambda {lambda_per_s}");
    }
}

/// Double Q-learning underestimates what it has hardly tried, so it needs more exploration here.
#[test]
fn double_q_learning_walks_along_the_cliff() {
    let learner = teach(plain(Algorithm::DoubleQ, StepSize::Constant(0.5), 0.6), 5000, 1);
    assert_eq!(greedy_steps(&learner), Some(13));
}

/// Among policies that explore with probability 0.1, the best one has expected return -20.70768 and its
/// greedy path has 15 steps, one row away from the edge (exact solution of example 6.6 by dynamic
/// programming over epsilon-soft policies).
#[test]
fn on_policy_learners_keep_away_from_the_cliff() {
    const BEST: f64 = -20.707_677_398_668;
    let visits = StepSize::Visits { omega: 0.55, floor: 0.0 };
    for algorithm in [Algorithm::ExpectedSarsa, Algorithm::Sarsa] {
        let learner = teach(plain(algorithm, visits, 0.1), 60_000, 3);
        let value = value_when_exploring(&learner, 0.1);
        assert_eq!(greedy_steps(&learner), Some(15), "{algorithm:?}: {value}");
        assert!(value <= BEST + 1e-9, "{algorithm:?}: {value} is better than the best");
        assert!(value > BEST - 0.01, "{algorithm:?}: {value}");
        // Its own estimate of that value: noisy with Sarsa, close with Expected Sarsa.
        let pi = update::epsilon_soft(learner.greedy(&view(cliff::START)), Mask::all(cliff::ACTIONS), 0.1);
        let own = update::value_expected_sarsa(&learner.values(cliff::START), pi);
        let tolerance = if algorithm == Algorithm::Sarsa { 0.5 } else { 0.01 };
        assert!((own - BEST).abs() < tolerance, "{algorithm:?}: {own}");
    }
}

/// Share of the last of `episodes` in which the learner goes left, over `runs` seeds. The best that a
/// policy exploring with probability 0.1 can do is 5 %.
fn share_of_left(algorithm: Algorithm, episodes: u64, runs: u64) -> f64 {
    let mut left = 0;
    for run in 0..runs {
        let settings = plain(algorithm, StepSize::Constant(0.1), 0.1);
        let mut learner = TabularLearner::new(settings, bias::STATES, bias::ACTIONS, Seed(run)).unwrap();
        let mut world = Bias::new(Seed(run).part(1));
        let mut last = 0;
        for episode in 0..episodes {
            last = learn_episode(&mut world, |&state| state, &mut learner, episode, alone).decisions;
        }
        left += u64::from(last == 2);
    }
    left as f64 / runs as f64
}

/// After 100 episodes Q-learning still goes left far more often than Double Q-learning (figure 6.5 of the
/// book), which in turn stays above the 5 % that exploration alone causes.
#[test]
fn double_q_learning_is_not_taken_in_by_noise() {
    let single = share_of_left(Algorithm::QLearning, 100, 1000);
    let double = share_of_left(Algorithm::DoubleQ, 100, 1000);
    assert!(single > double + 0.2, "Q-learning {single}, Double Q-learning {double}");
    assert!(double > 0.04);
}

/// The best that anybody can do within 100 steps is 0.744190, by choosing by the clock; the best fixed choice
/// per cell for a discount of 0.99 has 0.740165 (reinforcement_learning.json, `frozenlake_4x4`).
#[test]
fn every_algorithm_crosses_the_frozen_lake() {
    const BEST: f64 = 0.744_190_287_829_269_7;
    for algorithm in [Algorithm::QLearning, Algorithm::Sarsa, Algorithm::ExpectedSarsa, Algorithm::DoubleQ] {
        let settings = TabularSettings {
            gamma_per_s: 0.99,
            epsilon: Schedule::linear(1.0, 0.05, 1_000_000),
            ..plain(algorithm, StepSize::Visits { omega: 0.6, floor: 0.0 }, 0.0)
        };
        let mut learner =
            TabularLearner::new(settings, frozen_lake::CELLS, frozen_lake::ACTIONS, Seed(1)).unwrap();
        let mut world = FrozenLake::new(Seed(1));
        let mut episode = 0;
        while learner.decisions() < 1_500_000 {
            learn_episode(&mut world, |&cell| cell, &mut learner, episode, alone);
            episode += 1;
        }
        let success = frozen_lake::success(|cell| learner.greedy(&view(cell)));
        assert!(success > BEST - 0.02 && success <= BEST, "{algorithm:?}: {success}");
    }
}
