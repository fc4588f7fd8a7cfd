//! A network with an optional memory: dense layers, a gated recurrent unit, a linear last layer.

use lowgear_env::config::KeyError;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::{
    Activation, NeuralError, Scratch, check_length,
    forward::affine,
    recurrent::{self, GATES},
    shape::Layer,
};

/// Sizes of a [`Network`].
///
/// The weights lie in one vector: of each hidden layer `W` row by row (`[inputs, outputs]`), then `b`; of
/// the memory, if there is one, `W` `[inputs, 3 width]`, `b`, `U` `[width, 3 width]`, `c` with the gates in
/// the order update, reset, candidate; then the last layer's `W` and `b`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct NetworkShape {
    /// Length of an observation.
    pub inputs: usize,
    /// Width of each hidden layer.
    pub hidden: Vec<usize>,
    /// What each hidden layer ends in.
    #[serde(default)]
    pub activation: Activation,
    /// Width of the memory; 0: none.
    pub gru_size: usize,
    /// Numbers that come out.
    pub outputs: usize,
}

/// The places of a network's layers in its weights.
#[derive(Clone, Debug)]
pub(crate) struct LayerOffsets {
    pub(crate) trunk: Vec<Layer>,
    /// From the trunk and from the memory to the gates.
    pub(crate) gates: Option<[Layer; 2]>,
    pub(crate) last: Layer,
}

impl NetworkShape {
    pub(crate) fn is_valid(&self) -> bool {
        let sane = |n: usize| (1..=4096).contains(&n);
        sane(self.inputs)
            && sane(self.outputs)
            && self.gru_size <= 1024
            && self.hidden.len() <= 8
            && self.hidden.iter().all(|&w| sane(w))
    }

    pub(crate) fn layer_offsets(&self) -> LayerOffsets {
        let (mut inputs, mut start) = (self.inputs, 0);
        let mut place = |inputs: usize, outputs: usize| {
            let layer = Layer { inputs, outputs, start };
            start += layer.len();
            layer
        };
        let mut trunk = Vec::new();
        for &width in &self.hidden {
            trunk.push(place(inputs, width));
            inputs = width;
        }
        let width = self.gru_size;
        let gates = (width > 0).then(|| [place(inputs, GATES * width), place(width, GATES * width)]);
        let last = place(if width > 0 { width } else { inputs }, self.outputs);
        LayerOffsets { trunk, gates, last }
    }

    /// Number of weights, biases included.
    #[must_use]
    pub fn len(&self) -> usize {
        let last = self.layer_offsets().last;
        last.start + last.len()
    }

    /// Whether there is no weight at all.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// A network that only evaluates: sizes and weights.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "RawNetwork", into = "RawNetwork")]
pub struct Network {
    shape: NetworkShape,
    weights: Vec<f32>,
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
        RawNetwork { shape: network.shape, weights: network.weights }
    }
}

impl Network {
    /// A network with these weights.
    ///
    /// # Errors
    /// The sizes are unusable, or the number of weights does not fit them, or a weight is not finite.
    pub fn new(shape: NetworkShape, weights: Vec<f32>) -> Result<Network, NeuralError> {
        if !shape.is_valid() {
            let allowed = "widths of 1 to 4096, a memory of 0 to 1024";
            return Err(KeyError::new("shape", format!("{shape:?}"), allowed).into());
        }
        check_length("weights", weights.len(), shape.len())?;
        if !weights.iter().all(|w| w.is_finite()) {
            return Err(NeuralError::NotFinite("weight"));
        }
        Ok(Network { shape, weights })
    }

    /// Fresh weights: within [`Activation::bound`] in the hidden layers, within `sqrt(1 / width)` in the memory, within
    /// `last` times `sqrt(6 / inputs)` in the last layer; biases 0.
    pub(crate) fn fresh(
        shape: NetworkShape,
        last: f32,
        rng: &mut ChaCha8Rng,
    ) -> Result<Network, NeuralError> {
        let layer_offsets = shape.layer_offsets();
        let mut weights = Vec::with_capacity(shape.len());
        for layer in &layer_offsets.trunk {
            layer.draw(shape.activation.bound(layer.inputs), rng, &mut weights);
        }
        for layer in layer_offsets.gates.iter().flatten() {
            layer.draw((1.0 / shape.gru_size as f32).sqrt(), rng, &mut weights);
        }
        let bound = last * Activation::Relu.bound(layer_offsets.last.inputs);
        layer_offsets.last.draw(bound, rng, &mut weights);
        Network::new(shape, weights)
    }

    /// Sizes.
    #[must_use]
    pub const fn shape(&self) -> &NetworkShape {
        &self.shape
    }

    /// Weights, in the order that [`NetworkShape`] tells.
    #[must_use]
    pub fn weights(&self) -> &[f32] {
        &self.weights
    }

    pub(crate) fn weights_mut(&mut self) -> &mut [f32] {
        &mut self.weights
    }

    /// What comes out for one observation; moves `memory` on. A memory of another length than the shape's
    /// is taken for a fresh one, all 0. Missing inputs count as 0, further ones are ignored.
    pub fn run<'s>(&self, observation: &[f32], memory: &mut Vec<f32>, scratch: &'s mut Scratch) -> &'s [f32] {
        let Scratch { x, y } = scratch;
        let weights = &self.weights;
        x.clear();
        x.extend_from_slice(observation);
        x.resize(self.shape.inputs, 0.0);
        let layer_offsets = self.shape.layer_offsets();
        for layer in &layer_offsets.trunk {
            y.resize(layer.outputs, 0.0);
            affine(x, layer.weights(weights), layer.bias(weights), y);
            self.shape.activation.apply(y);
            std::mem::swap(x, y);
        }
        if let Some([from_x, from_h]) = layer_offsets.gates {
            if memory.len() != self.shape.gru_size {
                memory.clear();
                memory.resize(self.shape.gru_size, 0.0);
            }
            y.resize(from_x.outputs, 0.0);
            affine(x, from_x.weights(weights), from_x.bias(weights), y);
            x.resize(from_h.outputs, 0.0);
            affine(memory, from_h.weights(weights), from_h.bias(weights), x);
            recurrent::step(y, x, memory, |_, _, _| {});
            x.clear();
            x.extend_from_slice(memory);
        }
        y.resize(layer_offsets.last.outputs, 0.0);
        affine(x, layer_offsets.last.weights(weights), layer_offsets.last.bias(weights), y);
        y
    }
}
