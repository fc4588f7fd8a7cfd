//! Saving, loading and going on; settings that are refused.

use super::*;
use crate::worlds::bias::{self, Bias};
use crate::worlds::cliff::{self, Cliff};
use lowgear_env::{Seed, World};

const ALL: [Algorithm; 4] =
    [Algorithm::QLearning, Algorithm::Sarsa, Algorithm::ExpectedSarsa, Algorithm::DoubleQ];

fn settings(algorithm: Algorithm) -> TabularSettings {
    TabularSettings {
        gamma_per_s: 0.97,
        lambda_per_s: if algorithm == Algorithm::DoubleQ { 0.0 } else { 0.8 },
        epsilon: Schedule::linear(0.5, 0.1, 3000),
        ..plain(algorithm, StepSize::Visits { omega: 0.6, floor: 0.01 }, 0.0)
    }
}

fn reloaded(learner: &TabularLearner) -> TabularLearner {
    serde_json::from_str(&serde_json::to_string(learner).unwrap()).unwrap()
}

fn bytes(learner: &TabularLearner) -> String {
    serde_json::to_string(learner).unwrap()
}

#[test]
fn going_on_after_a_pause_gives_the_same_bits() {
    for algorithm in ALL {
        let taught = |pause: Option<u64>| {
            let mut world = Cliff::new();
            let mut learner =
                TabularLearner::new(settings(algorithm), cliff::CELLS, cliff::ACTIONS, Seed(7)).unwrap();
            for episode in 0..60 {
                if pause == Some(episode) {
                    learner = reloaded(&learner);
                }
                learn_episode(&mut world, |&cell| cell, &mut learner, episode, alone);
            }
            learner
        };
        let whole = taught(None);
        for pause in [0, 1, 37] {
            assert_eq!(bytes(&whole), bytes(&taught(Some(pause))), "{algorithm:?}, pause at {pause}");
        }
    }
}

/// Traces and the position in the stream of random numbers survive in the middle of an episode too.
#[test]
fn going_on_within_an_episode_gives_the_same_bits() {
    for algorithm in ALL {
        let mut world = Bias::new(Seed(1));
        let mut whole =
            TabularLearner::new(settings(algorithm), bias::STATES, bias::ACTIONS, Seed(2)).unwrap();
        let mut paused = whole.clone();
        world.reset(0);
        let mut before: Option<Choice> = None;
        for _ in 0..200 {
            paused = reloaded(&paused);
            let allowed = world.mask();
            let view = View { cell: *world.observation(), allowed, guide: None };
            let action = whole.act(&view);
            assert_eq!(paused.act(&view), action);
            let now = Choice { view, action };
            if let Some(before) = &before {
                for learner in [&mut whole, &mut paused] {
                    learner.learn(before, -0.1, 0.25, Some(&now));
                }
            }
            if world.step(action).end.is_some() {
                world.reset(1);
            }
            before = Some(now);
        }
        assert_eq!(bytes(&whole), bytes(&paused), "{algorithm:?}");
    }
}

#[test]
fn a_damaged_save_is_refused() {
    let learner = TabularLearner::new(settings(Algorithm::Sarsa), 2, 2, Seed(0)).unwrap();
    let text = bytes(&learner);
    let error = |text: &str| serde_json::from_str::<TabularLearner>(text).unwrap_err().to_string();
    let short = error(&text.replace("\"visits\":[0,0,0,0]", "\"visits\":[0,0,0]"));
    assert!(short.contains("wrong size of the visit counts: the table has 2 cells"), "{short}");
    let far = "\"traces\":[{\"entry\":4,\"weight\":1.0,\"step_size\":0.1}]";
    assert!(error(&text.replace("\"traces\":[]", far)).contains("traces"));
}

#[test]
fn settings_out_of_range_are_refused_by_name() {
    let error = |change: fn(&mut TabularSettings)| {
        let mut settings = TabularSettings::default();
        change(&mut settings);
        settings.validate(3).unwrap_err().to_string()
    };
    assert_eq!(TabularSettings::default().validate(3), Ok(()));
    assert!(error(|s| s.gamma_per_s = 1.5).starts_with("`gamma-per-s` is 1.5; allowed: "));
    assert!(error(|s| s.lambda_per_s = f64::NAN).starts_with("`lambda-per-s` is NaN"));
    assert!(error(|s| s.epsilon.to = -0.1).starts_with("`epsilon.to` is -0.1; allowed: 0 to 1"));
    assert!(error(|s| s.step_size = StepSize::Constant(2.0)).starts_with("`step-size.constant` is 2"));
    assert!(error(|s| s.initial_values = vec![0.0]).contains("1 values; allowed: none, or 3"));
    assert!(error(|s| s.algorithm = Algorithm::DoubleQ).contains("`lambda-per-s` is 0.59"));
}

#[test]
fn settings_are_read_by_kebab_case_keys() {
    let text = r#"{"algorithm": "double-q", "lambda-per-s": 0, "trace": "accumulating",
        "step-size": {"visits": {"omega": 0.8, "floor": 0.05}},
        "epsilon": {"from": 0.3, "to": 0.01, "begin": 0, "over": 1000}, "initial-values": [-300, -150, -300]}"#;
    let settings: TabularSettings = serde_json::from_str(text).unwrap();
    assert_eq!(settings.algorithm, Algorithm::DoubleQ);
    assert_eq!(settings.step_size, StepSize::Visits { omega: 0.8, floor: 0.05 });
    assert_eq!(settings.initial_values, [-300.0, -150.0, -300.0]);
    assert!(serde_json::from_str::<TabularSettings>(r#"{"lamda": 0}"#).is_err());
}
