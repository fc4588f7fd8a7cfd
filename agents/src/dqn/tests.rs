//! The learner as a whole.

use std::{ops::ControlFlow, sync::Arc};

use lowgear_env::{Seed, Step, World};
use lowgear_onboard::{Feature, Features, Request};

use super::*;
use crate::policy::Policy;
use crate::worlds::{
    cartpole::CartPole,
    finite::problems,
    solve::{self, SOLVED},
};

/// Position and speed over about their range in a good episode.
fn encode(state: &[f64; 4], out: &mut Vec<f32>) {
    out.extend(state.iter().zip([1.0, 1.0, 5.0, 1.0]).map(|(x, scale)| (x * scale) as f32));
}

fn no_guide(_: &[f64; 4]) -> Option<usize> {
    None
}

/// Pushes to where the pole falls: holds it for about 200 decisions.
fn chaser(state: &[f64; 4]) -> Option<usize> {
    Some(usize::from(state[2] + state[3] > 0.0))
}

/// Settings for the pole: 0.99 per decision.
fn pole() -> DqnConfig {
    DqnConfig {
        gamma_per_s: 0.99_f64.powi(50),
        reward_scale: 0.1,
        warm_up: 500,
        learn_every: 1,
        learning_rate: Schedule::linear(1e-3, 1e-5, 20_000),
        target: TargetUpdate::Soft { tau: 0.01 },
        epsilon: Schedule::linear(1.0, 0.02, 4000),
        guide: Schedule::constant(0.0),
        guide_weight: Schedule::constant(0.0),
        ..DqnConfig::default()
    }
}

fn trained(config: &DqnConfig, seed: u64, decisions: u64) -> Dqn {
    let mut dqn = Dqn::new(config.clone(), 4, 2, Seed(seed)).unwrap();
    let mut world = CartPole::new(Seed(seed));
    train(&mut dqn, &mut world, &mut encode, &mut no_guide, decisions, |_, _| ControlFlow::Continue(()))
        .unwrap();
    dqn
}

fn mean_greedy_return(network: &Network, episodes: u64) -> f64 {
    let mut world = CartPole::new(Seed(1 << 40));
    let returns = (0..episodes).map(|e| greedy_return(network, &mut world, &mut encode, e));
    returns.sum::<f64>() / episodes as f64
}

#[test]
fn learns_to_balance_the_pole() {
    let mut dqn = Dqn::new(pole(), 4, 2, Seed(0)).unwrap();
    let mut world = CartPole::new(Seed(0));
    let mut next = 1000;
    assert!(mean_greedy_return(dqn.target(), 50) < 100.0);
    train(&mut dqn, &mut world, &mut encode, &mut no_guide, 12_000, |dqn, _| {
        let due = dqn.decisions() >= next;
        next += if due { 1000 } else { 0 };
        let good = due && mean_greedy_return(dqn.target(), 20) >= 400.0;
        if good { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })
    .unwrap();
    // 195 is the reward threshold of the older, 200-decision version; other starts than those above.
    let mut world = CartPole::new(Seed(77));
    let returns = (0..50).map(|e| greedy_return(dqn.target(), &mut world, &mut encode, e));
    let mean = returns.sum::<f64>() / 50.0;
    assert!(mean >= 195.0, "{mean} after {} decisions", dqn.decisions());
}

#[test]
fn a_learner_read_back_goes_on_bit_for_bit() {
    let variants = [
        (TargetUpdate::Soft { tau: 0.01 }, None),
        (TargetUpdate::Hard { every: 30 }, None),
        (TargetUpdate::Soft { tau: 0.01 }, Some(Priority::default())),
    ];
    for (target, priority) in variants {
        // A small memory that has wrapped round, and a stop in the middle of an episode.
        let config = DqnConfig {
            replay_capacity: 150,
            warm_up: 100,
            guide_weight: Schedule::constant(0.5),
            target,
            priority,
            ..pole()
        };
        let mut world = CartPole::new(Seed(5));
        let mut dqn = Dqn::new(config.clone(), 4, 2, Seed(5)).unwrap();
        let live = |dqn: &mut Dqn, world: &mut CartPole, decisions: u64| {
            let mut input = Vec::new();
            for _ in 0..decisions {
                input.clear();
                encode(world.observation(), &mut input);
                let advice = chaser(world.observation());
                let action = dqn.act(&input, Mask::all(2), advice).unwrap();
                let step = world.step(action);
                input.clear();
                encode(world.observation(), &mut input);
                dqn.observe(&step, &input, Mask::all(2)).unwrap();
                if step.end.is_some() {
                    world.reset(dqn.episodes());
                }
            }
        };
        live(&mut dqn, &mut world, 333);
        let saved = dqn.save_state().unwrap();
        let mut world_again = world.clone();
        live(&mut dqn, &mut world, 200);
        let mut again = Dqn::load_state(&config, &saved).unwrap();
        assert_eq!(again.save_state().unwrap(), saved);
        live(&mut again, &mut world_again, 200);
        assert!(dqn.learn_steps() > 400);
        assert_eq!(again.save_state().unwrap(), dqn.save_state().unwrap());
    }
}

#[test]
fn damaged_or_foreign_states_are_refused() {
    let dqn = trained(&pole(), 1, 300);
    let bytes = dqn.save_state().unwrap();
    let refused = |config: &DqnConfig, bytes: &[u8]| Dqn::load_state(config, bytes).unwrap_err();
    assert_eq!(refused(&pole(), &bytes[..bytes.len() - 1]), NeuralError::State("damaged or cut short"));
    assert_eq!(refused(&pole(), b"other"), NeuralError::State("other kind or version"));
    assert_eq!(
        refused(&pole(), &[&bytes[..], &[0]].concat()),
        NeuralError::State("longer than it should be")
    );
    let other = DqnConfig { n_step: 2, ..pole() };
    assert_eq!(refused(&other, &bytes), NeuralError::State("made with other settings"));
}

#[test]
fn the_number_of_threads_changes_nothing() {
    // The wide network's products are large enough for the tensor library to split them over threads.
    let wide = DqnConfig { hidden: vec![256, 256], batch: 256, ..pole() };
    for (config, decisions) in [(pole(), 700), (wide, 530)] {
        let run = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| trained(&config, 4, decisions).save_state().unwrap())
        };
        let one = run(1);
        assert_eq!(one, run(2));
        assert_eq!(one, run(5));
    }
}

#[test]
fn the_seed_decides() {
    let bytes = |seed| trained(&pole(), seed, 600).save_state().unwrap();
    assert_eq!(bytes(1), bytes(1));
    assert_ne!(bytes(1), bytes(2));
}

#[test]
fn the_guide_is_followed_and_imitated() {
    let config = DqnConfig {
        epsilon: Schedule::constant(0.0),
        guide: Schedule::constant(1.0),
        guide_weight: Schedule::constant(10.0),
        guide_margin: 0.1,
        warm_up: 100,
        ..pole()
    };
    let mut dqn = Dqn::new(config, 4, 2, Seed(1)).unwrap();
    let mut world = CartPole::new(Seed(1));
    let mut returns = Vec::new();
    train(&mut dqn, &mut world, &mut encode, &mut chaser, 1500, |_, episode| {
        returns.push(episode.sum_of_rewards);
        ControlFlow::Continue(())
    })
    .unwrap();
    assert!(returns.iter().all(|&r| r > 100.0), "{returns:?}"); // a fresh network falls after ten
    let mut agreed = 0;
    let mut scratch = Scratch::default();
    for i in 0..200 {
        let wave = |k: f64| (f64::from(i) * k).sin() * 0.1;
        let state = [wave(0.3), wave(0.7), wave(1.1), wave(1.7)];
        let mut input = Vec::new();
        encode(&state, &mut input);
        let best = Mask::all(2).best(dqn.online().values(&input, &mut scratch));
        agreed += u32::from(best == chaser(&state));
    }
    assert!(agreed >= 160, "{agreed} of 200");
}

#[test]
fn impossible_actions_are_never_taken() {
    let config = DqnConfig { epsilon: Schedule::constant(0.5), guide: Schedule::constant(0.5), ..pole() };
    let mut dqn = Dqn::new(config, 1, 3, Seed(1)).unwrap();
    let mask = Mask::from([true, false, true]);
    let mut taken = [0; 3];
    for _ in 0..300 {
        taken[dqn.act(&[0.5], mask, Some(1)).unwrap()] += 1;
    }
    assert!(taken[0] > 50 && taken[1] == 0 && taken[2] > 50, "{taken:?}");
    assert_eq!(dqn.act(&[0.5], Mask::from([false; 3]), None), Err(NeuralError::NoAction));
}

#[test]
fn what_is_not_finite_is_an_error_and_spoils_nothing() {
    let config = DqnConfig { warm_up: 0, learn_every: 1, n_step: 1, batch: 1, ..pole() };
    let mut dqn = Dqn::new(config, 1, 2, Seed(1)).unwrap();
    let step = |reward| Step { reward, elapsed_s: 0.1, end: None };
    let all = Mask::all(2);
    assert_eq!(dqn.act(&[f32::NAN], all, None), Err(NeuralError::NotFinite("observation")));
    assert_eq!(dqn.observe(&step(1.0), &[0.0], all), Err(NeuralError::NothingPending));
    dqn.act(&[0.0], all, None).unwrap();
    let before = dqn.online().weights().to_vec();
    // Finite, but beyond what an f32 can hold: the loss becomes infinite.
    let overflow = dqn.observe(&step(1e300), &[0.0], all);
    assert_eq!(overflow, Err(NeuralError::Diverged { what: "the loss", step: 0 }));
    assert_eq!(dqn.online().weights(), before);
}

#[test]
fn a_policy_read_back_decides_the_same() {
    let scaler = FeatureScaler::new(3, 2);
    let config = DqnConfig { warm_up: 0, learn_every: 1, ..pole() };
    let dqn = Dqn::new(config, scaler.inputs(), 3, Seed(8)).unwrap();
    let mut policy = DqnPolicy::new(scaler, dqn.target().clone()).unwrap();
    let bytes = postcard::to_allocvec(&policy).unwrap();
    let mut again: DqnPolicy = postcard::from_bytes(&bytes).unwrap();
    policy.reset();
    for i in 0..300_i16 {
        let mut features = Features(std::array::from_fn(|k| (i * 37 + k as i16 * 101) % 900));
        features.0[Feature::Gear as usize] = i % 3;
        let mask = Mask::from([i % 2 == 0, true, i % 3 > 0]);
        let request = policy.decide(&features, mask);
        assert!(mask.allows(request as usize));
        assert_eq!(again.decide(&features, mask), request);
    }
    assert_eq!(policy.decide(&Features::default(), [false; 3].into()), Request::Hold);
    let narrow = DqnPolicy::new(FeatureScaler::new(3, 1), dqn.target().clone());
    assert!(matches!(narrow, Err(NeuralError::Length { what: "network inputs", .. })));
}

/// Targets of several rewards lead to the optimum as those of one do: a sum goes on only along decisions that the
/// present policy would take. Uncorrected ones ended short of it with all of three seeds.
#[test]
fn targets_of_several_rewards_find_the_best_gears() {
    let table = Arc::new(problems::gears_in_equal_steps());
    let loss = solve::dqn(&table, &solve::dqn_settings(3), 25_000, 0).unwrap();
    assert!(loss <= SOLVED, "{loss}");
}

/// A loss of 100 once in a hundred is worth -1 and no less: Huber's limit must lie beyond it.
#[test]
fn a_rare_disaster_counts_in_full() {
    let table = Arc::new(problems::rare_disaster());
    let learner = solve::taught_dqn(&table, &solve::dqn_settings(1), 25_000, 0).unwrap();
    let (mut input, mut scratch, last) = (Vec::new(), Scratch::default(), 4);
    table.one_hot()(&last, &mut input);
    let values = learner.target().values(&input, &mut scratch);
    assert_eq!(table.best_q(last), [-0.5, -1.0]);
    assert!((values[0] + 0.5).abs() < 0.1 && (values[1] + 1.0).abs() < 0.45, "{values:?}");
}

#[test]
#[ignore = "a study: prints when a mean greedy return of 475 is reached first, and how well it lasts"]
fn time_to_475() {
    for seed in 0..8 {
        let start = std::time::Instant::now();
        let mut dqn = Dqn::new(pole(), 4, 2, Seed(seed)).unwrap();
        let mut world = CartPole::new(Seed(seed));
        let (mut next, mut judging, mut first, mut late) = (500, std::time::Duration::ZERO, None, Vec::new());
        train(&mut dqn, &mut world, &mut encode, &mut no_guide, 20_000, |dqn, _| {
            if dqn.decisions() >= next {
                next = dqn.decisions() + 500;
                let clock = std::time::Instant::now();
                let good = mean_greedy_return(dqn.target(), 100) >= 475.0;
                judging += clock.elapsed();
                if good {
                    first.get_or_insert_with(|| (dqn.decisions(), start.elapsed() - judging));
                }
                if dqn.decisions() > 10_000 {
                    late.push(good);
                }
            }
            ControlFlow::Continue(())
        })
        .unwrap();
        let lasting = late.iter().filter(|&&good| good).count();
        let whole = start.elapsed() - judging;
        println!("seed {seed}: first {first:?}; {lasting} of {} checks after 10 000; {whole:?}", late.len());
    }
}

#[test]
#[ignore = "a measurement: prints what a learning step and a decision cost"]
fn cost() {
    let widths = [32, 64, 128, 256].map(|width| vec![width; 2]);
    for hidden in widths {
        let config = DqnConfig { hidden: hidden.clone(), warm_up: 0, learn_every: 1, ..pole() };
        let mut dqn = Dqn::new(config, 16, 3, Seed(1)).unwrap();
        let x = [0.3; 16];
        let step = Step { reward: 1.0, elapsed_s: 0.2, end: None };
        let start = std::time::Instant::now();
        for _ in 0..1000 {
            dqn.act(&x, Mask::all(3), None).unwrap();
            dqn.observe(&step, &x, Mask::all(3)).unwrap();
        }
        let learning = start.elapsed() / 1000;
        let (mut scratch, mut sum) = (Scratch::default(), 0.0);
        let start = std::time::Instant::now();
        for _ in 0..100_000 {
            sum += dqn.online().values(std::hint::black_box(&x), &mut scratch)[0];
        }
        let act = start.elapsed() / 100_000;
        println!("{hidden:?}: learn {learning:?}, act {act:?} ({sum})");
    }
}
