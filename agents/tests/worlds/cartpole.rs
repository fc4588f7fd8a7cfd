//! A pole hinged on a cart, to be kept upright: Barto, Sutton, Anderson 1983, "Neuronlike adaptive elements
//! that can solve difficult learning control problems", IEEE Transactions on Systems, Man, and Cybernetics
//! 13, with the constants, the Euler step and the limits of Gymnasium's CartPole-v1.
//!
//! Observation: cart position (m), its velocity (m/s), pole angle (rad), its velocity (rad/s). Actions: push
//! to the left (0) or right (1) with 10 N. Reward: 1 per decision. Start: each number uniform within ±0.05.
//! Ends beyond 2.4 m or 12° (terminated), or after 500 decisions (truncated).

use lowgear_env::{End, Seed, Step, Stream, World};
use rand::RngExt;

const GRAVITY_M_S2: f64 = 9.8;
const CART_KG: f64 = 1.0;
const POLE_KG: f64 = 0.1;
const HALF_POLE_M: f64 = 0.5;
const PUSH_N: f64 = 10.0;
const STEP_S: f64 = 0.02;
const LIMIT_M: f64 = 2.4;
const LIMIT_RAD: f64 = 12.0 * std::f64::consts::PI / 180.0;
const LIMIT_DECISIONS: u32 = 500;

/// The pole on the cart.
#[derive(Clone, Debug)]
pub struct CartPole {
    seed: Seed,
    state: [f64; 4],
    decisions: u32,
}

impl CartPole {
    /// A world whose episodes start from draws of this seed.
    #[must_use]
    pub fn new(seed: Seed) -> CartPole {
        let mut world = CartPole { seed, state: [0.0; 4], decisions: 0 };
        world.reset(0);
        world
    }
}

impl World for CartPole {
    type Observation = [f64; 4];

    fn actions(&self) -> usize {
        2
    }

    fn reset(&mut self, episode: u64) {
        let mut rng = self.seed.stream(Stream::Course, episode);
        self.state = [(); 4].map(|()| rng.random_range(-0.05..0.05));
        self.decisions = 0;
    }

    fn observation(&self) -> &[f64; 4] {
        &self.state
    }

    fn allowed(&self, action: usize) -> bool {
        action < 2
    }

    fn step(&mut self, action: usize) -> Step {
        self.state = moved(self.state, if action == 1 { PUSH_N } else { -PUSH_N });
        self.decisions += 1;
        let [x, _, angle, _] = self.state;
        let end = if x.abs() > LIMIT_M || angle.abs() > LIMIT_RAD {
            Some(End::Terminated)
        } else {
            (self.decisions >= LIMIT_DECISIONS).then_some(End::Truncated)
        };
        Step { reward: 1.0, elapsed_s: STEP_S, end }
    }
}

/// One Euler step of the frictionless equations of motion.
fn moved([x, speed, angle, turn]: [f64; 4], force_n: f64) -> [f64; 4] {
    let (sin, cos) = angle.sin_cos();
    let mass_kg = CART_KG + POLE_KG;
    let pole_kg_m = POLE_KG * HALF_POLE_M;
    let pull = (force_n + pole_kg_m * turn * turn * sin) / mass_kg;
    let turn_rate =
        (GRAVITY_M_S2 * sin - cos * pull) / (HALF_POLE_M * (4.0 / 3.0 - POLE_KG * cos * cos / mass_kg));
    let speed_rate = pull - pole_kg_m * turn_rate * cos / mass_kg;
    [x + STEP_S * speed, speed + STEP_S * speed_rate, angle + STEP_S * turn, turn + STEP_S * turn_rate]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten steps of Gymnasium 1.2.3, CartPole-v1, from a given start (reinforcement_learning.json,
    /// `cartpole_v1_trajectory`).
    #[test]
    fn ten_steps_equal_the_reference() {
        let actions = [1, 0, 1, 1, 0, 0, 1, 0, 1, 0];
        let states = [
            [0.009600000000000001, 0.17467919574755525, 0.030799999999999998, -0.2430687179600081],
            [0.013093583914951107, -0.020868848948191993, 0.025938625640799837, 0.0591679999394166],
            [0.012676206935987267, 0.1738717748734813, 0.02712198563958817, -0.22521957255967326],
            [0.016153642433456895, 0.36859581150093934, 0.022617594188394704, -0.509225318312219],
            [0.023525558663475683, 0.17316263692575581, 0.012433087822150324, -0.20950152868114708],
            [0.0269888114019908, -0.02213486334940068, 0.008243057248527383, 0.0870773136085351],
            [0.026546114135002786, 0.17286796720471084, 0.009984603520698085, -0.20299356335440677],
            [0.030003473479097, -0.022395342623891756, 0.00592473225360995, 0.09282222648365457],
            [0.029555566626619165, 0.17264119011507909, 0.007781176783283042, -0.19798557685246437],
            [0.033008390428920745, -0.022591187585420697, 0.0038214652462337543, 0.09714176712333428],
        ];
        let mut world = CartPole::new(Seed(0));
        world.state = [0.01, -0.02, 0.03, 0.04];
        for (action, expected) in actions.into_iter().zip(states) {
            world.step(action);
            for (a, b) in world.state.iter().zip(expected) {
                assert!((a - b).abs() < 1e-15, "{a} {b}");
            }
        }
    }

    /// 22.17265 with a standard error of 0.084 over 20 000 episodes of Gymnasium 1.2.3
    /// (reinforcement_learning.json, `mc_cartpole_v1_random_policy_return`).
    #[test]
    fn random_pushes_last_as_long_as_in_the_reference() {
        let mut world = CartPole::new(Seed(3));
        let mut rng = Seed(3).stream(Stream::Explore, 0);
        let episodes = 4000;
        let mut sum = 0.0;
        for episode in 0..episodes {
            world.reset(episode);
            loop {
                let step = world.step(rng.random_range(0..2_u32) as usize);
                sum += step.reward;
                if step.end.is_some() {
                    break;
                }
            }
        }
        let mean = sum / episodes as f64;
        assert!((mean - 22.17).abs() < 0.9, "{mean}"); // 4.5 standard errors of this test
    }
}
