//! Gradient descent: Adam (Kingma, Ba 2015, "Adam: a method for stochastic optimization", ICLR), and
//! shortening of long gradients.

use serde::{Deserialize, Serialize};

/// Shortens a vector to a Euclidean length (Pascanu, Mikolov, Bengio 2013, "On the difficulty of training
/// recurrent neural networks", ICML); returns its old length.
pub fn clip_norm(gradient: &mut [f32], longest: f32) -> f32 {
    clip_norm_of(&mut [gradient], longest)
}

/// The same for a vector in several parts.
pub(crate) fn clip_norm_of<V: AsMut<[f32]> + AsRef<[f32]>>(parts: &mut [V], longest: f32) -> f32 {
    let squares = parts.iter().flat_map(|part| part.as_ref()).map(|&g| f64::from(g) * f64::from(g));
    let length = squares.sum::<f64>().sqrt() as f32;
    if length > longest {
        let scale = longest / length;
        parts.iter_mut().flat_map(|part| part.as_mut()).for_each(|g| *g *= scale);
    }
    length
}

/// Adam over a flat vector of weights, `beta_1 = 0.9`, `beta_2 = 0.999`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Adam {
    mean: Vec<f32>,
    square: Vec<f32>,
    steps: u64,
}

impl Adam {
    /// At rest, for so many weights.
    #[must_use]
    pub fn new(weights: usize) -> Adam {
        Adam { mean: vec![0.0; weights], square: vec![0.0; weights], steps: 0 }
    }

    pub(crate) fn fits(&self, weights: usize) -> bool {
        self.mean.len() == weights && self.square.len() == weights
    }

    /// `m = b1 m + (1 - b1) g`, `v = b2 v + (1 - b2) g^2`,
    /// `w -= rate (m / (1 - b1^t)) / (sqrt(v / (1 - b2^t)) + epsilon)`.
    pub fn step(&mut self, weights: &mut [f32], gradient: &[f32], rate: f32, epsilon: f32) {
        const BETA_1: f32 = 0.9;
        const BETA_2: f32 = 0.999;
        self.steps += 1;
        let steps = self.steps.min(1_000_000) as i32;
        let mean_scale = rate / (1.0 - f64::from(BETA_1).powi(steps)) as f32;
        let square_scale = 1.0 / (1.0 - f64::from(BETA_2).powi(steps)) as f32;
        let moments = self.mean.iter_mut().zip(&mut self.square);
        for ((w, g), (m, v)) in weights.iter_mut().zip(gradient).zip(moments) {
            *m = BETA_1 * *m + (1.0 - BETA_1) * g;
            *v = BETA_2 * *v + (1.0 - BETA_2) * g * g;
            *w -= mean_scale * *m / ((*v * square_scale).sqrt() + epsilon);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f32, b: f32) -> bool {
        (a - b).abs() < 1e-6
    }

    #[test]
    fn clipping_by_hand() {
        let mut g = [3.0, 4.0];
        assert_eq!(clip_norm(&mut g, 1.0), 5.0);
        assert!(close(g[0], 0.6) && close(g[1], 0.8));
        assert_eq!(clip_norm(&mut [0.3, 0.4], 1.0), 0.5);
        assert!(clip_norm(&mut [f32::NAN], 1.0).is_nan());
    }

    #[test]
    fn adam_by_hand() {
        // The first step is rate * sign(g) as epsilon vanishes. Second, g = [1, 0]: m = [0.19, -0.18],
        // v = [0.001999, 0.003996]; divided by 0.19 and 0.001999: m^ = [1, -18/19],
        // sqrt(v^) = [1, sqrt(3996/1999)].
        let mut adam = Adam::new(2);
        let mut w = [0.0, 0.0];
        adam.step(&mut w, &[1.0, -2.0], 0.1, 1e-12);
        assert!(close(w[0], -0.1) && close(w[1], 0.1));
        adam.step(&mut w, &[1.0, 0.0], 0.1, 1e-12);
        let second = 0.1 * (18.0 / 19.0) / (3996.0_f32 / 1999.0).sqrt();
        assert!(close(w[0], -0.2) && close(w[1], 0.1 + second), "{w:?}");
    }
}
