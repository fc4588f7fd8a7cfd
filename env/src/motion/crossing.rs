//! Where a quantity of a phase falls below zero: bisection that evaluates little.

/// Halvings of the time.
const HALVINGS: i32 = 40;
/// Half the bracket that is certified before the bisection, as a share of the time.
const BRACKET: f64 = 1.0 / (1u64 << 30) as f64;
/// Steps towards the crossing, at the most; most need seven.
const STEPS: usize = 12;

/// The end of the last of 40 halvings of `late_s`, within which a quantity falls from zero or more to less; at 0 and at
/// `late_s` it has the values `ends`, and in between it crosses once. `clear` is far above its rounding.
///
/// A quantity with exponentials is expensive, and a halving takes one evaluation: so the crossing is bracketed first by
/// a faster method, and only halvings inside the bracket evaluate. The result is that of plain bisection to the last
/// bit: on either side of the bracket the quantity is known, and the arithmetic of the halvings is the same.
pub(super) fn crossing_s(
    late_s: f64,
    ends: [f64; 2],
    clear: f64,
    mut quantity: impl FnMut(f64) -> f64,
) -> f64 {
    let [before_s, after_s] = bracket(late_s, ends, clear, &mut quantity).unwrap_or([0.0, late_s]);
    let (mut low, mut high) = (0.0, late_s);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        let falls = middle >= after_s || middle > before_s && quantity(middle) < 0.0;
        if falls { high = middle } else { low = middle }
    }
    high
}

/// Two times close together with the crossing between them. False position with the Illinois rule (Dowell, Jarratt
/// 1971, BIT 11:168-174); `None` where it does not settle or the quantity is not clear of rounding.
fn bracket(
    late_s: f64,
    ends: [f64; 2],
    clear: f64,
    quantity: &mut impl FnMut(f64) -> f64,
) -> Option<[f64; 2]> {
    let half_s = BRACKET * late_s;
    let (mut low, mut at_low, mut high, mut at_high) = (0.0, ends[0], late_s, ends[1]);
    let (mut last_s, mut last_fell) = (late_s, None);
    for _ in 0..STEPS {
        let at_s = (low * at_high - high * at_low) / (at_high - at_low);
        if (at_s - last_s).abs() < 0.5 * half_s {
            let sure = [at_s - half_s, at_s + half_s];
            return (quantity(sure[0]) > clear && quantity(sure[1]) < -clear).then_some(sure);
        }
        let value = quantity(at_s);
        let fell = value < 0.0;
        // An end that stays twice weighs half.
        let weight = if last_fell == Some(fell) { 0.5 } else { 1.0 };
        if fell {
            (high, at_high, at_low) = (at_s, value, weight * at_low);
        } else {
            (low, at_low, at_high) = (at_s, value, weight * at_high);
        }
        (last_s, last_fell) = (at_s, Some(fell));
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Seed, Stream};
    use rand::RngExt;

    fn plainly(late_s: f64, quantity: impl Fn(f64) -> f64) -> f64 {
        let (mut low, mut high) = (0.0, late_s);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if quantity(middle) >= 0.0 { low = middle } else { high = middle }
        }
        high
    }

    #[test]
    fn the_crossing_is_that_of_plain_bisection_to_the_last_bit() {
        let mut rng = Seed(1).stream(Stream::Course, 0);
        let (mut evaluations, mut crossings) = (0, 0);
        for case in 0..20_000 {
            // Sums of a constant and two exponentials of many shapes.
            let mut part = || rng.random::<f64>();
            let [rise, fall] = [4.0 * part() - 2.0, 4.0 * part() - 2.0];
            let [up, down] = [1.0 + 30.0 * part(), -1.0 - 80.0 * part()];
            let (start, late_s) = (2.0 * part(), 0.05 * (0.01 + part()));
            let quantity = |t: f64| start + rise * ((up * t).exp() - 1.0) + fall * ((down * t).exp() - 1.0);
            let ends = [quantity(0.0), quantity(late_s)];
            if ends[0] < 0.0 || ends[1] >= 0.0 {
                continue;
            }
            crossings += 1;
            let got = crossing_s(late_s, ends, 1e-12, |t| {
                evaluations += 1;
                quantity(t)
            });
            assert_eq!(got.to_bits(), plainly(late_s, quantity).to_bits(), "case {case}");
        }
        assert!(crossings > 2000, "{crossings} crossings");
        assert!(evaluations < 24 * crossings, "{evaluations} evaluations of {crossings} crossings");
    }
}
