//! Dense layers forward and back for many rows at once.
//!
//! The backward pass follows Rumelhart, Hinton, Williams 1986, "Learning representations by back-propagating
//! errors", Nature 323: for `Y = f(X W + b)` and the loss's derivative `dY`, `dZ = dY f'`, `dW = X^T dZ`,
//! `db = sum over rows of dZ`, `dX = dZ W^T`. The slope `f'` is taken from `Y`.

use super::{Activation, Matrix, matrix::Weights, shape::Layer};

/// `f(X W + b)` for every row of `x`.
pub(crate) fn forward(
    layer: &Layer,
    weights: &Weights,
    x: &Matrix,
    activation: Option<Activation>,
) -> Matrix {
    let mut y = x.times(&weights.matrix(layer));
    let bias = layer.bias(weights.values());
    let values = y.values_mut();
    for row in values.chunks_exact_mut(layer.outputs) {
        row.iter_mut().zip(bias).for_each(|(y, b)| *y += b);
    }
    if let Some(activation) = activation {
        activation.apply(values);
    }
    y
}

/// `dW += X^T dZ` and `db += sum of dZ`, in the layer's place of `gradient`.
pub(crate) fn add_gradient(layer: &Layer, x: &Matrix, slope: &Matrix, gradient: &mut [f32]) {
    let product = x.transposed().times(slope);
    let (w, b) = layer.parts_mut(gradient);
    w.iter_mut().zip(product.values()).for_each(|(w, p)| *w += p);
    for row in slope.values().chunks_exact(layer.outputs) {
        b.iter_mut().zip(row).for_each(|(b, s)| *b += s);
    }
}

/// `dX = dZ W^T`.
pub(crate) fn backward(layer: &Layer, weights: &Weights, slope: &Matrix) -> Matrix {
    slope.times(&weights.matrix(layer).transposed())
}
