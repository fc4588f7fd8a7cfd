//! Scales of returns, observations and time, and calls out of order.

use lowgear_env::{End, Step};

use super::*;

fn over(reward: f64) -> Step {
    Step { reward, elapsed_s: 1.0, end: Some(End::Terminated) }
}

/// A learner of one world with nothing normalised that is not asked for.
fn learner(config: PpoConfig) -> Ppo {
    let mut ppo = Ppo::new(PpoConfig { num_envs: 1, hidden: vec![8], ..config }, 1, 2, Seed(3)).unwrap();
    ppo.begin_episode(0).unwrap();
    ppo
}

/// Returns that never differ have no deviation to divide by.
#[test]
fn constant_returns_leave_values_of_a_sensible_size() {
    let learning_rate = Schedule::constant(3e-3);
    let mut ppo = learner(PpoConfig { normalise_returns: true, n_steps: 64, learning_rate, ..pole() });
    let mut last = f32::NAN;
    while ppo.iterations() < 20 {
        ppo.act(0, &[0.5], Mask::all(2), None).unwrap();
        ppo.observe(0, &over(5.0), &[0.5]).unwrap();
        ppo.begin_episode(0).unwrap();
        if ppo.buffer_is_full() {
            last = ppo.update().unwrap().value_loss;
        }
    }
    assert!(last < 0.1, "{last}");
    assert!((ppo.value(&[0.5]) - 5.0).abs() < 1.5, "{}", ppo.value(&[0.5]));
}

/// Observations far from 0 must look different to the network from the first iteration on.
#[test]
fn the_first_iteration_is_normalised_too() {
    let mut ppo = learner(PpoConfig { normalise_observations: true, ..pole() });
    let shown = |i: usize| 1000.0 + 30.0 * (i % 2) as f32;
    for i in 0..200 {
        ppo.act(0, &[shown(i)], Mask::all(2), None).unwrap();
        ppo.observe(0, &Step { end: None, ..over(0.0) }, &[shown(i + 1)]).unwrap();
    }
    for (i, x) in ppo.state.env_slots[0].trajectory.observations.iter().enumerate().skip(20) {
        let expected = if i % 2 == 0 { -1.0 } else { 1.0 };
        assert!((x - expected).abs() < 0.1, "{i}: {x}");
    }
}

/// Without normalisation an observation reaches the network as it is.
#[test]
fn what_is_not_normalised_is_not_cut_off_either() {
    let mut ppo = learner(PpoConfig { normalise_observations: false, ..pole() });
    ppo.act(0, &[30.0], Mask::all(2), None).unwrap();
    ppo.observe(0, &over(0.0), &[30.0]).unwrap();
    assert_eq!(ppo.state.env_slots[0].trajectory.observations, [30.0]);
}

#[test]
fn advantages_decay_with_time_and_not_with_decisions() {
    let mut ppo = learner(PpoConfig { lambda_per_s: 0.5, ..pole() });
    for elapsed_s in [1.0, 2.0] {
        ppo.act(0, &[0.5], Mask::all(2), None).unwrap();
        ppo.observe(0, &Step { reward: 0.0, elapsed_s, end: None }, &[0.5]).unwrap();
    }
    let decays: Vec<f32> =
        ppo.state.env_slots[0].trajectory.transitions.iter().map(|transition| transition.decay).collect();
    assert_eq!(decays, [0.5, 0.25]);
}

/// A decision that is asked for again replaces the one before: its outcome never was.
#[test]
fn asking_twice_adds_no_decision() {
    for gru_size in [0, 4] {
        let config = PpoConfig { gru_size, normalise_observations: false, ..pole() };
        let lived = |times: usize| {
            let mut ppo = learner(config.clone());
            for _ in 0..3 {
                for _ in 0..times {
                    ppo.act(0, &[0.5], Mask::all(2), None).unwrap();
                }
                ppo.observe(0, &Step { end: None, ..over(1.0) }, &[0.5]).unwrap();
            }
            ppo
        };
        let (once, twice) = (lived(1), lived(2));
        assert_eq!((twice.buffer_len(), twice.decisions()), (3, 3));
        assert_eq!(twice.state.env_slots[0].memories, once.state.env_slots[0].memories);
        let sequences = |ppo: &Ppo| ppo.state.env_slots[0].trajectory.sequences.clone();
        assert_eq!(sequences(&twice), sequences(&once));
    }
}

#[test]
fn an_episode_given_up_leaves_no_decision_without_outcome() {
    let mut ppo = learner(PpoConfig { n_steps: 1, ..pole() });
    ppo.act(0, &[0.5], Mask::all(2), None).unwrap();
    ppo.observe(0, &Step { end: None, ..over(1.0) }, &[0.5]).unwrap();
    ppo.act(0, &[0.5], Mask::all(2), None).unwrap();
    let said = ppo.update().unwrap_err().to_string();
    assert!(said.contains("outcome has not been reported"), "{said}");
    ppo.begin_episode(0).unwrap();
    assert_eq!(ppo.buffer_len(), 1);
    let said = ppo.observe(0, &over(1.0), &[0.5]).unwrap_err().to_string();
    assert!(said.contains("before an action was chosen"), "{said}");
    assert!(ppo.update().is_ok());
}
