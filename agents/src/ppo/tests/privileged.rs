//! A value that sees more than the policy, and a penalty on leaving the guide.

use std::ops::ControlFlow;

use lowgear_env::{End, Step, Stream, World};
use rand::RngExt;

use super::*;

/// Each episode has a hidden sign, which nobody sees but the value. A decision earns the sign, and one more for action 1.
#[derive(Clone)]
struct HiddenSign {
    sign: f64,
    left: u32,
}

impl World for HiddenSign {
    type Observation = ();

    fn actions(&self) -> usize {
        2
    }

    fn reset(&mut self, episode: u64) {
        let mut rng = Seed(5).stream(Stream::Course, episode);
        *self = HiddenSign { sign: if rng.random_bool(0.5) { 1.0 } else { -1.0 }, left: 10 };
    }

    fn observation(&self) -> &() {
        &()
    }

    fn allowed(&self, _: usize) -> bool {
        true
    }

    fn privileged(&self, out: &mut Vec<f32>) {
        out.extend([self.sign as f32, self.left as f32 / 10.0]);
    }

    fn step(&mut self, action: usize) -> Step {
        self.left -= 1;
        let end = (self.left == 0).then_some(End::Terminated);
        Step { reward: self.sign + action as f64, elapsed_s: 1.0, end }
    }
}

fn config() -> PpoConfig {
    PpoConfig {
        hidden: vec![8],
        gamma_per_s: 1.0,
        lambda_per_s: 1.0,
        n_steps: 400,
        learning_rate: Schedule::constant(3e-3),
        normalise_observations: true,
        normalise_returns: true,
        ..pole()
    }
}

fn learn(config: &PpoConfig, privileged: usize, guide: NoGuide<()>) -> (Ppo, f32) {
    let encode = |(): &(), out: &mut Vec<f32>| out.push(1.0);
    let world = HiddenSign { sign: 0.0, left: 0 };
    let mut slots = vec![EnvSlot { world, encode, guide }; 4];
    let mut ppo = Ppo::with_privileged(config.clone(), 1, privileged, 2, Seed(3)).unwrap();
    let mut loss = 0.0;
    train(&mut ppo, &mut slots, 8000, |_, iteration| {
        loss = iteration.learned.value_loss;
        ControlFlow::Continue(())
    })
    .unwrap();
    (ppo, loss)
}

#[test]
fn a_value_that_sees_the_hidden_sign_errs_less_and_the_policy_has_no_such_input() {
    let (blind, blind_loss) = learn(&config(), 0, no_guide);
    let (seeing, loss) = learn(&config(), 2, no_guide);
    assert!(loss < 0.3 * blind_loss, "{loss} against {blind_loss}");
    assert_eq!(blind.actor().unwrap().network().shape().inputs, 1);
    let mut both = seeing.actor().unwrap();
    assert_eq!(both.network().shape().inputs, 1);
    assert!(both.probabilities(&[1.0], Mask::all(2), None)[1] > 0.7, "the better action was found");
    let inner = seeing.trainer.network(0);
    let mut scratch = Default::default();
    let logits = |hidden: [f32; 2], scratch: &mut _| {
        let mut input = vec![1.0, hidden[0], hidden[1]];
        seeing.state.normaliser.apply(&mut input);
        inner.values(&input, scratch).to_vec()
    };
    assert_eq!(logits([1.0, 1.0], &mut scratch), logits([-1.0, 0.1], &mut scratch));
    let p = both.probabilities(&[1.0], Mask::all(2), None).to_vec();
    let [a, b] = logits([0.0, 0.0], &mut scratch)[..] else { panic!("two logits") };
    assert!((p[1] - 1.0 / (1.0 + (a - b).exp())).abs() < 1e-5, "the policy at work is the one that learned");
}

#[test]
fn a_learner_with_a_privileged_value_goes_on_bit_for_bit() {
    let saved = learn(&config(), 2, no_guide).0.save_state().unwrap();
    let mut again = Ppo::load_state(&config(), &saved).unwrap();
    assert_eq!(again.privileged(), 2);
    let world = HiddenSign { sign: 0.0, left: 0 };
    let encode = |(): &(), out: &mut Vec<f32>| out.push(1.0);
    let mut slots = vec![EnvSlot { world, encode, guide: no_guide as NoGuide<()> }; 4];
    train(&mut again, &mut slots, 9000, |_, _| ControlFlow::Continue(())).unwrap();
    let blind = crate::neural::Network::weights_of_last_inputs(again.trainer.network(0).shape(), 2);
    assert!(again.trainer.network(0).weights()[blind].iter().all(|&w| w == 0.0), "still blind");
}

#[test]
fn the_penalty_keeps_the_policy_with_its_guide() {
    let guide = (|_: &()| Some(0)) as NoGuide<()>;
    let leaves = |guide_penalty: f32| {
        let config = PpoConfig { guide_bias: 1.0, guide_penalty, ..config() };
        let mut actor = learn(&config, 0, guide).0.actor().unwrap();
        actor.probabilities(&[1.0], Mask::all(2), Some(0))[1]
    };
    let (free, kept) = (leaves(0.0), leaves(10.0));
    assert!(free > 0.6, "it pays to leave the guide: {free}");
    assert!(kept < 0.7 * free, "{kept} with a penalty, {free} without");
}
