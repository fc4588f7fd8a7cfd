//! Problems with known answers.

use std::ops::ControlFlow;

use super::*;
use crate::worlds::{
    corridor::{self, Corridor},
    recall::Recall,
};

#[test]
fn learns_to_balance_the_pole() {
    for seed in [0, 1] {
        let mut ppo = Ppo::new(pole(), 4, 2, Seed(seed)).unwrap();
        train(&mut ppo, &mut poles(4, seed), 40_000, |_, _| ControlFlow::Continue(())).unwrap();
        let (mut actor, mut world) = (ppo.actor().unwrap(), CartPole::new(Seed(77)));
        let returns = (0..100)
            .map(|n| greedy_return(&mut actor, &mut world, &mut { encode_pole }, &mut { no_guide }, n));
        let mean = returns.sum::<f64>() / 100.0;
        assert!(mean >= 475.0, "seed {seed}: {mean} after {} decisions", ppo.decisions());
    }
}

/// With cells that look alike the best policy is a random one; value methods cannot find it. Whole returns
/// (lambda 1) because a value that cannot tell the cells apart must not be bootstrapped from.
#[test]
fn finds_the_best_random_policy_of_the_corridor() {
    let config = PpoConfig {
        hidden: vec![],
        gamma_per_s: 1.0,
        lambda_per_s: 1.0,
        n_steps: 4000,
        batch: 1000,
        epochs: 4,
        learning_rate: Schedule::linear(0.02, 0.0, 400_000),
        episode_limit: 1000,
        ..pole()
    };
    for seed in 0..3 {
        let mut ppo = Ppo::new(config.clone(), 1, 2, Seed(seed)).unwrap();
        let encode = |_: &(), out: &mut Vec<f32>| out.push(1.0);
        let mut env_slots =
            vec![EnvSlot { world: Corridor::default(), encode, guide: no_guide as NoGuide<()> }; 4];
        train(&mut ppo, &mut env_slots, 400_000, |_, _| ControlFlow::Continue(())).unwrap();
        let p = f64::from(ppo.actor().unwrap().probabilities(&[1.0], Mask::all(2), None)[1]);
        assert!((p - corridor::BEST).abs() < 0.04, "seed {seed}: {p}");
        let lost = corridor::value(corridor::BEST) - corridor::value(p);
        assert!(lost < 0.1, "seed {seed}: {lost} lost of 11.66");
    }
}

/// Mean return of 200 greedy episodes after learning.
fn recalled(memory: usize, seed: u64) -> f64 {
    let config = PpoConfig {
        hidden: vec![16],
        gru_size: memory,
        bptt_length: 4, // shorter than an episode: memories are carried from one sequence to the next
        gamma_per_s: 1.0,
        n_steps: 1000,
        learning_rate: Schedule::constant(3e-3),
        entropy_weight: Schedule::constant(0.01),
        normalise_observations: true,
        ..pole()
    };
    let mut ppo = Ppo::new(config, 1, 2, Seed(seed)).unwrap();
    let encode = |&seen: &f32, out: &mut Vec<f32>| out.push(seen);
    let env_slot = EnvSlot { world: Recall::new(Seed(seed), 2), encode, guide: no_guide as NoGuide<f32> };
    train(&mut ppo, &mut vec![env_slot; 4], 40_000, |_, _| ControlFlow::Continue(())).unwrap();
    let (mut actor, mut world) = (ppo.actor().unwrap(), Recall::new(Seed(99), 2));
    let returns =
        (0..200).map(|n| greedy_return(&mut actor, &mut world, &mut { encode }, &mut { no_guide }, n));
    returns.sum::<f64>() / 200.0
}

#[test]
fn only_a_memory_remembers() {
    assert!(recalled(8, 1) > 0.95);
    assert!(recalled(0, 1).abs() < 0.3, "at random");
}
