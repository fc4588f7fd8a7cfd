//! From figures to coordinates, and ticks at round figures.

use super::text::{fixed, superscript};

/// Maps figures to coordinates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    low: f64,
    high: f64,
    start: f64,
    end: f64,
    log: bool,
}

impl Scale {
    /// Linear, from `low..high` to `start..end`. A range without extent is widened.
    pub(super) fn linear(low: f64, high: f64, start: f64, end: f64) -> Scale {
        let (low, high) = if high > low { (low, high) } else { (low - 0.5, low + 0.5) };
        Scale { low, high, start, end, log: false }
    }

    /// Over all of `values` (those finite), with a margin of `margin` of the range on both sides.
    pub(super) fn over(values: impl IntoIterator<Item = f64>, margin: f64, start: f64, end: f64) -> Scale {
        let (low, high) = range(values);
        let pad = (high - low) * margin;
        Scale::linear(low - pad, high + pad, start, end)
    }

    /// Logarithmic; both ends must lie above zero, else linear.
    pub(super) fn log(low: f64, high: f64, start: f64, end: f64) -> Scale {
        if low > 0.0 && high > low {
            Scale { low, high, start, end, log: true }
        } else {
            Scale::linear(low, high, start, end)
        }
    }

    /// Whether it is logarithmic.
    pub(super) fn is_log(&self) -> bool {
        self.log
    }

    /// Logarithmic when all values are positive and span more than a factor of twelve, else as [`Scale::over`].
    pub(super) fn log_if_wide(values: &[f64], margin: f64, start: f64, end: f64) -> Scale {
        let (low, high) = range(values.iter().copied());
        if low > 0.0 && high / low > 12.0 {
            let pad = (high / low).powf(margin);
            Scale { low: low / pad, high: high * pad, start, end, log: true }
        } else {
            Scale::over(values.iter().copied(), margin, start, end)
        }
    }

    /// Coordinate of `value`; a value beyond the range stays at its edge.
    pub(super) fn at(&self, value: f64) -> f64 {
        let share = if self.log {
            (value.max(f64::MIN_POSITIVE) / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        };
        self.start + share.clamp(0.0, 1.0) * (self.end - self.start)
    }

    /// Smallest and largest figure.
    pub(super) fn bounds(&self) -> (f64, f64) {
        (self.low, self.high)
    }

    /// Whether `value` lies within.
    pub(super) fn holds(&self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// About `wanted` round figures in range, with labels, and the power of ten taken out of the labels
    /// (0 for none).
    pub(super) fn ticks(&self, wanted: usize) -> (Vec<(f64, String)>, i32) {
        if self.log {
            return self.log_ticks();
        }
        let rough = (self.high - self.low) / wanted.max(1) as f64;
        let power = 10_f64.powf(rough.log10().floor());
        let step =
            [1.0, 2.0, 2.5, 5.0, 10.0].into_iter().find(|s| s * power >= rough).unwrap_or(10.0) * power;
        let largest = self.low.abs().max(self.high.abs());
        let exponent = if (0.01..1e5).contains(&largest) { 0 } else { largest.log10().floor() as i32 };
        let unit = 10_f64.powi(exponent);
        let decimals = decimals_of(step / unit);
        let first = (self.low / step - 1e-9).ceil() as i64;
        let last = (self.high / step + 1e-9).floor() as i64;
        let ticks = (first..=last)
            .take(50)
            .map(|k| (k as f64 * step, fixed(k as f64 * step / unit, decimals)))
            .collect();
        (ticks, exponent)
    }

    fn log_ticks(&self) -> (Vec<(f64, String)>, i32) {
        let decades = (self.high / self.low).log10();
        let steps: &[f64] = if decades > 2.5 { &[1.0] } else { &[1.0, 2.0, 5.0] };
        let (first, last) = (self.low.log10().floor() as i32, self.high.log10().ceil() as i32);
        let taken_out = if (0.05..1e5).contains(&self.high) { 0 } else { self.high.log10().floor() as i32 };
        let ticks = (first..=last)
            .flat_map(|decade| steps.iter().map(move |step| (decade, step * 10_f64.powi(decade))))
            .filter(|(_, value)| self.holds(*value))
            .map(|(decade, value)| {
                let shown = decade - taken_out;
                let label = match shown {
                    -3..=4 => fixed(value / 10_f64.powi(taken_out), (-shown).max(0) as usize),
                    _ => format!("{}×10{}", fixed(value / 10_f64.powi(decade), 0), superscript(shown)),
                };
                (value, label)
            })
            .collect();
        (ticks, taken_out)
    }
}

/// The title of an axis with the power of ten that its tick labels leave out.
pub(super) fn axis_title(title: &str, unit: &str, exponent: i32) -> String {
    match (unit.is_empty(), exponent) {
        (true, 0) => title.to_owned(),
        (false, 0) => format!("{title}, {unit}"),
        (_, _) => format!("{title}, 10{} {unit}", superscript(exponent)).trim_end().to_owned(),
    }
}

/// Smallest and largest finite value; (0, 1) when there is none.
pub(super) fn range(values: impl IntoIterator<Item = f64>) -> (f64, f64) {
    let (low, high) = values
        .into_iter()
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    if low <= high { (low, high) } else { (0.0, 1.0) }
}

/// A range stretches to this many times its core at most before the rest is drawn off the scale.
const STRETCH: f64 = 3.0;

/// The range over `core`, widened to those of `others` that lie near: one by one, the nearest first, as long as
/// the range stays within [`STRETCH`] times that of the core. Without a core it spans all.
pub(super) fn focus(core: &[(f64, f64)], others: &[(f64, f64)]) -> (f64, f64) {
    let ends = |pairs: &[(f64, f64)]| range(pairs.iter().flat_map(|(low, high)| [*low, *high]));
    let (mut low, mut high) = ends(core);
    let most = STRETCH * (high - low);
    if core.is_empty() || most <= 0.0 {
        return ends(&[core, others].concat());
    }
    let mut left: Vec<(f64, f64)> = others.to_vec();
    left.sort_by(|a, b| (a.1.max(high) - a.0.min(low)).total_cmp(&(b.1.max(high) - b.0.min(low))));
    for (from, to) in left {
        if to.max(high) - from.min(low) <= most {
            (low, high) = (low.min(from), high.max(to));
        }
    }
    (low, high)
}

fn decimals_of(step: f64) -> usize {
    (0..6)
        .find(|d| {
            let scaled = step * 10_f64.powi(*d);
            (scaled - scaled.round()).abs() < 1e-6 * scaled
        })
        .unwrap_or(6) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let (ticks, exponent) = Scale::linear(-3.0, 12.0, 0.0, 100.0).ticks(5);
        let labels: Vec<&str> = ticks.iter().map(|(_, label)| label.as_str()).collect();
        assert_eq!(labels, ["0", "5", "10"]);
        assert_eq!(exponent, 0);
        let (ticks, exponent) = Scale::linear(0.0, 0.000_04, 0.0, 100.0).ticks(4);
        assert_eq!(ticks.iter().map(|(_, l)| l.as_str()).collect::<Vec<_>>(), ["0", "1", "2", "3", "4"]);
        assert_eq!(exponent, -5);
        assert_eq!(axis_title("damage", "per km", -5), "damage, 10⁻⁵ per km");
    }

    #[test]
    fn a_range_without_extent_still_has_a_scale() {
        let scale = Scale::over([2.0, 2.0], 0.1, 0.0, 10.0);
        assert!((scale.at(2.0) - 5.0).abs() < 1e-12);
        assert_eq!(range([f64::NAN]), (0.0, 1.0));
    }

    #[test]
    fn far_ones_do_not_stretch_the_range() {
        let core = [(0.0, 0.0), (-4.0, 6.0)];
        assert_eq!(focus(&core, &[(300.0, 350.0), (3.0, 12.0), (-60.0, -50.0)]), (-4.0, 12.0));
        assert_eq!(focus(&[], &[(1.0, 2.0), (300.0, 350.0)]), (1.0, 350.0));
        assert_eq!(focus(&[(0.0, 0.0)], &[(5.0, 9.0)]), (0.0, 9.0));
    }

    #[test]
    fn wide_positive_ranges_are_logarithmic() {
        let scale = Scale::log_if_wide(&[1.0, 100.0], 0.0, 0.0, 10.0);
        assert!((scale.at(10.0) - 5.0).abs() < 1e-12);
        let labels: Vec<String> = scale.ticks(5).0.into_iter().map(|(_, label)| label).collect();
        assert_eq!(labels, ["1", "2", "5", "10", "20", "50", "100"]);
        let (ticks, exponent) = Scale::log_if_wide(&[0.000_4, 0.006], 0.0, 0.0, 10.0).ticks(5);
        let labels: Vec<&str> = ticks.iter().map(|(_, label)| label.as_str()).collect();
        assert_eq!((labels, exponent), (vec!["0.5", "1", "2", "5"], -3));
    }
}
