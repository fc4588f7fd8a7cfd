//! The same networks of single operations of the tensor library: for any device, and what [`super::operation`] is
//! tested against.

use burn::tensor::{
    Tensor, TensorData,
    activation::{sigmoid, tanh},
};

use super::{NetworkShape, operation::places, pass::Batch, shape::Layer};

/// Rows of a block. The way back of a layer sums over the rows: blocks are summed side by side, all rows at once one after
/// the other, which took a GPU two to three times as long.
pub(crate) const BLOCK: usize = 128;

/// As [`super::operation::values`].
pub(crate) fn values(weights: &Tensor<1>, shapes: &[NetworkShape], batch: &Batch) -> Tensor<2> {
    let observations = matrix(batch.observations.values(), batch.observations.columns(), weights);
    let all = shapes.iter().zip(places(shapes)).enumerate();
    let values = all.map(|(i, (shape, place))| {
        let weights = weights.clone().narrow(0, place.start, place.len());
        network_values(&weights, shape, observations.clone(), &batch.active, batch.memory(i))
    });
    Tensor::cat(values.collect(), 1)
}

fn network_values(
    weights: &Tensor<1>,
    shape: &NetworkShape,
    mut x: Tensor<2>,
    active: &[usize],
    memory: &[f32],
) -> Tensor<2> {
    let layer_offsets = shape.layer_offsets();
    for layer in &layer_offsets.trunk {
        x = shape.activation.tensor(affine(layer, weights, x));
    }
    if let Some(gates) = &layer_offsets.gates {
        let memory = matrix(memory, shape.gru_size, weights);
        x = gru(gates, weights, x, memory, active);
    }
    let y = affine(&layer_offsets.last, weights, x);
    if shape.dueling {
        let value = y.clone().narrow(1, 0, 1);
        let advantage = y.narrow(1, 1, shape.outputs);
        value + advantage.clone() - advantage.mean_dim(1)
    } else {
        y
    }
}

/// The memories after each row, as [`super::recurrent`] writes the unit.
fn gru(
    [from_x, from_h]: &[Layer; 2],
    weights: &Tensor<1>,
    x: Tensor<2>,
    mut h: Tensor<2>,
    active: &[usize],
) -> Tensor<2> {
    let width = from_h.inputs;
    let from_x = affine(from_x, weights, x);
    let (mut row, mut after) = (0, Vec::new());
    for &count in active {
        h = h.narrow(0, 0, count);
        let from_x = from_x.clone().narrow(0, row, count);
        let from_h = affine(from_h, weights, h.clone());
        let part = |gates: &Tensor<2>, gate: usize| gates.clone().narrow(1, gate * width, width);
        let z = sigmoid(part(&from_x, 0) + part(&from_h, 0));
        let r = sigmoid(part(&from_x, 1) + part(&from_h, 1));
        let n = tanh(part(&from_x, 2) + r * part(&from_h, 2));
        h = n.clone() + z * (h - n);
        after.push(h.clone());
        row += count;
    }
    Tensor::cat(after, 0)
}

/// `x W + b`, in blocks of rows if they fill whole ones.
fn affine(layer: &Layer, weights: &Tensor<1>, x: Tensor<2>) -> Tensor<2> {
    let part = |start, rows: usize, columns: usize| {
        weights.clone().narrow(0, start, rows * columns).reshape([1, rows, columns])
    };
    let rows = x.dims()[0];
    let blocks = if rows.is_multiple_of(BLOCK) { rows / BLOCK } else { 1 };
    let x = x.reshape([blocks, rows / blocks, layer.inputs]);
    let w = part(layer.start, layer.inputs, layer.outputs);
    let b = part(layer.start + layer.inputs * layer.outputs, 1, layer.outputs);
    (x.matmul(w) + b).reshape([rows, layer.outputs])
}

/// Numbers, row by row, where the weights are.
fn matrix(values: &[f32], columns: usize, weights: &Tensor<1>) -> Tensor<2> {
    let data = TensorData::new(values.to_vec(), [values.len() / columns.max(1), columns]);
    Tensor::from_data(data, &weights.device())
}
