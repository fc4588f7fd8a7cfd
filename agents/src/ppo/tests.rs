//! The learner as a whole.

mod driving;
mod learning;
mod privileged;
mod saving;
mod scales;
mod worlds;

use lowgear_env::Seed;

use super::*;
use crate::worlds::cartpole::CartPole;

type NoGuide<O> = fn(&O) -> Option<usize>;
type PoleSlot = EnvSlot<CartPole, fn(&[f64; 4], &mut Vec<f32>), NoGuide<[f64; 4]>>;

fn encode_pole(state: &[f64; 4], out: &mut Vec<f32>) {
    out.extend(state.map(|x| x as f32));
}

fn no_guide<O>(_: &O) -> Option<usize> {
    None
}

/// Settings for the pole: discount 0.99 and decay 0.95 per decision, no guide.
fn pole() -> PpoConfig {
    PpoConfig {
        gamma_per_s: 0.99_f64.powi(50),
        lambda_per_s: 0.95_f64.powi(50),
        num_envs: 4,
        n_steps: 1024,
        epochs: 10,
        batch: 64,
        entropy_weight: Schedule::constant(0.0),
        learning_rate: Schedule::linear(1e-3, 0.0, 40_000),
        target_kl: None,
        normalise_observations: false,
        normalise_returns: false,
        guide_bias: 0.0,
        ..PpoConfig::default()
    }
}

fn poles(count: usize, seed: u64) -> Vec<PoleSlot> {
    let env_slot = EnvSlot {
        world: CartPole::new(Seed(seed)),
        encode: encode_pole as fn(&[f64; 4], &mut Vec<f32>),
        guide: no_guide as NoGuide<[f64; 4]>,
    };
    vec![env_slot; count]
}
