//! `e^x - 1` by our own arithmetic: the same bits on every machine, whatever its mathematics library.

use std::f64::consts::{LN_2, LOG2_E};

/// `ln 2` is split in two so that the remainder of a large argument keeps its digits.
const LN_2_HIGH: f64 = 0.693_147_180_369_123_8;
const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;
/// Adding 1.5 * 2^52 leaves the nearest whole number in the low bits of the sum, and taking it off again leaves it as a
/// number: quicker than converting it to an integer and back.
const ROUNDING: f64 = 6_755_399_441_055_744.0;
/// Beyond this the result overflows; motion never gets there, but a finite number is easier to live with.
const LARGEST: f64 = 700.0;

/// `e^x - 1` with a relative error below `1e-14`; arguments beyond ±700 count as that.
///
/// Reduction to `x = k ln 2 + r`, `|r| <= ln 2 / 2`, then the power series of `e^r - 1` to degree 13 (its
/// remainder is below `r^14 / 14!`, 1e-17 of `r`), evaluated in pairs to shorten the chain of dependences.
#[must_use]
#[inline(always)]
pub fn exp_m1(x: f64) -> f64 {
    if x.abs() <= 0.5 * LN_2 {
        series(x)
    } else if x.abs() <= LARGEST {
        reduced(x)
    } else {
        limited(x)
    }
}

/// The same for arguments within ±[`LARGEST`].
#[inline(always)]
fn reduced(x: f64) -> f64 {
    let shifted = x * LOG2_E + ROUNDING;
    let k = shifted - ROUNDING;
    let r = (x - k * LN_2_HIGH) - k * LN_2_LOW;
    let power = f64::from_bits(shifted.to_bits().wrapping_add(1023) << 52);
    power * series(r) + (power - 1.0)
}

/// The same for any argument. Limits that are a branch hold up no other argument.
#[cold]
#[inline(never)]
fn limited(x: f64) -> f64 {
    reduced(x.clamp(-LARGEST, LARGEST))
}

/// `1/n!` from 2 on.
const INVERSE_FACTORIALS: [f64; 12] = [
    1.0 / 2.0,
    1.0 / 6.0,
    1.0 / 24.0,
    1.0 / 120.0,
    1.0 / 720.0,
    1.0 / 5_040.0,
    1.0 / 40_320.0,
    1.0 / 362_880.0,
    1.0 / 3_628_800.0,
    1.0 / 39_916_800.0,
    1.0 / 479_001_600.0,
    1.0 / 6_227_020_800.0,
];

#[inline]
fn series(r: f64) -> f64 {
    let c = &INVERSE_FACTORIALS;
    let pair = |i: usize| c[i] + r * c[i + 1];
    let (r2, r4) = (r * r, (r * r) * (r * r));
    let low = pair(0) + r2 * pair(2);
    let middle = pair(4) + r2 * pair(6);
    let high = pair(8) + r2 * pair(10);
    r + r2 * (low + r4 * (middle + r4 * high))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_the_standard_library() {
        for i in -4000..4000 {
            for scale in [1e-9, 1e-3, 1e-2] {
                let x = f64::from(i) * scale;
                let (got, expected) = (exp_m1(x), x.exp_m1());
                assert!((got - expected).abs() <= 1e-14 * expected.abs(), "{x}: {got} {expected}");
            }
        }
    }

    #[test]
    fn extremes_stay_finite() {
        assert_eq!(exp_m1(0.0), 0.0);
        assert_eq!(exp_m1(-1e9), -1.0);
        assert!(exp_m1(1e9).is_finite());
    }
}
