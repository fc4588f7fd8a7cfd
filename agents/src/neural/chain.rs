//! Dense layers forward and back for many rows at once, in plain loops.
//!
//! The backward pass follows Rumelhart, Hinton, Williams 1986, "Learning representations by back-propagating
//! errors", Nature 323: for `Y = f(X W + b)` and the loss's derivative `dY`, `dZ = dY f'`, `dW = X^T dZ`,
//! `db = sum over rows of dZ`, `dX = dZ W^T`. The slope `f'` is taken from `Y`.

use super::{
    Activation,
    product::{Left, add_product},
    shape::Layer,
};

/// What went into the first layer and came out of each, kept for the backward pass; each `[rows, width]`.
#[derive(Clone, Debug, Default)]
pub(crate) struct Activations {
    /// `stages[0]` went in, `stages[i]` came out of layer `i`, counted from 1.
    pub(crate) stages: Vec<Vec<f32>>,
}

impl Activations {
    /// What came out of the last layer.
    pub(crate) fn last(&self) -> &[f32] {
        self.stages.last().map_or(&[], Vec::as_slice)
    }
}

/// Leads `input`, `[rows, inputs]`, through layers of which the first `bent` end in an activation.
pub(crate) fn forward(
    layers: &[Layer],
    weights: &[f32],
    (bent, activation): (usize, Activation),
    input: Vec<f32>,
) -> Activations {
    let mut stages = Vec::with_capacity(layers.len() + 1);
    stages.push(input);
    for (i, layer) in layers.iter().enumerate() {
        let mut y = affine_rows(layer, weights, &stages[i]);
        if i < bent {
            activation.apply(&mut y);
        }
        stages.push(y);
    }
    Activations { stages }
}

/// `X W + b` for every row of `x`.
pub(crate) fn affine_rows(layer: &Layer, weights: &[f32], x: &[f32]) -> Vec<f32> {
    let rows = x.len() / layer.inputs;
    let mut y = layer.bias(weights).repeat(rows);
    add_product(Left::plain(x, layer.inputs), layer.weights(weights), &mut y, layer.inputs, layer.outputs);
    y
}

/// Leads the loss's derivative by the last output back, and fills the layers' places in `gradient`.
pub(crate) fn backward(
    layers: &[Layer],
    weights: &[f32],
    (bent, activation): (usize, Activation),
    activations: &Activations,
    mut slope: Vec<f32>,
    gradient: &mut [f32],
) {
    for (i, layer) in layers.iter().enumerate().rev() {
        if i < bent {
            activation.back(&mut slope, &activations.stages[i + 1]);
        }
        add_gradient(layer, &activations.stages[i], &slope, gradient);
        if i > 0 {
            slope = backward_affine(layer, weights, &slope);
        }
    }
}

/// `dW += X^T dZ` and `db += sum of dZ`.
pub(crate) fn add_gradient(layer: &Layer, x: &[f32], slope: &[f32], gradient: &mut [f32]) {
    let rows = slope.len() / layer.outputs;
    let (w, b) = layer.parts_mut(gradient);
    add_product(Left::transposed(x, layer.inputs), slope, w, rows, layer.outputs);
    for row in slope.chunks_exact(layer.outputs) {
        b.iter_mut().zip(row).for_each(|(b, s)| *b += s);
    }
}

/// `dX = dZ W^T`.
pub(crate) fn backward_affine(layer: &Layer, weights: &[f32], slope: &[f32]) -> Vec<f32> {
    let transposed_weights = layer.transposed_weights(weights);
    let mut back = vec![0.0; slope.len() / layer.outputs * layer.inputs];
    add_product(
        Left::plain(slope, layer.outputs),
        &transposed_weights,
        &mut back,
        layer.outputs,
        layer.inputs,
    );
    back
}
