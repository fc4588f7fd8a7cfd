//! Where the weights of a multilayer perceptron lie in one flat vector.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

/// Sizes of a network whose layers are `y = relu(x W + b)`, the last one without the `relu`.
///
/// The weights lie in one vector, layer by layer: `W` row by row (`[inputs, outputs]`), then `b`.
/// With `dueling` the last layer has one more output, the state value, in front of the advantages.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Shape {
    /// Length of an observation.
    pub inputs: usize,
    /// Width of each hidden layer.
    pub hidden: Vec<usize>,
    /// Number of actions, 1 to 32.
    pub actions: usize,
    /// Whether the output is split into state value and advantages.
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

    /// `W` transposed, `[outputs, inputs]`.
    pub(crate) fn transposed_weights(&self, flat: &[f32]) -> Vec<f32> {
        let mut transposed_weights = vec![0.0; self.inputs * self.outputs];
        for (i, row) in self.weights(flat).chunks_exact(self.outputs).enumerate() {
            for (o, value) in row.iter().enumerate() {
                transposed_weights[o * self.inputs + i] = *value;
            }
        }
        transposed_weights
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

impl Shape {
    /// Outputs of the last layer.
    pub(crate) const fn outputs(&self) -> usize {
        self.actions + self.dueling as usize
    }

    /// Whether the sizes are usable.
    pub(crate) fn is_valid(&self) -> bool {
        let sane = |n: usize| (1..=4096).contains(&n);
        sane(self.inputs)
            && (1..=32).contains(&self.actions)
            && self.hidden.len() <= 8
            && self.hidden.iter().all(|&w| sane(w))
    }

    /// Every layer, from input to output.
    pub(crate) fn layers(&self) -> impl Iterator<Item = Layer> + '_ {
        let ends = self.hidden.iter().copied().chain([self.outputs()]);
        ends.scan((self.inputs, 0), |(inputs, start), outputs| {
            let layer = Layer { inputs: *inputs, outputs, start: *start };
            (*inputs, *start) = (outputs, *start + layer.len());
            Some(layer)
        })
    }

    /// Number of weights, biases included.
    #[must_use]
    pub fn len(&self) -> usize {
        self.layers().map(|layer| layer.len()).sum()
    }

    /// Whether there is no weight at all.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Fresh weights: within `sqrt(1 / inputs)` of each layer, biases 0.
    pub(crate) fn draw(&self, rng: &mut ChaCha8Rng) -> Vec<f32> {
        let mut flat = Vec::with_capacity(self.len());
        for layer in self.layers() {
            layer.draw((1.0 / layer.inputs as f32).sqrt(), rng, &mut flat);
        }
        flat
    }
}

#[cfg(test)]
mod tests {
    use lowgear_env::{Seed, Stream};

    use super::*;

    #[test]
    fn layers_follow_each_other_without_gaps() {
        let shape = Shape { inputs: 3, hidden: vec![5, 4], actions: 2, dueling: true };
        let layers: Vec<Layer> = shape.layers().collect();
        assert_eq!(layers.iter().map(|l| l.start).collect::<Vec<_>>(), [0, 20, 44]);
        assert_eq!((layers[2].inputs, layers[2].outputs), (4, 3));
        assert_eq!(shape.len(), 20 + 24 + 15);
    }

    #[test]
    fn fresh_weights_lie_within_their_bound() {
        let shape = Shape { inputs: 6, hidden: vec![50], actions: 3, dueling: false };
        let flat = shape.draw(&mut Seed(1).stream(Stream::Learn, 0));
        assert_eq!(flat.len(), shape.len());
        let first = shape.layers().next().unwrap();
        assert!(first.weights(&flat).iter().all(|w| w.abs() <= 0.41));
        assert!(first.weights(&flat).iter().any(|w| w.abs() > 0.36));
        assert!(first.bias(&flat).iter().all(|&b| b == 0.0));
    }
}
