//! A batch that passes through a network and back.

use serde::{Deserialize, Serialize};

use super::{
    Activation, Mlp, NeuralError, chain, chain::Activations, forward::combine_dueling, reference,
    shape::Layer,
};

/// Who computes gradients. Both give the same up to rounding.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Backend {
    /// Plain loops of this crate. Half the time with layers of 32, two thirds with 64, as much with 128; with
    /// 256 the library is quicker. The same bits whatever instructions the processor has.
    #[default]
    Plain,
    /// The tensor library's automatic differentiation, against which the loops are tested.
    Burn,
}

/// A batch that has passed through a multilayer perceptron and can be back-propagated.
pub(crate) enum Tape<'a> {
    Plain { mlp: &'a Mlp, layers: Vec<Layer>, activations: Activations, values: Vec<f32> },
    Burn { tape: Box<reference::Tape>, values: Vec<f32> },
}

/// The values of many observations at once, `[rows, actions]`, row by row in one vector.
pub(crate) fn batch_values(
    backend: Backend,
    mlp: &Mlp,
    observations: Vec<f32>,
) -> Result<Vec<f32>, NeuralError> {
    match backend {
        Backend::Plain => Ok(Tape::plain(mlp, observations).into_values()),
        Backend::Burn => reference::batch_values(mlp, observations),
    }
}

impl<'a> Tape<'a> {
    /// Leads observations, `[rows, inputs]` in one vector, through the network.
    pub(crate) fn record(
        backend: Backend,
        mlp: &'a Mlp,
        observations: Vec<f32>,
    ) -> Result<Tape<'a>, NeuralError> {
        match backend {
            Backend::Plain => Ok(Tape::plain(mlp, observations)),
            Backend::Burn => {
                let tape = Box::new(reference::Tape::record(mlp, observations));
                Ok(Tape::Burn { values: tape.values()?, tape })
            }
        }
    }

    fn plain(mlp: &'a Mlp, observations: Vec<f32>) -> Tape<'a> {
        let shape = mlp.shape();
        let layers: Vec<Layer> = shape.layers().collect();
        let activations = chain::forward(&layers, mlp.weights(), bent(mlp), observations);
        let values = if shape.dueling {
            combine_dueling(activations.last(), shape.actions)
        } else {
            activations.last().to_vec()
        };
        Tape::Plain { mlp, layers, activations, values }
    }

    /// The values, `[rows, actions]` in one vector.
    pub(crate) fn values(&self) -> &[f32] {
        match self {
            Tape::Plain { values, .. } | Tape::Burn { values, .. } => values,
        }
    }

    fn into_values(self) -> Vec<f32> {
        match self {
            Tape::Plain { values, .. } | Tape::Burn { values, .. } => values,
        }
    }

    /// The derivative of a loss by each weight, given its derivative by each value.
    pub(crate) fn gradient(self, slope: Vec<f32>) -> Result<Vec<f32>, NeuralError> {
        match self {
            Tape::Burn { tape, .. } => tape.gradient(slope),
            Tape::Plain { mlp, layers, activations, .. } => {
                let shape = mlp.shape();
                let slope = if shape.dueling { split_dueling(&slope, shape.actions) } else { slope };
                let mut gradient = vec![0.0; mlp.weights().len()];
                chain::backward(&layers, mlp.weights(), bent(mlp), &activations, slope, &mut gradient);
                Ok(gradient)
            }
        }
    }
}

/// Layers with an activation, and which.
const fn bent(mlp: &Mlp) -> (usize, Activation) {
    (mlp.shape().hidden.len(), Activation::Relu)
}

/// The backward pass through `Q = V + A - mean A`: `dV = sum dQ`, `dA = dQ - mean dQ`.
fn split_dueling(slope: &[f32], actions: usize) -> Vec<f32> {
    let mut split = Vec::with_capacity(slope.len() / actions * (actions + 1));
    for row in slope.chunks_exact(actions) {
        let sum = row.iter().sum::<f32>();
        split.push(sum);
        split.extend(row.iter().map(|s| s - sum / actions as f32));
    }
    split
}

#[cfg(test)]
mod tests {
    use lowgear_env::{Seed, Stream};
    use rand::RngExt;

    use super::super::{Scratch, Shape};
    use super::*;

    fn draws(n: usize, stream: u64) -> Vec<f32> {
        let mut rng = Seed(9).stream(Stream::Learn, stream);
        (0..n).map(|_| rng.random_range(-1.0..1.0)).collect()
    }

    #[test]
    fn plain_loops_and_tensor_library_agree_forward_and_back() {
        for (dueling, hidden) in [(false, vec![64, 40]), (true, vec![33]), (true, vec![])] {
            let shape = Shape { inputs: 15, hidden, actions: 3, dueling };
            let weights: Vec<f32> = draws(shape.len(), 0).iter().map(|w| w * 0.3).collect();
            let mlp = Mlp::new(shape, weights).unwrap();
            let (observations, slope) = (draws(50 * 15, 1), draws(50 * 3, 2));
            let tape = |backend| Tape::record(backend, &mlp, observations.clone()).unwrap();
            let (ours, theirs) = (tape(Backend::Plain), tape(Backend::Burn));
            for (a, b) in ours.values().iter().zip(theirs.values()) {
                assert!((a - b).abs() < 1e-5, "value {a} {b}");
            }
            let mut scratch = Scratch::default();
            for (x, row) in observations.chunks(15).zip(ours.values().chunks(3)) {
                assert_eq!(mlp.values(x, &mut scratch), row, "acting and learning see the same bits");
            }
            let (ours, theirs) = (ours.gradient(slope.clone()).unwrap(), theirs.gradient(slope).unwrap());
            assert_eq!(ours.len(), theirs.len());
            let scale = theirs.iter().fold(1.0, |m: f32, g| m.max(g.abs()));
            for (a, b) in ours.iter().zip(&theirs) {
                assert!((a - b).abs() < 1e-5 * scale, "gradient {a} {b}");
            }
        }
    }
}
