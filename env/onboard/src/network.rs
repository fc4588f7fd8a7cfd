//! A small network in integers: 8-bit weights, 8-bit activations, 32-bit sums.

use super::{FEATURES, Features, Request};

/// Most inputs, and most units of a layer.
pub const MAX_WIDTH: usize = 64;
/// Most layers, with the last one.
pub const MAX_LAYERS: usize = 4;
/// What comes out: one sum per request.
const REQUESTS: u8 = 3;

/// How a feature becomes an activation of 0 to 255. 128 stands for zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum InputForm {
    /// 192 where the value is `low`, else 128.
    Equal = 0,
    /// `(value - low) >> shift`, within 0 to 255.
    Linear = 1,
    /// `16 log2(value + low) + shift - 64`, within 0 to 255. The logarithm is linear between powers of two.
    Log = 2,
}

/// One input.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NetworkInput {
    /// Index of the feature.
    pub feature: u8,
    /// How it is taken.
    pub form: InputForm,
    /// See [`InputForm`].
    pub low: i16,
    /// See [`InputForm`].
    pub shift: u8,
}

impl NetworkInput {
    /// The activation for a value of the feature.
    #[must_use]
    pub fn activation(&self, value: i16) -> u8 {
        let (value, low) = (value as i32, self.low as i32);
        match self.form {
            InputForm::Equal if value == low => 192,
            InputForm::Equal => 128,
            InputForm::Linear => clamped(if value > low { (value - low) >> (self.shift & 15) } else { 0 }),
            InputForm::Log => clamped(sixteenths(value + low) + self.shift as i32 - 64),
        }
    }
}

/// `16 log2(value)`, linear between powers of two, rounded down; 0 below 1.
fn sixteenths(value: i32) -> i32 {
    let (mut value, mut sum) = (if value < 1 { 1 } else { value }, 64);
    while value >= 32 {
        value >>= 1;
        sum += 16;
    }
    while value < 16 {
        value <<= 1;
        sum -= 16;
    }
    sum + value - 16
}

fn clamped(value: i32) -> u8 {
    if value < 0 {
        0
    } else if value > 255 {
        255
    } else {
        value as u8
    }
}

/// One layer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NetworkLayer {
    /// Units: 1 to [`MAX_WIDTH`], and 3 in the last layer.
    pub units: u8,
    /// A sum is shifted right by so many bits, 0 to 24; unused in the last layer.
    pub shift: u8,
}

/// Why a network was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NetworkError {
    /// No input, or more than [`MAX_WIDTH`].
    Inputs,
    /// This input names no feature.
    Feature(usize),
    /// No layer, or more than [`MAX_LAYERS`].
    Layers,
    /// This layer has no unit, too many, a shift out of range, or is the last one and has not three units.
    Layer(usize),
    /// Weights expected.
    Weights(usize),
    /// Biases expected.
    Biases(usize),
}

/// A network. Weights lie layer by layer, in a layer unit by unit, of a unit in the order of what goes in. A unit's sum is
/// `16 bias + weights x activations`; its activation `sum >> shift` within 0 to 255. The last layer has a sum for each
/// request; the greatest one is decided for, holding before shifting down before shifting up where they are equal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Network<'a> {
    inputs: &'a [NetworkInput],
    layers: &'a [NetworkLayer],
    weights: &'a [i8],
    biases: &'a [i16],
}

impl<'a> Network<'a> {
    /// Checks that the parts fit.
    ///
    /// # Errors
    /// [`NetworkError`] says what does not fit.
    pub const fn new(
        inputs: &'a [NetworkInput],
        layers: &'a [NetworkLayer],
        weights: &'a [i8],
        biases: &'a [i16],
    ) -> Result<Network<'a>, NetworkError> {
        if inputs.is_empty() || inputs.len() > MAX_WIDTH {
            return Err(NetworkError::Inputs);
        }
        if layers.is_empty() || layers.len() > MAX_LAYERS {
            return Err(NetworkError::Layers);
        }
        // Loops instead of iterators: firmware has its network checked by the compiler.
        let mut i = 0;
        while i < inputs.len() {
            if inputs[i].feature as usize >= FEATURES {
                return Err(NetworkError::Feature(i));
            }
            i += 1;
        }
        let (mut layer, mut width, mut count, mut units) = (0, inputs.len(), 0, 0);
        while layer < layers.len() {
            let own = layers[layer].units as usize;
            let last = layer + 1 == layers.len();
            let sized = own >= 1 && own <= MAX_WIDTH && (!last || layers[layer].units == REQUESTS);
            if !sized || layers[layer].shift > 24 {
                return Err(NetworkError::Layer(layer));
            }
            count += width * own;
            units += own;
            width = own;
            layer += 1;
        }
        if weights.len() != count {
            return Err(NetworkError::Weights(count));
        }
        if biases.len() != units {
            return Err(NetworkError::Biases(units));
        }
        Ok(Network { inputs, layers, weights, biases })
    }

    /// The sum of each request, by code.
    #[must_use]
    pub fn sums(&self, features: &Features) -> [i32; 3] {
        let mut x = [0u8; MAX_WIDTH];
        for (x, input) in x.iter_mut().zip(self.inputs) {
            *x = input.activation(features.at(input.feature));
        }
        let (mut weights, mut biases) = (self.weights.iter(), self.biases.iter());
        let (mut width, mut sums) = (self.inputs.len(), [0; 3]);
        for layer in self.layers {
            let (mut y, units) = ([0u8; MAX_WIDTH], layer.units as usize);
            for (unit, y) in y.iter_mut().take(units).enumerate() {
                let bias = biases.next().copied().unwrap_or(0) as i32;
                let products = x.iter().take(width).zip(weights.by_ref().take(width));
                let sum = products.fold(bias * 16, |sum, (&x, &w)| sum + x as i32 * w as i32);
                *y = clamped(if sum > 0 { sum >> (layer.shift & 31) } else { 0 });
                if let Some(last) = sums.get_mut(unit) {
                    *last = sum;
                }
            }
            (x, width) = (y, units);
        }
        sums
    }

    /// The decision at `features`.
    #[must_use]
    pub fn decide(&self, features: &Features) -> Request {
        let [down, hold, up] = self.sums(features);
        let (mut best, mut request) = (hold, Request::Hold);
        if down > best {
            (best, request) = (down, Request::Down);
        }
        if up > best { Request::Up } else { request }
    }
}
