//! Batches through networks and back, on the CPU: what [`super::operation`] does forward and backward.

use std::ops::Range;

use super::{
    Activation, Matrix, Network, NetworkShape, dense,
    matrix::Weights,
    network::join_value_and_advantages,
    recurrent::{self, GruActivations},
    shape::LayerOffsets,
};

/// Observations to learn from. Without a memory each row stands for itself; with one, rows belong to
/// sequences: those of time 0 come first, then those of time 1 and so on, and sequences are sorted by
/// length, the longest one first.
#[derive(Clone, Debug)]
pub(crate) struct Batch {
    /// `[rows, inputs]`.
    pub(crate) observations: Matrix,
    /// How many sequences have a row at each time; never rises.
    pub(crate) active: Vec<usize>,
    /// Of each network, the memory of each sequence before it, `[sequences, width]`; empty without memories.
    pub(crate) memories: Vec<Vec<f32>>,
}

impl Batch {
    /// Rows that stand for themselves.
    pub(crate) fn rows(observations: Matrix) -> Batch {
        Batch { active: vec![observations.rows()], observations, memories: Vec::new() }
    }

    /// Some of its rows; for networks without memory.
    pub(crate) fn part(&self, rows: &Range<usize>) -> Batch {
        if rows.len() == self.observations.rows() {
            self.clone()
        } else {
            Batch::rows(self.observations.part(rows))
        }
    }

    pub(crate) fn memory(&self, network: usize) -> &[f32] {
        self.memories.get(network).map_or(&[], Vec::as_slice)
    }
}

/// What comes out of a network for many observations, `[rows, outputs]`; nothing is kept to go back.
pub(crate) fn values(network: &Network, observations: Matrix) -> Matrix {
    let batch = Batch::rows(observations);
    Pass::new(network.shape(), network.shared_weights(), &batch, &[]).values
}

/// A batch that has passed through a network.
#[derive(Clone, Debug)]
pub(crate) struct Pass {
    layer_offsets: LayerOffsets,
    activation: Activation,
    dueling: bool,
    weights: Weights,
    active: Vec<usize>,
    /// What went into the first layer and came out of each.
    stages: Vec<Matrix>,
    gru_activations: Option<GruActivations>,
    /// What came out, `[rows, outputs]`.
    pub(crate) values: Matrix,
}

impl Pass {
    pub(crate) fn new(shape: &NetworkShape, weights: &Weights, batch: &Batch, memory: &[f32]) -> Pass {
        let layer_offsets = shape.layer_offsets();
        let mut stages = Vec::with_capacity(layer_offsets.trunk.len() + 1);
        stages.push(batch.observations.clone());
        for (i, layer) in layer_offsets.trunk.iter().enumerate() {
            stages.push(dense::forward(layer, weights, &stages[i], Some(shape.activation)));
        }
        let trunk = &stages[layer_offsets.trunk.len()];
        let gru_activations = layer_offsets.gates.as_ref().map(|[from_x, from_h]| {
            recurrent::forward([from_x, from_h], weights, trunk, &batch.active, memory)
        });
        let x = gru_activations.as_ref().map_or(trunk, |kept| &kept.after);
        let mut values = dense::forward(&layer_offsets.last, weights, x, None);
        if shape.dueling {
            values = joined(&values);
        }
        Pass {
            layer_offsets,
            activation: shape.activation,
            dueling: shape.dueling,
            weights: weights.clone(),
            active: batch.active.clone(),
            stages,
            gru_activations,
            values,
        }
    }

    /// Memories after each row, `[rows, width]`; nothing without a memory.
    pub(crate) fn memories_after(&self) -> &[f32] {
        self.gru_activations.as_ref().map_or(&[], |kept| kept.after.values())
    }

    /// Adds the derivative of a loss by each weight to `gradient`, given its derivative by each of [`Pass::values`].
    pub(crate) fn add_gradient(&self, slope: Matrix, gradient: &mut [f32]) {
        let Pass { layer_offsets, weights, stages, .. } = self;
        let slope = if self.dueling { split(&slope) } else { slope };
        let trunk = &stages[layer_offsets.trunk.len()];
        let x = self.gru_activations.as_ref().map_or(trunk, |kept| &kept.after);
        dense::add_gradient(&layer_offsets.last, x, &slope, gradient);
        let mut layer_behind = &layer_offsets.last;
        let mut slope = slope;
        if let (Some(kept), Some([from_x, from_h])) = (&self.gru_activations, &layer_offsets.gates) {
            let by_memory = dense::backward(&layer_offsets.last, weights, &slope);
            let gates = [from_x, from_h];
            slope = recurrent::backward(gates, weights, kept, trunk, &self.active, &by_memory, gradient);
            layer_behind = from_x;
        }
        for (layer, around) in layer_offsets.trunk.iter().zip(stages.windows(2)).rev() {
            let [x, y] = around else { continue };
            slope = dense::backward(layer_behind, weights, &slope);
            self.activation.back(slope.values_mut(), y.values());
            dense::add_gradient(layer, x, &slope, gradient);
            layer_behind = layer;
        }
    }
}

/// Of each row of the last layer's outputs, a value and advantages, the action values.
fn joined(outputs: &Matrix) -> Matrix {
    let mut values = Vec::with_capacity(outputs.values().len());
    for row in outputs.values().chunks_exact(outputs.columns()) {
        join_value_and_advantages(row, &mut values);
    }
    Matrix::new(values, outputs.columns() - 1)
}

/// The backward pass through [`joined`]: `dV = sum dQ`, `dA = dQ - mean dQ`.
fn split(slope: &Matrix) -> Matrix {
    let actions = slope.columns();
    let mut by_outputs = Vec::with_capacity(slope.rows() * (actions + 1));
    for row in slope.values().chunks_exact(actions) {
        let sum = row.iter().sum::<f32>();
        by_outputs.push(sum);
        by_outputs.extend(row.iter().map(|s| s - sum / actions as f32));
    }
    Matrix::new(by_outputs, actions + 1)
}
