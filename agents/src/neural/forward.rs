//! Action values by plain loops: quicker than a tensor library for one observation at a time.

use lowgear_env::config::KeyError;
use serde::{Deserialize, Serialize};

use super::{NeuralError, Shape};

/// A network that only evaluates: sizes and weights.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "RawMlp", into = "RawMlp")]
pub struct Mlp {
    shape: Shape,
    weights: Vec<f32>,
}

/// What is written and read; checked on the way in.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawMlp {
    shape: Shape,
    weights: Vec<f32>,
}

impl TryFrom<RawMlp> for Mlp {
    type Error = NeuralError;

    fn try_from(raw: RawMlp) -> Result<Mlp, NeuralError> {
        Mlp::new(raw.shape, raw.weights)
    }
}

impl From<Mlp> for RawMlp {
    fn from(mlp: Mlp) -> RawMlp {
        RawMlp { shape: mlp.shape, weights: mlp.weights }
    }
}

impl Mlp {
    /// A network with these weights.
    ///
    /// # Errors
    /// The sizes are unusable, or the number of weights does not fit them, or a weight is not finite.
    pub fn new(shape: Shape, weights: Vec<f32>) -> Result<Mlp, NeuralError> {
        if !shape.is_valid() {
            let allowed = "widths of 1 to 4096, 1 to 32 actions";
            return Err(KeyError::new("shape", format!("{shape:?}"), allowed).into());
        }
        check_length("weights", weights.len(), shape.len())?;
        if !weights.iter().all(|w| w.is_finite()) {
            return Err(NeuralError::NotFinite("weight"));
        }
        Ok(Mlp { shape, weights })
    }

    /// Sizes.
    #[must_use]
    pub const fn shape(&self) -> &Shape {
        &self.shape
    }

    /// Weights, in the order that [`Shape`] tells.
    #[must_use]
    pub fn weights(&self) -> &[f32] {
        &self.weights
    }

    pub(crate) fn weights_mut(&mut self) -> &mut [f32] {
        &mut self.weights
    }

    /// The value of each action. Missing inputs count as 0, further ones are ignored.
    pub fn values<'s>(&self, observation: &[f32], scratch: &'s mut Scratch) -> &'s [f32] {
        let Scratch { x, y } = scratch;
        x.clear();
        x.extend_from_slice(observation);
        x.resize(self.shape.inputs, 0.0);
        let last = self.shape.hidden.len();
        for (i, layer) in self.shape.layers().enumerate() {
            y.resize(layer.outputs, 0.0);
            affine(x, layer.weights(&self.weights), layer.bias(&self.weights), y);
            if i < last {
                y.iter_mut().for_each(|v| *v = v.max(0.0));
            }
            std::mem::swap(x, y);
        }
        if self.shape.dueling {
            join_value_and_advantages(x, y);
            std::mem::swap(x, y);
        }
        x
    }
}

/// Working memory of [`Mlp::values`] and [`super::Network::run`].
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    pub(crate) x: Vec<f32>,
    pub(crate) y: Vec<f32>,
}

/// `y = x W + b`; `W` has shape `[x.len(), y.len()]`.
pub(crate) fn affine(x: &[f32], w: &[f32], b: &[f32], y: &mut [f32]) {
    let done = affine_blocks::<32>(x, w, b, y, 0);
    let done = affine_blocks::<4>(x, w, b, y, done);
    affine_blocks::<1>(x, w, b, y, done);
}

/// Columns from `done` on, in blocks whose sums stay in registers while the inputs pass by.
fn affine_blocks<const N: usize>(x: &[f32], w: &[f32], b: &[f32], y: &mut [f32], mut done: usize) -> usize {
    let outputs = y.len();
    while done + N <= outputs {
        let columns = done..done + N;
        let mut sums = [0.0; N];
        sums.copy_from_slice(&b[columns.clone()]);
        for (xi, row) in x.iter().zip(w.chunks_exact(outputs)) {
            for (sum, wij) in sums.iter_mut().zip(&row[columns.clone()]) {
                *sum += xi * wij;
            }
        }
        y[columns].copy_from_slice(&sums);
        done += N;
    }
    done
}

/// `Q(s, a) = V(s) + A(s, a) - mean_a' A(s, a')`, equation 9 of Wang et al. 2016, "Dueling network
/// architectures for deep reinforcement learning", ICML. `V` stands in front.
fn join_value_and_advantages(outputs: &[f32], values: &mut Vec<f32>) {
    values.clear();
    if let Some((value, advantages)) = outputs.split_first() {
        let mean = advantages.iter().sum::<f32>() / advantages.len() as f32;
        values.extend(advantages.iter().map(|a| a + (value - mean)));
    }
}

/// The same for every row of the last layer's outputs.
pub(crate) fn combine_dueling(outputs: &[f32], actions: usize) -> Vec<f32> {
    let (mut combined, mut row) = (Vec::with_capacity(outputs.len()), Vec::new());
    for outputs in outputs.chunks_exact(actions + 1) {
        join_value_and_advantages(outputs, &mut row);
        combined.extend_from_slice(&row);
    }
    combined
}

pub(crate) const fn check_length(what: &'static str, got: usize, want: usize) -> Result<(), NeuralError> {
    if got == want { Ok(()) } else { Err(NeuralError::Length { what, got, want }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_small_network_by_hand() {
        let shape = Shape { inputs: 2, hidden: vec![2], actions: 1, dueling: false };
        // W1 = [[1, -1], [2, 0.5]], b1 = [0.5, -4]; W2 = [[3], [7]], b2 = [-1].
        let mlp = Mlp::new(shape, vec![1.0, -1.0, 2.0, 0.5, 0.5, -4.0, 3.0, 7.0, -1.0]).unwrap();
        // x = [1, 2]: hidden = relu([5.5, -4]) = [5.5, 0]; 3 * 5.5 - 1 = 15.5.
        assert_eq!(mlp.values(&[1.0, 2.0], &mut Scratch::default()), [15.5]);
    }

    #[test]
    fn dueling_outputs_by_hand() {
        let mut values = Vec::new();
        join_value_and_advantages(&[10.0, 1.0, 2.0, 6.0], &mut values);
        assert_eq!(values, [8.0, 9.0, 13.0]);
    }

    #[test]
    fn weights_that_do_not_fit_are_refused() {
        let shape = Shape { inputs: 2, hidden: vec![2], actions: 1, dueling: false };
        let short = Mlp::new(shape.clone(), vec![0.0; 3]);
        assert_eq!(short.unwrap_err(), NeuralError::Length { what: "weights", got: 3, want: 9 });
        assert_eq!(Mlp::new(shape, vec![f32::NAN; 9]).unwrap_err(), NeuralError::NotFinite("weight"));
    }
}
