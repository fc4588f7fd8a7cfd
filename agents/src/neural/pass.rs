//! Batches through networks and back, on the CPU: what [`super::operation`] does forward and backward.

use std::ops::Range;

use super::{
    Matrix, Network, NetworkShape,
    buffers::{Buffer, Buffers},
    dense,
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

    pub(crate) fn memory(&self, network: usize) -> &[f32] {
        self.memories.get(network).map_or(&[], Vec::as_slice)
    }
}

/// What comes out of a network for many observations, `[rows, outputs]`; nothing is kept to go back.
pub(crate) fn values(network: &Network, observations: Matrix) -> Matrix {
    let (rows, batch) = (0..observations.rows(), Batch::rows(observations));
    let pass = Pass::new(network.shape(), network.shared_weights(), &batch, rows, &[], &Buffers::default());
    Matrix::new(pass.values, network.shape().outputs)
}

/// A batch, or some rows of it, that has passed through a network.
#[derive(Debug)]
pub(crate) struct Pass {
    shape: NetworkShape,
    layer_offsets: LayerOffsets,
    weights: Weights,
    active: Vec<usize>,
    observations: Matrix,
    rows: Range<usize>,
    /// What came out of each layer of the trunk, one after the other.
    trunk: Buffer,
    gru_activations: Option<GruActivations>,
    buffers: Buffers,
    /// What came out, `[rows, outputs]`.
    pub(crate) values: Vec<f32>,
}

impl Pass {
    /// Leads `rows` of a batch through; with a memory, all of them.
    pub(crate) fn new(
        shape: &NetworkShape,
        weights: &Weights,
        batch: &Batch,
        rows: Range<usize>,
        memory: &[f32],
        buffers: &Buffers,
    ) -> Pass {
        let layer_offsets = shape.layer_offsets();
        let (flat, observations) = (weights.values(), &batch.observations);
        let mut trunk = buffers.take(rows.len() * shape.hidden.iter().sum::<usize>());
        let (mut x, mut free) = (observations.part(&rows), &mut *trunk);
        for layer in &layer_offsets.trunk {
            let (y, behind) = free.split_at_mut(rows.len() * layer.outputs);
            dense::forward(layer, flat, x, Some(shape.activation), y);
            (x, free) = (y, behind);
        }
        let gru_activations = layer_offsets
            .gates
            .as_ref()
            .map(|[from_x, from_h]| recurrent::forward([from_x, from_h], flat, x, &batch.active, memory));
        let x = gru_activations.as_ref().map_or(x, |kept| &kept.after);
        let mut values = vec![0.0; rows.len() * layer_offsets.last.outputs];
        dense::forward(&layer_offsets.last, flat, x, None, &mut values);
        if shape.dueling {
            values = joined(&values, shape.outputs + 1);
        }
        Pass {
            shape: shape.clone(),
            layer_offsets,
            weights: weights.clone(),
            active: batch.active.clone(),
            observations: observations.clone(),
            rows,
            trunk,
            gru_activations,
            buffers: buffers.clone(),
            values,
        }
    }

    /// Memories after each row, `[rows, width]`; nothing without a memory.
    pub(crate) fn memories_after(&self) -> &[f32] {
        self.gru_activations.as_ref().map_or(&[], |kept| &kept.after)
    }

    /// What the way back needs of the weights: [`NetworkShape::transposed`].
    pub(crate) fn transposed(&self) -> Vec<f32> {
        self.shape.transposed(self.weights.values())
    }

    /// Adds the derivative of a loss by each weight to `gradient`, given its derivative by each of [`Pass::values`].
    pub(crate) fn add_gradient(&self, slope: &[f32], transposed: &[f32], gradient: &mut [f32]) {
        let Pass { shape, layer_offsets, rows, .. } = self;
        let joined = if shape.dueling { split(slope, shape.outputs) } else { Vec::new() };
        let mut slope = if shape.dueling { &joined } else { slope };
        let stages = self.stages();
        let trunk = stages.last().copied().unwrap_or_default();
        let x = self.gru_activations.as_ref().map_or(trunk, |kept| &kept.after);
        dense::add_gradient(&layer_offsets.last, x, slope, gradient);
        let mut layer_behind = &layer_offsets.last;
        let by_gates;
        if let (Some(kept), Some([from_x, from_h])) = (&self.gru_activations, &layer_offsets.gates) {
            let mut by_memory = vec![0.0; x.len()];
            dense::backward(&layer_offsets.last, transposed, slope, None, &mut by_memory);
            let gates = [from_x, from_h];
            by_gates =
                recurrent::backward(gates, transposed, kept, trunk, &self.active, &by_memory, gradient);
            (slope, layer_behind) = (&by_gates, from_x);
        }
        let widest = shape.hidden.iter().max().copied().unwrap_or(0) * rows.len();
        let [mut to, mut from] = [0, 1].map(|_| self.buffers.take(widest));
        for (i, (layer, around)) in layer_offsets.trunk.iter().zip(stages.windows(2)).rev().enumerate() {
            let [x, y] = around else { continue };
            let slope = if i == 0 { slope } else { &from[..rows.len() * layer_behind.outputs] };
            let by_layer = &mut to[..rows.len() * layer.outputs];
            dense::backward(layer_behind, transposed, slope, Some((shape.activation, y)), by_layer);
            dense::add_gradient(layer, x, by_layer, gradient);
            layer_behind = layer;
            std::mem::swap(&mut to, &mut from);
        }
    }

    /// What went into the first layer and came out of each of the trunk.
    fn stages(&self) -> Vec<&[f32]> {
        let mut stages = vec![self.observations.part(&self.rows)];
        let mut rest = &*self.trunk;
        for layer in &self.layer_offsets.trunk {
            let (stage, behind) = rest.split_at(self.rows.len() * layer.outputs);
            stages.push(stage);
            rest = behind;
        }
        stages
    }
}

/// Of each row of the last layer's outputs, a value and advantages, the action values.
fn joined(outputs: &[f32], columns: usize) -> Vec<f32> {
    let mut values = Vec::with_capacity(outputs.len());
    for row in outputs.chunks_exact(columns) {
        join_value_and_advantages(row, &mut values);
    }
    values
}

/// The backward pass through [`joined`]: `dV = sum dQ`, `dA = dQ - mean dQ`.
fn split(slope: &[f32], actions: usize) -> Vec<f32> {
    let mut by_outputs = Vec::with_capacity(slope.len() / actions * (actions + 1));
    for row in slope.chunks_exact(actions) {
        let sum = row.iter().sum::<f32>();
        by_outputs.push(sum);
        by_outputs.extend(row.iter().map(|s| s - sum / actions as f32));
    }
    by_outputs
}
