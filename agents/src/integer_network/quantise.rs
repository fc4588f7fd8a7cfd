//! From a network of real numbers to integers, with a power of two as the scale of each layer.

use lowgear_onboard::{NetworkInput, NetworkLayer};

use super::student::Example;
use super::{IntegerNetwork, NetworkFault};
use crate::neural::Layer;
use crate::table::Provenance;

/// Activations of inputs are `64 x + 128`.
pub(super) const INPUT_SCALE: f32 = 64.0;
pub(super) const INPUT_ZERO: f32 = 128.0;
/// A bias counts sixteen times in a sum.
const BIAS_BITS: i32 = 4;

/// Power of two by which weights are multiplied so that the largest fits into 8 bits.
fn weight_bits(weights: &[f32]) -> i32 {
    let largest = weights.iter().fold(1e-6_f32, |largest, w| largest.max(w.abs()));
    ((127.0 / largest).log2().floor() as i32).clamp(-8, 16)
}

fn rounded(weight: f32, bits: i32) -> i8 {
    (weight * (bits as f32).exp2()).round().clamp(-127.0, 127.0) as i8
}

/// The integer network of these layers and weights. Examples say how large activations become: the largest one takes 8
/// bits, and what is larger in other states is cut off.
pub(super) fn quantised(
    inputs: &[NetworkInput],
    layers: &[Layer],
    flat: &[f32],
    examples: &[Example],
    provenance: Provenance,
) -> Result<IntegerNetwork, NetworkFault> {
    let (mut all, mut weights, mut biases) = (Vec::new(), Vec::new(), Vec::new());
    // Sums are `2^scale_bits` times real ones.
    let (mut zero, mut scale_bits) = (INPUT_ZERO, INPUT_SCALE.log2() as i32);
    let mut activations: Vec<Vec<u8>> = examples.iter().map(|example| example.activations.clone()).collect();
    for (number, layer) in layers.iter().enumerate() {
        let hidden = number + 1 < layers.len();
        let (from, real) = (layer.weights(flat), layer.bias(flat));
        let bits = weight_bits(from);
        scale_bits += bits;
        let unit = |o: usize| (0..layer.inputs).map(move |i| rounded(from[i * layer.outputs + o], bits));
        let mut own: Vec<Unit> = Vec::with_capacity(layer.outputs);
        for (o, &bias) in real.iter().enumerate() {
            let weights: Vec<i8> = unit(o).collect();
            let total: f32 = weights.iter().map(|&w| f32::from(w)).sum();
            own.push(Unit { weights, bias: bias * (scale_bits as f32).exp2() - zero * total });
        }
        let largest = activations.iter().flat_map(|x| own.iter().map(|unit| unit.sum(x))).fold(0.0, f32::max);
        let shift =
            if hidden { ((largest / 256.0).max(1.0).log2().floor() as i32 + 1).clamp(0, 24) } else { 0 };
        // Half of what the shift cuts off, so that it rounds.
        let half = if hidden && shift > 0 { ((shift - 1) as f32).exp2() } else { 0.0 };
        let added = |unit: &Unit| (unit.bias + half) / (BIAS_BITS as f32).exp2();
        biases.extend(own.iter().map(|unit| added(unit).round().clamp(-32_768.0, 32_767.0) as i16));
        if hidden {
            for x in &mut activations {
                *x = own.iter().map(|unit| ((unit.sum(x) + half) / (shift as f32).exp2()) as u8).collect();
            }
        }
        weights.extend(own.into_iter().flat_map(|unit| unit.weights));
        all.push(NetworkLayer { units: layer.outputs as u8, shift: shift as u8 });
        (zero, scale_bits) = (0.0, scale_bits - shift);
    }
    IntegerNetwork::new(inputs.to_vec(), all, weights, biases, provenance)
}

/// A unit on its way to integers.
struct Unit {
    weights: Vec<i8>,
    /// In units of the sum.
    bias: f32,
}

impl Unit {
    fn sum(&self, x: &[u8]) -> f32 {
        let products = self.weights.iter().zip(x).map(|(&w, &x)| i32::from(w) * i32::from(x));
        products.sum::<i32>() as f32 + self.bias
    }
}
