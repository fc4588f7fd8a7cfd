//! The charts, one file each. Every chart returns a [`Figure`]: drawing, caption with n, and the same
//! numbers as a table.

mod causes;
mod curves;
mod forest;
mod heat;
mod scatter;
mod shift_map;
mod trace;

pub(super) use causes::outcome_causes;
pub(super) use curves::learning_curves;
pub(super) use forest::{differences, headroom};
pub(super) use heat::heat_map;
pub(super) use scatter::{frontier, time_against_damage};
pub(super) use shift_map::shift_map;
pub(super) use trace::{course_chart, trace, trace_chart};

use super::svg::Marker;
use super::text::{fixed, number, superscript};
use crate::statistics::Estimate;
use crate::summary::Family;

/// A drawing with its words. All texts are plain; the page escapes them. `drawings` and `table` are markup.
pub(super) struct Figure {
    /// Title.
    pub(super) title: String,
    /// What is shown, with n and the level.
    pub(super) caption: String,
    /// SVG elements.
    pub(super) drawings: Vec<String>,
    /// Whether the drawing needs a wide screen and scrolls on a small one.
    pub(super) wide: bool,
    /// The same numbers as an HTML table; may be empty.
    pub(super) table: String,
}

/// Class that carries the colour of a family.
fn class(family: Family) -> &'static str {
    match family {
        Family::Rule => "rule",
        Family::Learned => "learned",
        Family::Table => "table",
        Family::Plan => "plan",
    }
}

/// Marker of a family.
fn marker(family: Family) -> Marker {
    match family {
        Family::Rule => Marker::Square,
        Family::Learned => Marker::Circle,
        Family::Table => Marker::Diamond,
        Family::Plan => Marker::Triangle,
    }
}

/// "1.23 (1.10 to 1.36)", a power of ten taken out once.
pub(super) fn with_interval(estimate: &Estimate) -> String {
    let size = estimate.mean.abs();
    if size > 0.0 && size < 0.001 {
        let exponent = size.log10().floor() as i32;
        let scaled = |value: f64| fixed(value / 10_f64.powi(exponent), 2);
        let (mean, low, high) = (scaled(estimate.mean), scaled(estimate.low), scaled(estimate.high));
        return format!("{mean} ({low} to {high}) × 10{}", superscript(exponent));
    }
    format!("{} ({} to {})", number(estimate.mean), number(estimate.low), number(estimate.high))
}
