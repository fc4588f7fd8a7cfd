//! Going on after a pause, and what is refused.

use std::ops::ControlFlow;

use lowgear_env::{End, Step, World};

use super::*;

fn variants() -> [PpoConfig; 2] {
    let small = PpoConfig { hidden: vec![8], n_steps: 150, epochs: 2, ..pole() };
    let full = PpoConfig {
        gru_size: 5,
        bptt_length: 6,
        normalise_observations: true,
        normalise_returns: true,
        value_clip: Some(0.2),
        target_kl: Some(0.01),
        ..small.clone()
    };
    [small, full]
}

#[test]
fn a_learner_read_back_between_rounds_goes_on_bit_for_bit_in_fresh_worlds() {
    for config in variants() {
        let iterations = |ppo: &mut Ppo, count: u64| {
            let last = ppo.iterations() + count;
            let on = |ppo: &Ppo, _: &IterationResult| {
                if ppo.iterations() < last { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
            };
            train(ppo, &mut poles(4, 9), u64::MAX, on).unwrap();
        };
        let mut whole = Ppo::new(config.clone(), 4, 2, Seed(9)).unwrap();
        iterations(&mut whole, 2);
        let saved = whole.save_state().unwrap();
        iterations(&mut whole, 3);
        let mut again = Ppo::load_state(&config, &saved).unwrap();
        assert_eq!(again.save_state().unwrap(), saved);
        iterations(&mut again, 3);
        assert_eq!(again.save_state().unwrap(), whole.save_state().unwrap());
    }
}

/// Lives on in two worlds whatever the state of their episodes, learning when an iteration is full.
fn collect_rollouts(ppo: &mut Ppo, worlds: &mut [CartPole], decisions: u64) {
    for _ in 0..decisions {
        for (env_slot, world) in worlds.iter_mut().enumerate() {
            let action =
                ppo.act(env_slot, &world.observation().map(|x| x as f32), Mask::all(2), None).unwrap();
            let step = world.step(action);
            ppo.observe(env_slot, &step, &world.observation().map(|x| x as f32)).unwrap();
            if step.end.is_some() {
                world.reset(ppo.begin_episode(env_slot).unwrap());
            }
        }
        if ppo.buffer_is_full() {
            ppo.update().unwrap();
        }
    }
}

#[test]
fn a_learner_read_back_in_the_middle_of_a_round_goes_on_bit_for_bit_in_the_same_worlds() {
    for config in variants() {
        let config = PpoConfig { num_envs: 2, ..config };
        let mut ppo = Ppo::new(config.clone(), 4, 2, Seed(5)).unwrap();
        let mut worlds = vec![CartPole::new(Seed(5)); 2];
        for (env_slot, world) in worlds.iter_mut().enumerate() {
            world.reset(ppo.begin_episode(env_slot).unwrap());
        }
        collect_rollouts(&mut ppo, &mut worlds, 187);
        assert!(ppo.iterations() >= 2 && ppo.buffer_len() > 0);
        let (saved, mut worlds_again) = (ppo.save_state().unwrap(), worlds.clone());
        let mut again = Ppo::load_state(&config, &saved).unwrap();
        collect_rollouts(&mut ppo, &mut worlds, 200);
        collect_rollouts(&mut again, &mut worlds_again, 200);
        assert_eq!(again.save_state().unwrap(), ppo.save_state().unwrap());
    }
}

#[test]
fn the_seed_decides() {
    let bytes = |seed| {
        let mut ppo = Ppo::new(variants()[1].clone(), 4, 2, Seed(seed)).unwrap();
        train(&mut ppo, &mut poles(4, 1), 300, |_, _| ControlFlow::Continue(())).unwrap();
        ppo.save_state().unwrap()
    };
    assert_eq!(bytes(1), bytes(1));
    assert_ne!(bytes(1), bytes(2));
}

#[test]
fn damaged_or_foreign_states_are_refused() {
    let config = variants()[1].clone();
    let mut ppo = Ppo::new(config.clone(), 4, 2, Seed(1)).unwrap();
    train(&mut ppo, &mut poles(4, 1), 300, |_, _| ControlFlow::Continue(())).unwrap();
    let bytes = ppo.save_state().unwrap();
    let refused = |config: &PpoConfig, bytes: &[u8]| Ppo::load_state(config, bytes).unwrap_err();
    assert_eq!(refused(&config, &bytes[..bytes.len() - 1]), NeuralError::State("damaged or cut short"));
    assert_eq!(refused(&config, b"other"), NeuralError::State("other kind or version"));
    assert_eq!(
        refused(&config, &[&bytes[..], &[0]].concat()),
        NeuralError::State("longer than it should be")
    );
    let other = PpoConfig { lambda_per_s: 0.5, ..config };
    assert_eq!(refused(&other, &bytes), NeuralError::State("made with other settings"));
}

#[test]
fn what_is_not_finite_is_an_error_and_spoils_nothing() {
    let config = PpoConfig { num_envs: 1, ..variants()[0].clone() };
    let mut ppo = Ppo::new(config, 1, 2, Seed(1)).unwrap();
    let (all, step) = (Mask::all(2), |reward| Step { reward, elapsed_s: 0.1, end: Some(End::Terminated) });
    assert_eq!(ppo.act(0, &[f32::NAN], all, None), Err(NeuralError::NotFinite("observation")));
    assert_eq!(ppo.act(0, &[0.0], Mask::from_fn(2, |_| false), None), Err(NeuralError::NoAction));
    assert_eq!(ppo.observe(0, &step(1.0), &[0.0]), Err(NeuralError::NothingPending));
    assert!(ppo.act(1, &[0.0], all, None).is_err(), "there is one world");
    ppo.begin_episode(0).unwrap();
    ppo.act(0, &[0.0], all, None).unwrap();
    assert_eq!(ppo.update(), Err(NeuralError::OutcomePending));
    let before = ppo.actor().unwrap().network().weights().to_vec();
    // Finite, but beyond what an f32 can hold.
    ppo.observe(0, &step(1e300), &[0.0]).unwrap();
    assert!(matches!(ppo.update(), Err(NeuralError::Diverged { step: 0, .. })));
    assert_eq!(ppo.actor().unwrap().network().weights(), before);
    assert_eq!(ppo.buffer_len(), 0, "and the learner can go on");
}
