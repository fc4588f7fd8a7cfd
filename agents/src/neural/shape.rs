//! Where the weights of a network lie in one flat vector.

use lowgear_env::config::{KeyError, require};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::{Activation, recurrent::GATES};

/// Sizes of a [`super::Network`]: dense layers, a gated recurrent unit if there is a memory, a linear last layer.
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
    pub activation: Activation,
    /// Width of the memory; 0: none.
    pub gru_size: usize,
    /// Numbers that come out.
    pub outputs: usize,
    /// Whether the last layer gives a state value and advantages, whose sum comes out. It then has one more output, the
    /// state value, in front of the advantages.
    pub dueling: bool,
}

/// One layer's place in the flat vector.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Layer {
    pub(crate) inputs: usize,
    pub(crate) outputs: usize,
    /// Index of the first entry of `W`; `b` follows `W`.
    pub(crate) start: usize,
}

impl Layer {
    pub(crate) fn weights<'a>(&self, flat: &'a [f32]) -> &'a [f32] {
        &flat[self.start..self.start + self.inputs * self.outputs]
    }

    pub(crate) fn bias<'a>(&self, flat: &'a [f32]) -> &'a [f32] {
        let start = self.start + self.inputs * self.outputs;
        &flat[start..start + self.outputs]
    }

    /// `W` and `b` of this layer, to be written.
    pub(crate) fn parts_mut<'a>(&self, flat: &'a mut [f32]) -> (&'a mut [f32], &'a mut [f32]) {
        flat[self.start..self.start + self.len()].split_at_mut(self.inputs * self.outputs)
    }

    pub(crate) const fn len(&self) -> usize {
        (self.inputs + 1) * self.outputs
    }

    /// Fresh weights, uniform within `±bound`, and biases 0, appended to `flat`.
    pub(crate) fn draw(&self, bound: f32, rng: &mut ChaCha8Rng, flat: &mut Vec<f32>) {
        flat.extend((0..self.inputs * self.outputs).map(|_| rng.random_range(-bound..bound)));
        flat.extend(std::iter::repeat_n(0.0, self.outputs));
    }
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
    /// Whether the sizes are usable.
    pub(crate) fn check(&self) -> Result<(), KeyError> {
        let sane = |n: usize| (1..=4096).contains(&n);
        let valid = sane(self.inputs)
            && sane(self.outputs)
            && self.gru_size <= 1024
            && self.hidden.len() <= 8
            && self.hidden.iter().all(|&w| sane(w));
        require(valid, "shape", format!("{self:?}"), "widths of 1 to 4096, a memory of 0 to 1024")
    }

    pub(crate) fn layer_offsets(&self) -> LayerOffsets {
        let (mut inputs, mut start) = (self.inputs, 0);
        let mut place = |inputs: usize, outputs: usize| {
            let layer = Layer { inputs, outputs, start };
            start += layer.len();
            layer
        };
        let mut trunk = Vec::with_capacity(self.hidden.len());
        for &width in &self.hidden {
            trunk.push(place(inputs, width));
            inputs = width;
        }
        let width = self.gru_size;
        let gates = (width > 0).then(|| [place(inputs, GATES * width), place(width, GATES * width)]);
        let last = place(if width > 0 { width } else { inputs }, self.outputs + usize::from(self.dueling));
        LayerOffsets { trunk, gates, last }
    }

    /// The weights with `W^T` in the place of each layer's `W`.
    pub(crate) fn transposed(&self, weights: &[f32]) -> Vec<f32> {
        let LayerOffsets { trunk, gates, last } = self.layer_offsets();
        let mut transposed = weights.to_vec();
        for layer in trunk.iter().chain(gates.iter().flatten()).chain([&last]) {
            let (to, _) = layer.parts_mut(&mut transposed);
            let columns = to.chunks_exact_mut(layer.inputs).enumerate();
            for (column, to) in columns {
                let from = layer.weights(weights).iter().skip(column).step_by(layer.outputs);
                to.iter_mut().zip(from).for_each(|(to, from)| *to = *from);
            }
        }
        transposed
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

#[cfg(test)]
mod tests {
    use lowgear_env::{Seed, Stream};

    use super::*;

    #[test]
    fn layers_follow_each_other_without_gaps() {
        let shape = |gru_size, dueling| NetworkShape {
            inputs: 3,
            hidden: vec![5, 4],
            activation: Activation::Relu,
            gru_size,
            outputs: 2,
            dueling,
        };
        let dense = shape(0, true).layer_offsets();
        assert_eq!(dense.trunk.iter().map(|l| l.start).collect::<Vec<_>>(), [0, 20]);
        assert_eq!(dense.last, Layer { inputs: 4, outputs: 3, start: 44 });
        assert_eq!(shape(0, true).len(), 20 + 24 + 15);
        // Gates of a memory of 6: 4 x 18 + 18 from the trunk, 6 x 18 + 18 from the memory.
        assert_eq!(
            shape(6, false).layer_offsets().last,
            Layer { inputs: 6, outputs: 2, start: 44 + 90 + 126 }
        );
    }

    #[test]
    fn fresh_weights_lie_within_their_bound() {
        let layer = Layer { inputs: 6, outputs: 50, start: 0 };
        let mut flat = Vec::new();
        layer.draw(0.41, &mut Seed(1).stream(Stream::Learn, 0), &mut flat);
        assert_eq!(flat.len(), layer.len());
        assert!(layer.weights(&flat).iter().all(|w| w.abs() <= 0.41));
        assert!(layer.weights(&flat).iter().any(|w| w.abs() > 0.36));
        assert!(layer.bias(&flat).iter().all(|&b| b == 0.0));
    }
}
