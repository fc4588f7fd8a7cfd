//! What a hidden layer ends in.

use burn::tensor::{Tensor, activation};
use serde::{Deserialize, Serialize};

/// What a hidden layer ends in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Activation {
    /// `max(x, 0)`.
    #[default]
    Relu,
    /// `tanh x`: smooth, and within ±1 whatever the observation.
    Tanh,
}

impl Activation {
    /// Replaces each number by what comes out for it.
    #[inline(always)]
    pub(crate) fn apply(self, values: &mut [f32]) {
        match self {
            Activation::Relu => values.iter_mut().for_each(|v| *v = v.max(0.0)),
            Activation::Tanh => values.iter_mut().for_each(|v| *v = v.tanh()),
        }
    }

    /// Leads a derivative back through it, given what came out.
    #[inline(always)]
    pub(crate) fn back(self, slope: &mut [f32], out: &[f32]) {
        match self {
            Activation::Relu => {
                slope.iter_mut().zip(out).for_each(|(s, y)| *s = if *y > 0.0 { *s } else { 0.0 })
            }
            Activation::Tanh => slope.iter_mut().zip(out).for_each(|(s, y)| *s *= 1.0 - y * y),
        }
    }

    /// The same on the tensor library.
    pub(crate) fn tensor(self, x: Tensor<2>) -> Tensor<2> {
        match self {
            Activation::Relu => activation::relu(x),
            Activation::Tanh => activation::tanh(x),
        }
    }

    /// Bound of fresh weights in front of it: `sqrt(6 / inputs)` for a `relu` (He et al. 2015, "Delving deep into
    /// rectifiers", ICCV), `sqrt(3 / inputs)` for a `tanh`, which keeps the variance where it is nearly linear (LeCun
    /// et al. 1998, "Efficient backprop").
    pub(crate) fn bound(self, inputs: usize) -> f32 {
        let gain = match self {
            Activation::Relu => 6.0,
            Activation::Tanh => 3.0,
        };
        (gain / inputs as f32).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slopes_equal_finite_differences() {
        for activation in [Activation::Relu, Activation::Tanh] {
            for x in [-1.3_f32, -0.2, 0.4, 2.0] {
                let mut around = [x - 0.01, x + 0.01];
                activation.apply(&mut around);
                let (mut slope, mut out) = ([3.0], [x]);
                activation.apply(&mut out);
                activation.back(&mut slope, &out);
                let expected = 3.0 * (around[1] - around[0]) / 0.02;
                assert!((slope[0] - expected).abs() < 1e-3, "{activation:?} at {x}: {} {expected}", slope[0]);
            }
        }
    }
}
