//! A network at work: one observation at a time through plain loops, quicker than a tensor library for so little.

use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::{
    Activation, NetworkShape, NeuralError, check_length,
    matrix::Weights,
    recurrent,
    shape::{Layer, LayerOffsets},
};

/// A network that only evaluates: dense layers, a gated recurrent unit if there is a memory, a linear last layer.
/// Copies share their weights.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "RawNetwork", into = "RawNetwork")]
pub struct Network {
    shape: NetworkShape,
    weights: Weights,
}

/// What is written and read; checked on the way in.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawNetwork {
    shape: NetworkShape,
    weights: Vec<f32>,
}

impl TryFrom<RawNetwork> for Network {
    type Error = NeuralError;

    fn try_from(raw: RawNetwork) -> Result<Network, NeuralError> {
        Network::new(raw.shape, raw.weights)
    }
}

impl From<Network> for RawNetwork {
    fn from(network: Network) -> RawNetwork {
        RawNetwork { weights: network.weights().to_vec(), shape: network.shape }
    }
}

impl Network {
    /// A network with these weights.
    ///
    /// # Errors
    /// The sizes are unusable, or the number of weights does not fit them, or a weight is not finite.
    pub fn new(shape: NetworkShape, weights: Vec<f32>) -> Result<Network, NeuralError> {
        shape.check()?;
        check_length("weights", weights.len(), shape.len())?;
        if !weights.iter().all(|w| w.is_finite()) {
            return Err(NeuralError::NotFinite("weight"));
        }
        Ok(Network { shape, weights: Weights::new(weights) })
    }

    /// A network of a trainer, whose weights are known to fit.
    pub(crate) const fn of(shape: NetworkShape, weights: Weights) -> Network {
        Network { shape, weights }
    }

    /// Fresh weights for a policy and its value: within [`Activation::bound`] in the hidden layers, within
    /// `sqrt(1 / width)` in the memory, within `last` times `sqrt(6 / inputs)` in the last layer; biases 0.
    pub(crate) fn fresh(
        shape: NetworkShape,
        last: f32,
        rng: &mut ChaCha8Rng,
    ) -> Result<Network, NeuralError> {
        let (offsets, activation, memory) = (shape.layer_offsets(), shape.activation, shape.gru_size);
        let bound = |layer: &Layer| {
            if *layer == offsets.last {
                last * Activation::Relu.bound(layer.inputs)
            } else if offsets.trunk.contains(layer) {
                activation.bound(layer.inputs)
            } else {
                (1.0 / memory as f32).sqrt()
            }
        };
        Network::drawn(shape, bound, rng)
    }

    /// Fresh weights, of each layer within the bound that it is given; biases 0.
    pub(crate) fn drawn(
        shape: NetworkShape,
        bound: impl Fn(&Layer) -> f32,
        rng: &mut ChaCha8Rng,
    ) -> Result<Network, NeuralError> {
        shape.check()?;
        let mut weights = Vec::with_capacity(shape.len());
        let LayerOffsets { trunk, gates, last } = shape.layer_offsets();
        for layer in trunk.iter().chain(gates.iter().flatten()).chain([&last]) {
            layer.draw(bound(layer), rng, &mut weights);
        }
        Network::new(shape, weights)
    }

    /// The weights by which the last `hidden` inputs enter the first layer, which come one after the other.
    pub(crate) fn weights_of_last_inputs(shape: &NetworkShape, hidden: usize) -> std::ops::Range<usize> {
        let LayerOffsets { trunk, gates, last } = shape.layer_offsets();
        let first = trunk.first().or(gates.as_ref().map(|gates| &gates[0])).unwrap_or(&last);
        (first.inputs - hidden.min(first.inputs)) * first.outputs..first.inputs * first.outputs
    }

    /// The same without its last `hidden` inputs.
    pub(crate) fn without_last_inputs(&self, hidden: usize) -> Result<Network, NeuralError> {
        let gone = Network::weights_of_last_inputs(&self.shape, hidden);
        let mut weights = self.weights().to_vec();
        weights.drain(gone);
        Network::new(NetworkShape { inputs: self.shape.inputs - hidden, ..self.shape.clone() }, weights)
    }

    /// Sizes.
    #[must_use]
    pub const fn shape(&self) -> &NetworkShape {
        &self.shape
    }

    /// Weights, in the order that [`NetworkShape`] tells.
    #[must_use]
    pub fn weights(&self) -> &[f32] {
        self.weights.values()
    }

    pub(crate) fn weights_mut(&mut self) -> &mut [f32] {
        self.weights.values_mut()
    }

    /// The same as the tensor library takes them.
    pub(crate) const fn shared_weights(&self) -> &Weights {
        &self.weights
    }

    /// What comes out for one observation of a network without memory, or at the begin of an episode. Missing inputs
    /// count as 0, further ones are ignored.
    pub fn values<'s>(&self, observation: &[f32], scratch: &'s mut Scratch) -> &'s [f32] {
        self.run(observation, &mut Vec::new(), scratch)
    }

    /// What comes out for one observation; moves `memory` on. A memory of another length than the shape's
    /// is taken for a fresh one, all 0. Missing inputs count as 0, further ones are ignored.
    pub fn run<'s>(&self, observation: &[f32], memory: &mut Vec<f32>, scratch: &'s mut Scratch) -> &'s [f32] {
        let Scratch { x, y } = scratch;
        let weights = self.weights.values();
        x.clear();
        x.extend_from_slice(observation);
        x.resize(self.shape.inputs, 0.0);
        let layer_offsets = self.shape.layer_offsets();
        for layer in &layer_offsets.trunk {
            affine(layer, weights, x, y);
            self.shape.activation.apply(y);
            std::mem::swap(x, y);
        }
        if let Some([from_x, from_h]) = layer_offsets.gates {
            if memory.len() != self.shape.gru_size {
                memory.clear();
                memory.resize(self.shape.gru_size, 0.0);
            }
            affine(&from_x, weights, x, y);
            affine(&from_h, weights, memory, x);
            recurrent::step(y, x, memory, |_, _, _| {});
            x.clear();
            x.extend_from_slice(memory);
        }
        affine(&layer_offsets.last, weights, x, y);
        if self.shape.dueling {
            x.clear();
            join_value_and_advantages(y, x);
            std::mem::swap(x, y);
        }
        y
    }
}

/// Working memory of [`Network::run`].
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    x: Vec<f32>,
    y: Vec<f32>,
}

/// `y = x W + b`.
fn affine(layer: &Layer, weights: &[f32], x: &[f32], y: &mut Vec<f32>) {
    let (w, b) = (layer.weights(weights), layer.bias(weights));
    y.resize(layer.outputs, 0.0);
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

/// Appends `Q(s, a) = V(s) + A(s, a) - mean_a' A(s, a')`, equation 9 of Wang et al. 2016, "Dueling network
/// architectures for deep reinforcement learning", ICML. `V` stands in front.
pub(crate) fn join_value_and_advantages(outputs: &[f32], values: &mut Vec<f32>) {
    if let Some((value, advantages)) = outputs.split_first() {
        let mean = advantages.iter().sum::<f32>() / advantages.len() as f32;
        values.extend(advantages.iter().map(|a| a + (value - mean)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape(dueling: bool) -> NetworkShape {
        let activation = Activation::Relu;
        NetworkShape { inputs: 2, hidden: vec![2], activation, gru_size: 0, outputs: 1, dueling }
    }

    #[test]
    fn a_small_network_by_hand() {
        // W1 = [[1, -1], [2, 0.5]], b1 = [0.5, -4]; W2 = [[3], [7]], b2 = [-1].
        let weights = vec![1.0, -1.0, 2.0, 0.5, 0.5, -4.0, 3.0, 7.0, -1.0];
        let network = Network::new(shape(false), weights).unwrap();
        // x = [1, 2]: hidden = relu([5.5, -4]) = [5.5, 0]; 3 * 5.5 - 1 = 15.5.
        assert_eq!(network.values(&[1.0, 2.0], &mut Scratch::default()), [15.5]);
    }

    #[test]
    fn dueling_outputs_by_hand() {
        let mut values = Vec::new();
        join_value_and_advantages(&[10.0, 1.0, 2.0, 6.0], &mut values);
        assert_eq!(values, [8.0, 9.0, 13.0]);
        // One advantage is its own mean: the value alone comes out.
        let weights = vec![1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 2.0, 9.0, 0.0, 9.0, 0.5, 9.0];
        let network = Network::new(shape(true), weights).unwrap();
        assert_eq!(network.values(&[3.0, 4.0], &mut Scratch::default()), [6.5]);
    }

    #[test]
    fn weights_that_do_not_fit_are_refused() {
        let short = Network::new(shape(false), vec![0.0; 3]);
        assert_eq!(short.unwrap_err(), NeuralError::Length { what: "weights", got: 3, want: 9 });
        let unfit = Network::new(shape(false), vec![f32::NAN; 9]);
        assert_eq!(unfit.unwrap_err(), NeuralError::NotFinite("weight"));
        let wide = NetworkShape { outputs: 5000, ..shape(false) };
        assert!(matches!(Network::new(wide, vec![]).unwrap_err(), NeuralError::Setting(_)));
    }
}
