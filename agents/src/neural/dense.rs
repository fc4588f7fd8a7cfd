//! Dense layers forward and back for many rows at once.
//!
//! The backward pass follows Rumelhart, Hinton, Williams 1986, "Learning representations by back-propagating
//! errors", Nature 323: for `Y = f(X W + b)` and the loss's derivative `dY`, `dZ = dY f'`, `dW = X^T dZ`,
//! `db = sum over rows of dZ`, `dX = dZ W^T`. The slope `f'` is taken from `Y`.

use super::{
    Activation,
    product::{Backward, Forward, Gradient},
    shape::Layer,
};

/// `y = f(X W + b)`, row by row.
pub(crate) fn forward(
    layer: &Layer,
    weights: &[f32],
    x: &[f32],
    activation: Option<Activation>,
    y: &mut [f32],
) {
    Forward { x, weights: layer.weights(weights), bias: layer.bias(weights), activation, y }.run();
}

/// `dW += X^T dZ` and `db += sum of dZ`, in the layer's place of `gradient`.
pub(crate) fn add_gradient(layer: &Layer, x: &[f32], slope: &[f32], gradient: &mut [f32]) {
    let (weights, bias) = layer.parts_mut(gradient);
    Gradient { x, slope, weights, bias }.run();
}

/// `dX = dZ W^T`, led back through the activation of the layer in front, which gave `y`, if there is one. `transposed`
/// has `W^T` in the place of each layer's `W`.
pub(crate) fn backward(
    layer: &Layer,
    transposed: &[f32],
    slope: &[f32],
    front: Option<(Activation, &[f32])>,
    to: &mut [f32],
) {
    Backward { slope, transposed: layer.weights(transposed), outputs: layer.outputs, front, to }.run();
}
