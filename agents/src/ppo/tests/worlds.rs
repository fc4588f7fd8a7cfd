//! Several worlds at once.

use std::ops::ControlFlow;

use burn::tensor::Device;
use lowgear_env::Step;

use super::*;
use crate::neural::Trainer;

/// Observations that differ from world to world and from decision to decision.
fn seen(env_slot: usize, t: usize) -> [f32; 4] {
    std::array::from_fn(|k| ((env_slot * 37 + t * 11 + k * 101) % 97) as f32 / 97.0 - 0.5)
}

#[test]
fn worlds_decided_at_once_are_decided_as_one_by_one() {
    for gru_size in [0, 5] {
        let config = PpoConfig { num_envs: 9, gru_size, ..pole() };
        let mut learners = [0, 1].map(|_| Ppo::new(config.clone(), 4, 3, Seed(2)).unwrap());
        let masks = |i: usize| if i == 3 { Mask::from([true, false, true]) } else { Mask::all(3) };
        for learner in &mut learners {
            (0..9).for_each(|i| assert_eq!(learner.begin_episode(i), Ok(i as u64)));
        }
        for t in 0..30 {
            let observations: Vec<[f32; 4]> = (0..9).map(|i| seen(i, t)).collect();
            let [at_once, one_by_one] = &mut learners;
            let view = |i: usize| View {
                env_slot: i,
                observation: &observations[i],
                mask: masks(i),
                guide: Some(1),
            };
            let views: Vec<View<'_>> = (0..9).map(view).collect();
            let actions = at_once.act_all(&views).unwrap();
            for (i, &action) in actions.iter().enumerate() {
                assert_eq!(one_by_one.act(i, &observations[i], masks(i), Some(1)), Ok(action));
                let step = Step { reward: 1.0, elapsed_s: 0.2, end: None };
                for learner in [&mut *at_once, one_by_one] {
                    learner.observe(i, &step, &seen(i, t + 1)).unwrap();
                }
            }
        }
        let [a, b] = learners.map(|learner| learner.state.env_slots);
        for (a, b) in a.iter().zip(&b) {
            let pairs = a.trajectory.transitions.iter().zip(&b.trajectory.transitions);
            assert!(pairs.into_iter().all(|(a, b)| (a.value - b.value).abs() < 1e-5));
            let memories = a.memories.iter().flatten().zip(b.memories.iter().flatten());
            assert!(memories.into_iter().all(|(a, b)| (a - b).abs() < 1e-5));
            assert_eq!(a.trajectory.sequences.len(), b.trajectory.sequences.len());
        }
    }
}

#[test]
fn a_world_is_asked_once_at_a_time() {
    let mut ppo = Ppo::new(PpoConfig { num_envs: 2, ..pole() }, 4, 2, Seed(1)).unwrap();
    let observation = [0.0; 4];
    let view = |env_slot| View { env_slot, observation: &observation, mask: Mask::all(2), guide: None };
    assert!(ppo.act_all(&[view(1), view(0)]).is_err() && ppo.act_all(&[view(0), view(0)]).is_err());
    assert!(ppo.act_all(&[view(0), view(2)]).is_err());
    assert_eq!(ppo.act_all(&[]), Ok(vec![]));
    assert_eq!(ppo.act_all(&[view(0), view(1)]).unwrap().len(), 2);
}

/// So many worlds that they move on several threads, and batches that are learned from in blocks.
#[test]
fn the_number_of_threads_changes_nothing() {
    let count = MANY_WORLDS + 8;
    let config = PpoConfig { num_envs: count, n_steps: 2400, batch: 1200, epochs: 2, ..pole() };
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            let mut ppo = Ppo::new(config.clone(), 4, 2, Seed(6)).unwrap();
            train(&mut ppo, &mut poles(count, 6), 6000, |_, _| ControlFlow::Continue(())).unwrap();
            assert!(ppo.learn_steps() >= 8);
            ppo.save_state().unwrap()
        })
    };
    let one = run(1);
    assert_eq!(one, run(2));
    assert_eq!(one, run(5));
}

/// Has a learner learn on a device that is none of loops of ours: one that computes activations again instead of keeping
/// them.
fn sent_away(ppo: &mut Ppo) {
    let networks = [0, 1].map(|number| ppo.trainer.network(number).clone());
    let device = Device::flex().autodiff().gradient_checkpointing();
    let PpoConfig { adam_epsilon, max_gradient_norm, .. } = *ppo.config();
    ppo.trainer = Trainer::new(&networks, adam_epsilon, max_gradient_norm, &device);
}

#[test]
fn many_worlds_are_decided_on_another_device_as_on_the_cpu() {
    const WORLDS: usize = 300;
    let config = PpoConfig { num_envs: WORLDS, ..pole() };
    let mut learners = [0, 1].map(|_| Ppo::new(config.clone(), 4, 3, Seed(2)).unwrap());
    sent_away(&mut learners[1]);
    assert!(learners[1].trainer.is_remote() && !learners[0].trainer.is_remote());
    // All at once, then fewer than the device is given, then so few that they stay here.
    for count in [WORLDS, 260, 20] {
        let observations: Vec<[f32; 4]> = (0..WORLDS).map(|i| seen(i, count)).collect();
        let view =
            |i: usize| View { env_slot: i, observation: &observations[i], mask: Mask::all(3), guide: None };
        let views: Vec<View<'_>> = (0..count).map(view).collect();
        let [here, there] = &mut learners;
        assert_eq!(here.act_all(&views).unwrap(), there.act_all(&views).unwrap());
        for (a, b) in here.state.env_slots.iter().zip(&there.state.env_slots) {
            let [a, b] = [a, b].map(|slot| slot.pending.as_ref().unwrap().transition);
            assert!((a.value - b.value).abs() < 1e-5 && (a.log_p - b.log_p).abs() < 1e-5);
        }
    }
}

#[test]
fn another_device_learns_as_the_cpu_and_gives_its_weights_back() {
    let config = PpoConfig { num_envs: 300, n_steps: 3000, batch: 600, epochs: 2, ..pole() };
    let learned = |away: bool| {
        let mut ppo = Ppo::new(config.clone(), 4, 2, Seed(6)).unwrap();
        if away {
            sent_away(&mut ppo);
        }
        train(&mut ppo, &mut poles(300, 6), 1, |_, _| ControlFlow::Continue(())).unwrap();
        assert!(ppo.learn_steps() >= 8);
        [0, 1].map(|number| ppo.trainer.network(number).weights().to_vec()).concat()
    };
    let start = Ppo::new(config.clone(), 4, 2, Seed(6)).unwrap();
    let start = [0, 1].map(|number| start.trainer.network(number).weights().to_vec()).concat();
    let [here, there] = [false, true].map(learned);
    assert!(here.iter().zip(&start).filter(|(a, b)| (*a - *b).abs() > 1e-3).count() > start.len() / 2);
    for (a, b) in here.iter().zip(&there) {
        assert!((a - b).abs() < 1e-3, "{a} {b}"); // Adam divides by small numbers
    }
}
