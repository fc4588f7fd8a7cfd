//! A batch of observations or sequences that passes through a [`Network`] and back.

use super::{
    Backend, Network, NeuralError,
    chain::{self, Activations, add_gradient, affine_rows, backward_affine},
    network::LayerOffsets,
    recurrent::{self, GruActivations},
    reference,
};

/// Observations to learn from. Without a memory each row stands for itself; with one, rows belong to
/// sequences: those of time 0 come first, then those of time 1 and so on, and sequences are sorted by
/// length, the longest one first.
#[derive(Clone, Debug, Default)]
pub(crate) struct Batch {
    /// `[rows, inputs]`.
    pub(crate) observations: Vec<f32>,
    /// How many sequences have a row at each time; never rises.
    pub(crate) active: Vec<usize>,
}

/// A batch that has passed through a network and can be back-propagated.
pub(crate) enum NetworkTape<'a> {
    Plain(Box<PlainTape<'a>>),
    Burn { tape: Box<reference::NetworkTape>, values: Vec<f32> },
}

pub(crate) struct PlainTape<'a> {
    network: &'a Network,
    layer_offsets: LayerOffsets,
    trunk: Activations,
    gru_activations: Option<(GruActivations, Vec<usize>)>,
    values: Vec<f32>,
}

impl<'a> NetworkTape<'a> {
    /// Leads a batch through. `memory` is that of each sequence before it, `[sequences, width]`.
    pub(crate) fn record(
        backend: Backend,
        network: &'a Network,
        batch: &Batch,
        memory: &[f32],
    ) -> Result<NetworkTape<'a>, NeuralError> {
        match backend {
            Backend::Plain => Ok(NetworkTape::Plain(Box::new(PlainTape::record(network, batch, memory)))),
            Backend::Burn => {
                let tape = Box::new(reference::NetworkTape::record(network, batch, memory));
                Ok(NetworkTape::Burn { values: tape.values()?, tape })
            }
        }
    }

    /// What came out, `[rows, outputs]` in one vector.
    pub(crate) fn values(&self) -> &[f32] {
        match self {
            NetworkTape::Plain(tape) => &tape.values,
            NetworkTape::Burn { values, .. } => values,
        }
    }

    /// The derivative of a loss by each weight, given its derivative by each number that came out.
    pub(crate) fn gradient(self, slope: Vec<f32>) -> Result<Vec<f32>, NeuralError> {
        match self {
            NetworkTape::Plain(tape) => Ok(tape.gradient(&slope)),
            NetworkTape::Burn { tape, .. } => tape.gradient(slope),
        }
    }
}

impl<'a> PlainTape<'a> {
    fn record(network: &'a Network, batch: &Batch, memory: &[f32]) -> PlainTape<'a> {
        let (layer_offsets, weights) = (network.shape().layer_offsets(), network.weights());
        let trunk = chain::forward(
            &layer_offsets.trunk,
            weights,
            (layer_offsets.trunk.len(), network.shape().activation),
            batch.observations.clone(),
        );
        let gru_activations = layer_offsets.gates.as_ref().map(|[from_x, from_h]| {
            recurrent::forward([from_x, from_h], weights, trunk.last(), &batch.active, memory)
        });
        let x = gru_activations.as_ref().map_or(trunk.last(), GruActivations::after);
        let values = affine_rows(&layer_offsets.last, weights, x);
        let gru_activations = gru_activations.map(|r| (r, batch.active.clone()));
        PlainTape { network, layer_offsets, trunk, gru_activations, values }
    }

    fn gradient(&self, slope: &[f32]) -> Vec<f32> {
        let PlainTape { network, layer_offsets, trunk, gru_activations, .. } = self;
        let weights = network.weights();
        let mut gradient = vec![0.0; weights.len()];
        let x = gru_activations.as_ref().map_or(trunk.last(), |(r, _)| r.after());
        add_gradient(&layer_offsets.last, x, slope, &mut gradient);
        let mut back = backward_affine(&layer_offsets.last, weights, slope);
        if let (Some((kept, active)), Some([from_x, from_h])) = (gru_activations, &layer_offsets.gates) {
            let x = trunk.last();
            let by_gates =
                recurrent::backward([from_x, from_h], weights, kept, x, active, &back, &mut gradient);
            back = backward_affine(from_x, weights, &by_gates);
        }
        let bent = (layer_offsets.trunk.len(), network.shape().activation);
        chain::backward(&layer_offsets.trunk, weights, bent, trunk, back, &mut gradient);
        gradient
    }
}

#[cfg(test)]
mod tests {
    use lowgear_env::{Seed, Stream};
    use rand::RngExt;

    use super::super::{Activation, NetworkShape, Scratch};
    use super::*;

    fn draws(n: usize, stream: u64) -> Vec<f32> {
        let mut rng = Seed(9).stream(Stream::Learn, stream);
        (0..n).map(|_| rng.random_range(-1.0..1.0)).collect()
    }

    fn network(hidden: Vec<usize>, memory: usize, activation: Activation) -> Network {
        let shape = NetworkShape { inputs: 7, hidden, activation, gru_size: memory, outputs: 3 };
        let weights = draws(shape.len(), 0).iter().map(|w| w * 0.5).collect();
        Network::new(shape, weights).unwrap()
    }

    /// Four sequences of 5, 5, 3 and 1 rows.
    fn batch() -> Batch {
        Batch { observations: draws(14 * 7, 1), active: vec![4, 3, 3, 2, 2] }
    }

    #[test]
    fn plain_loops_and_tensor_library_agree_forward_and_back() {
        let (relu, tanh) = (Activation::Relu, Activation::Tanh);
        let sizes = [
            (vec![20, 9], 0, relu),
            (vec![20], 11, relu),
            (vec![], 6, relu),
            (vec![], 0, relu),
            (vec![20, 9], 0, tanh),
            (vec![20], 11, tanh),
        ];
        for (hidden, memory, activation) in sizes {
            let network = network(hidden, memory, activation);
            let (start, slope) = (draws(4 * memory, 2), draws(14 * 3, 3));
            let tape = |backend| NetworkTape::record(backend, &network, &batch(), &start).unwrap();
            let (ours, theirs) = (tape(Backend::Plain), tape(Backend::Burn));
            for (a, b) in ours.values().iter().zip(theirs.values()) {
                assert!((a - b).abs() < 1e-5, "value {a} {b}");
            }
            let (ours, theirs) = (ours.gradient(slope.clone()).unwrap(), theirs.gradient(slope).unwrap());
            assert_eq!(ours.len(), theirs.len());
            let scale = theirs.iter().fold(1.0, |m: f32, g| m.max(g.abs()));
            for (i, (a, b)) in ours.iter().zip(&theirs).enumerate() {
                assert!((a - b).abs() < 1e-5 * scale, "memory {memory}, gradient {i}: {a} {b}");
            }
        }
    }

    #[test]
    fn acting_step_by_step_gives_the_bits_of_the_batch() {
        for (memory, activation) in [(0, Activation::Relu), (11, Activation::Relu), (0, Activation::Tanh)] {
            let network = network(vec![20], memory, activation);
            let (start, batch) = (draws(4 * memory, 2), batch());
            let tape = NetworkTape::record(Backend::Plain, &network, &batch, &start).unwrap();
            let mut memories: Vec<Vec<f32>> =
                (0..4).map(|s| start[s * memory..(s + 1) * memory].to_vec()).collect();
            let (mut row, mut scratch) = (0, Scratch::default());
            for &count in &batch.active {
                for memory in &mut memories[..count] {
                    let x = &batch.observations[row * 7..(row + 1) * 7];
                    let out = network.run(x, memory, &mut scratch);
                    assert_eq!(out, &tape.values()[row * 3..(row + 1) * 3]);
                    row += 1;
                }
            }
        }
    }
}
