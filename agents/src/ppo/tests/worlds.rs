//! Several worlds at once.

use std::ops::ControlFlow;

use lowgear_env::Step;

use super::*;

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
