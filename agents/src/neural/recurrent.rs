//! A gated recurrent unit (Cho et al. 2014, "Learning phrase representations using RNN encoder-decoder for
//! statistical machine translation", EMNLP), in the form whose reset gate acts after the product with the
//! recurrent weights:
//!
//! ```text
//! [gz gr gn] = x W + b            [uz ur un] = h U + c
//! z = sigmoid(gz + uz)   r = sigmoid(gr + ur)   n = tanh(gn + r un)
//! h' = n + z (h - n)
//! ```

use super::{dense, shape::Layer};

/// Gates: update, reset, candidate.
pub(crate) const GATES: usize = 3;

fn sigmoid(x: f32) -> f32 {
    1.0 / (1.0 + (-x).exp())
}

/// Moves one memory on, given `x W + b` and `h U + c`. `keep` takes `z`, `r` and `n` of each element.
pub(crate) fn step(from_x: &[f32], from_h: &[f32], h: &mut [f32], mut keep: impl FnMut(f32, f32, f32)) {
    let width = h.len();
    for (i, h) in h.iter_mut().enumerate() {
        let z = sigmoid(from_x[i] + from_h[i]);
        let r = sigmoid(from_x[width + i] + from_h[width + i]);
        let n = (from_x[2 * width + i] + r * from_h[2 * width + i]).tanh();
        *h = n + z * (*h - n);
        keep(z, r, n);
    }
}

/// Sequences that have passed through the unit: rows of all times below each other, `[rows, width]`.
#[derive(Clone, Debug)]
pub(crate) struct GruActivations {
    before: Vec<f32>,
    /// Memories after each row.
    pub(crate) after: Vec<f32>,
    z: Vec<f32>,
    r: Vec<f32>,
    n: Vec<f32>,
    /// `un`, what the candidate gets from the memory before the reset gate.
    un: Vec<f32>,
}

/// Leads sequences through. `x` has the rows of time 0, then those of time 1 and so on; `active[t]` of the
/// sequences, the first ones, have a row at time `t`. `memory` is `[active[0], width]`.
pub(crate) fn forward(
    [from_x, from_h]: [&Layer; 2],
    weights: &[f32],
    x: &[f32],
    active: &[usize],
    memory: &[f32],
) -> GruActivations {
    let width = from_h.inputs;
    let mut gates_x = vec![0.0; x.len() / from_x.inputs * GATES * width];
    dense::forward(from_x, weights, x, None, &mut gates_x);
    let mut gates_h = vec![0.0; memory.len() * GATES];
    let (mut z, mut r, mut n, mut un) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let (mut before, mut after) = (Vec::new(), Vec::new());
    let mut h = memory.to_vec();
    let mut rows = gates_x.chunks_exact(GATES * width);
    for &count in active {
        h.truncate(count * width);
        before.extend_from_slice(&h);
        gates_h.truncate(h.len() * GATES);
        dense::forward(from_h, weights, &h, None, &mut gates_h);
        let gates_h = gates_h.chunks_exact(GATES * width);
        for ((h, from_h), from_x) in h.chunks_exact_mut(width).zip(gates_h).zip(rows.by_ref()) {
            un.extend_from_slice(&from_h[2 * width..]);
            step(from_x, from_h, h, |gate_z, gate_r, candidate| {
                z.push(gate_z);
                r.push(gate_r);
                n.push(candidate);
            });
        }
        after.extend_from_slice(&h);
    }
    GruActivations { before, after, z, r, n, un }
}

/// Leads the loss's derivative by each memory (`slope`, `[rows, width]`) back through time to the beginning
/// of the sequences and no further (Werbos 1990, "Backpropagation through time", Proceedings of the IEEE
/// 78). Fills the layers' places in `gradient`; returns the derivative by `x W + b`. `transposed` has `W^T` in the place of
/// each layer's `W`.
pub(crate) fn backward(
    [from_x, from_h]: [&Layer; 2],
    transposed: &[f32],
    kept: &GruActivations,
    x: &[f32],
    active: &[usize],
    slope: &[f32],
    gradient: &mut [f32],
) -> Vec<f32> {
    let width = from_h.inputs;
    let mut by_x = vec![0.0; slope.len() * GATES];
    let mut by_h = vec![0.0; slope.len() * GATES];
    let (mut later, mut through_gates): (Vec<f32>, Vec<f32>) = (Vec::new(), Vec::new());
    let mut end = slope.len() / width;
    for &count in active.iter().rev() {
        let rows = end - count..end;
        end -= count;
        later.resize(count * width, 0.0);
        let place = rows.start * width..rows.end * width;
        later.iter_mut().zip(&slope[place]).for_each(|(l, s)| *l += s);
        let gates = rows.start * GATES * width..rows.end * GATES * width;
        for (i, row) in rows.enumerate() {
            let h = &mut later[i * width..(i + 1) * width];
            let place = row * GATES * width..(row + 1) * GATES * width;
            let by = (&mut by_x[place.clone()], &mut by_h[place]);
            back_step(kept, row * width, h, by);
        }
        through_gates.resize(later.len(), 0.0);
        dense::backward(from_h, transposed, &by_h[gates], None, &mut through_gates);
        later.iter_mut().zip(&through_gates).for_each(|(l, s)| *l += s);
    }
    dense::add_gradient(from_h, &kept.before, &by_h, gradient);
    dense::add_gradient(from_x, x, &by_x, gradient);
    by_x
}

/// The backward pass through [`step`]: `h` holds the derivative by the memory after it, and then the part of the
/// derivative by the memory before it that does not go through the gates.
fn back_step(kept: &GruActivations, at: usize, h: &mut [f32], (by_x, by_h): (&mut [f32], &mut [f32])) {
    let (width, before) = (h.len(), &kept.before);
    for (i, h) in h.iter_mut().enumerate() {
        let (z, r, n) = (kept.z[at + i], kept.r[at + i], kept.n[at + i]);
        let candidate = *h * (1.0 - z) * (1.0 - n * n);
        let update = *h * (before[at + i] - n) * z * (1.0 - z);
        let reset = candidate * kept.un[at + i] * r * (1.0 - r);
        for (by, candidate) in [(&mut *by_x, candidate), (&mut *by_h, candidate * r)] {
            by[i] = update;
            by[width + i] = reset;
            by[2 * width + i] = candidate;
        }
        *h *= z;
    }
}
