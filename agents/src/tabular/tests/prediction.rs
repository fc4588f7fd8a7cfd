//! Errors and traces worked by hand, and the random walk (Sutton, Barto 2018, example 6.2).

use super::*;
use crate::worlds::random_walk::{self, RandomWalk};
use lowgear_env::Seed;

/// Root mean square error over the states after 10, 25, 50 and 100 episodes.
fn errors(step_size: f64, run: u64) -> [f64; 4] {
    let settings = TabularSettings {
        initial_values: vec![0.5],
        ..plain(Algorithm::Sarsa, StepSize::Constant(step_size), 0.0)
    };
    let mut learner = TabularLearner::new(settings, random_walk::STATES, 1, Seed(run)).unwrap();
    let mut world = RandomWalk::new(Seed(run));
    let mut errors = [0.0; 4];
    for episode in 0..100 {
        learn_episode(&mut world, |&state| state, &mut learner, episode, alone);
        if let Some(i) = [10, 25, 50, 100].iter().position(|&after| after == episode + 1) {
            let squares = random_walk::VALUES.iter().enumerate();
            let sum: f64 = squares.map(|(s, value)| (learner.values(s)[0] - value).powi(2)).sum();
            errors[i] = (sum / random_walk::STATES as f64).sqrt();
        }
    }
    errors
}

/// Monte Carlo check values of example 6.2 from an independent implementation (NumPy, 2000 runs): mean and
/// standard error of the root mean square error.
const WALK: [(f64, [f64; 4], [f64; 4]); 3] = [
    (0.05, [0.17457, 0.10969, 0.05336, 0.03537], [5e-5, 1.5e-4, 3.0e-4, 3.7e-4]),
    (0.10, [0.12839, 0.05648, 0.05075, 0.05573], [1.8e-4, 4.7e-4, 5.2e-4, 5.2e-4]),
    (0.15, [0.09504, 0.05772, 0.06924, 0.07084], [3.8e-4, 6.3e-4, 6.3e-4, 6.3e-4]),
];

#[test]
fn td_errors_of_the_random_walk_match_an_independent_implementation() {
    let runs = 2000;
    for (step_size, means, standard_errors) in WALK {
        let mut sums = [0.0; 4];
        for run in 0..runs {
            for (sum, error) in sums.iter_mut().zip(errors(step_size, run)) {
                *sum += error;
            }
        }
        for i in 0..4 {
            let mean = sums[i] / runs as f64;
            // Both means are of 2000 runs, so their difference has sqrt(2) times the standard error.
            let tolerance = 4.0 * std::f64::consts::SQRT_2 * standard_errors[i] + 1e-5;
            assert!((mean - means[i]).abs() < tolerance, "alpha {step_size}, {i}: {mean} {}", means[i]);
        }
    }
}

/// The long walk (example 7.1): root mean square error over the states, averaged over the first ten episodes
/// and 1000 runs of an independent implementation (NumPy), with its standard error.
const LONG_WALK: [(f64, f64, TraceKind, f64, f64); 4] = [
    (0.0, 0.4, TraceKind::Accumulating, 0.412_12, 1.7e-4),
    (0.8, 0.1, TraceKind::Accumulating, 0.395_58, 3.3e-4),
    (0.8, 0.2, TraceKind::Replacing, 0.354_09, 5.2e-4),
    (0.4, 0.4, TraceKind::Accumulating, 0.333_86, 5.3e-4),
];

#[test]
fn traces_on_the_long_walk_match_an_independent_implementation() {
    let values = random_walk::long_values();
    let rms = |learner: &TabularLearner| {
        let squares = values.iter().enumerate().map(|(s, value)| (learner.values(s)[0] - value).powi(2));
        (squares.sum::<f64>() / values.len() as f64).sqrt()
    };
    for (lambda_per_s, step_size, trace, expected, standard_error) in LONG_WALK {
        let mut sum = 0.0;
        for run in 0..1000 {
            let settings = TabularSettings {
                lambda_per_s,
                trace,
                ..plain(Algorithm::Sarsa, StepSize::Constant(step_size), 0.0)
            };
            let mut learner = TabularLearner::new(settings, values.len(), 1, Seed(run)).unwrap();
            assert!(run > 0 || (rms(&learner) - 0.547_722_557_505_166_1).abs() < 1e-12);
            let mut world = RandomWalk::long(Seed(run));
            for episode in 0..10 {
                learn_episode(&mut world, |&state| state, &mut learner, episode, alone);
                sum += rms(&learner) / 10_000.0;
            }
        }
        let tolerance = 4.0 * std::f64::consts::SQRT_2 * standard_error;
        assert!(
            (sum - expected).abs() < tolerance,
            "lambda {lambda_per_s}, alpha {step_size}: {sum} {expected}"
        );
    }
}

/// Two decisions, rewards 1 and 2, then the end; alpha 0.5, gamma 0.9 per s, lambda 0.5 per s.
/// First, 2 s long: delta = 1 + 0.81 * 0 - 0 = 1; q(0) = 0.5; its trace fades to 0.81 * 0.25 = 0.2025.
/// Second: delta = 2 - 0 = 2; q(1) = 0.5 * 2 = 1; q(0) = 0.5 + 0.5 * 2 * 0.2025 = 0.7025.
#[test]
fn one_pass_along_a_chain_by_hand() {
    for algorithm in [Algorithm::Sarsa, Algorithm::ExpectedSarsa, Algorithm::QLearning] {
        let settings = TabularSettings {
            gamma_per_s: 0.9,
            lambda_per_s: 0.5,
            ..plain(algorithm, StepSize::Constant(0.5), 0.0)
        };
        let mut learner = TabularLearner::new(settings, 2, 1, Seed(0)).unwrap();
        learner.learn(&choice(0, 0, 1), 1.0, 2.0, Some(&choice(1, 0, 1)));
        learner.learn(&choice(1, 0, 1), 2.0, 1.0, None);
        assert!((learner.values(0)[0] - 0.7025).abs() < 1e-12, "{algorithm:?}");
        assert!((learner.values(1)[0] - 1.0).abs() < 1e-12, "{algorithm:?}");
    }
}

/// With steps of one over the visits each table of Double Q-learning holds the mean of what it has learned from,
/// whatever it began with: its first step is 1.
#[test]
fn steps_of_one_over_the_visits_make_means_in_both_tables() {
    let settings = TabularSettings {
        initial_values: vec![10.0],
        ..plain(Algorithm::DoubleQ, StepSize::Visits { omega: 1.0, floor: 0.0 }, 0.0)
    };
    let mut learner = TabularLearner::new(settings, 1, 1, Seed(0)).unwrap();
    for _ in 0..1000 {
        learner.learn(&choice(0, 0, 1), 0.5, 1.0, None);
    }
    assert!((learner.values(0)[0] - 0.5).abs() < 1e-9, "{}", learner.values(0)[0]);
    assert_eq!(learner.visits(0), [1000]);
}

/// The same cell twice with reward 1, then the end; alpha 0.5, gamma 1, lambda 1.
/// First: delta = 1 + 0 - 0 = 1, q = 0.5. Second: delta = 1 - 0.5 = 0.5, the trace is 2 if visits add up
/// and 1 if they replace: q = 0.5 + 0.5 * 0.5 * 2 = 1, or 0.75.
#[test]
fn a_second_visit_adds_to_the_trace_or_replaces_it() {
    for (trace, value) in [(TraceKind::Accumulating, 1.0), (TraceKind::Replacing, 0.75)] {
        let settings = TabularSettings {
            lambda_per_s: 1.0,
            trace,
            ..plain(Algorithm::Sarsa, StepSize::Constant(0.5), 0.0)
        };
        let mut learner = TabularLearner::new(settings, 1, 1, Seed(0)).unwrap();
        learner.learn(&choice(0, 0, 1), 1.0, 1.0, Some(&choice(0, 0, 1)));
        learner.learn(&choice(0, 0, 1), 1.0, 1.0, None);
        assert!((learner.values(0)[0] - value).abs() < 1e-12, "{trace:?}");
    }
}

/// As the chain, but the second action is worse than another one known there: Q-learning must not hand
/// its outcome back (Watkins's cut), Sarsa must.
#[test]
fn q_learning_cuts_its_traces_when_it_explores() {
    let first_value = |algorithm| {
        let settings = TabularSettings {
            lambda_per_s: 1.0,
            initial_values: vec![0.0, 1.0],
            ..plain(algorithm, StepSize::Constant(0.5), 0.0)
        };
        let mut learner = TabularLearner::new(settings, 2, 2, Seed(0)).unwrap();
        learner.learn(&choice(0, 0, 2), 0.0, 1.0, Some(&choice(1, 0, 2)));
        learner.learn(&choice(1, 0, 2), 8.0, 1.0, None);
        learner.values(0)[0]
    };
    // Q-learning: q = 0.5 * (0 + 1 - 0) = 0.5, then nothing. Sarsa: 0, then 0.5 * 8 = 4.
    assert!((first_value(Algorithm::QLearning) - 0.5).abs() < 1e-12);
    assert!((first_value(Algorithm::Sarsa) - 4.0).abs() < 1e-12);
}

/// When the clock runs out the next state still has its value; when the task ends it has none.
#[test]
fn bootstraps_at_truncation_and_not_at_termination() {
    for algorithm in [Algorithm::QLearning, Algorithm::Sarsa, Algorithm::ExpectedSarsa, Algorithm::DoubleQ] {
        let settings = TabularSettings {
            gamma_per_s: 0.5,
            initial_values: vec![10.0],
            ..plain(algorithm, StepSize::Constant(1.0), 0.0)
        };
        let value = |after: Option<&Choice>| {
            let mut learner = TabularLearner::new(settings.clone(), 2, 1, Seed(0)).unwrap();
            learner.learn(&choice(0, 0, 1), 1.0, 2.0, after);
            learner.values(0)[0]
        };
        // One of the two tables of Double Q-learning learns, so the mean moves half the way from 10.
        let seen = |target: f64| {
            if algorithm == Algorithm::DoubleQ { f64::midpoint(10.0, target) } else { target }
        };
        assert!((value(None) - seen(1.0)).abs() < 1e-12, "{algorithm:?}");
        assert!((value(Some(&choice(1, 0, 1))) - seen(1.0 + 0.25 * 10.0)).abs() < 1e-12, "{algorithm:?}");
    }
}
