//! A learner on a GPU against the same one on the CPU: `sh tests/cuda.sh` on a machine that has one.
#![cfg(feature = "cuda")]
#![expect(clippy::unwrap_used, reason = "a learner that cannot be made has failed")]

use lowgear_agents::ppo::{LearningDevice, Mask, Ppo, PpoConfig, View};
use lowgear_env::{Seed, Step};

const WORLDS: usize = 300;

/// Observations that differ from world to world and from decision to decision.
fn seen(world: usize, t: usize) -> [f32; 4] {
    std::array::from_fn(|k| ((world * 37 + t * 11 + k * 101) % 97) as f32 / 97.0 - 0.5)
}

/// A learner after its first update, and the actions that it drew before.
fn learned(device: LearningDevice) -> (Ppo, Vec<usize>) {
    let config = PpoConfig {
        num_envs: WORLDS,
        batch: 600,
        epochs: 4,
        target_kl: None,
        guide_bias: 0.0,
        device,
        ..PpoConfig::default()
    };
    let mut ppo = Ppo::new(config, 4, 3, Seed(2)).unwrap();
    let actions = decide(&mut ppo);
    assert!(ppo.update().unwrap().steps >= 20);
    (ppo, actions)
}

/// Ten decisions in each world.
fn decide(ppo: &mut Ppo) -> Vec<usize> {
    (0..WORLDS).for_each(|world| assert!(ppo.begin_episode(world).is_ok()));
    let mut actions = Vec::new();
    for t in 0..10 {
        let all: Vec<[f32; 4]> = (0..WORLDS).map(|world| seen(world, t)).collect();
        let view = |(env_slot, observation)| View { env_slot, observation, mask: Mask::all(3), guide: None };
        let views: Vec<View<'_>> = all.iter().map(<[f32; 4]>::as_slice).enumerate().map(view).collect();
        let drawn = ppo.act_all(&views).unwrap();
        for (world, &action) in drawn.iter().enumerate() {
            let step = Step { reward: action as f64, elapsed_s: 0.2, end: None };
            ppo.observe(world, &step, &seen(world, t + 1)).unwrap();
        }
        actions.extend(drawn);
    }
    actions
}

#[test]
fn a_gpu_decides_and_learns_as_the_cpu() {
    let [(mut here, drawn_here), (mut there, drawn_there)] =
        [LearningDevice::Cpu, LearningDevice::Cuda].map(learned);
    let differ = drawn_here.iter().zip(&drawn_there).filter(|(a, b)| a != b).count();
    // A probability next to the drawn point may fall to the other side of it.
    assert!(differ <= 3, "{differ} of {} actions differ", drawn_here.len());
    let [mut actor_here, mut actor_there] = [&here, &there].map(|ppo| ppo.actor().unwrap());
    let (mut apart, mut values_apart) = (0.0_f32, 0.0_f64);
    for world in 0..WORLDS {
        let observation = seen(world, 20);
        let p = actor_here.probabilities(&observation, Mask::all(3), None).to_vec();
        let q = actor_there.probabilities(&observation, Mask::all(3), None);
        apart = p.iter().zip(q).fold(apart, |most, (p, q)| most.max((p - q).abs()));
        values_apart = values_apart.max((here.value(&observation) - there.value(&observation)).abs());
    }
    println!("{differ} actions differ, probabilities by {apart}, values by {values_apart}");
    assert!(apart < 0.02 && values_apart < 0.05, "{apart} {values_apart}");
}

#[test]
fn a_learner_is_read_back_where_it_learned() {
    for device in [LearningDevice::Cpu, LearningDevice::Cuda] {
        let (ppo, _) = learned(device);
        let bytes = ppo.save_state().unwrap();
        let mut again = Ppo::load_state(ppo.config(), &bytes).unwrap();
        assert!(again.save_state().unwrap() == bytes, "{device:?}");
        decide(&mut again);
        again.update().unwrap();
    }
}
