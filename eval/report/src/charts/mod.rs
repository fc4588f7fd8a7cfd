//! The charts, one file each. Every chart returns a [`Figure`]: drawing, caption with n, and the same
//! numbers as a table.

mod budget;
mod causes;
mod course;
mod curves;
mod events;
mod forest;
mod headroom;
mod heat;
mod laps;
mod profile;
mod robustness;
mod rows;
mod scatter;
mod sensors;
mod shift_map;
mod strips;
mod trace;

pub(super) use budget::{BudgetPicture, BudgetPoint, BudgetSeries, budgets};
pub(super) use causes::outcome_causes;
pub(super) use course::{course_chart, thin};
pub(super) use curves::{kept_start, learning_curves};
pub(super) use forest::{differences, improvement};
pub(super) use headroom::{headroom, steps_to_plan};
pub(super) use heat::heat_map;
pub(super) use laps::{along, by_lap, interval};
pub(super) use profile::{by_course, profiles};
pub(super) use robustness::{distinct, lead_lost, robustness, robustness_words};
pub(super) use rows::MARKS;
pub(super) use scatter::{frontier, time_against_damage};
pub(super) use sensors::sensors;
pub(super) use shift_map::{common_words, shift_map};
pub(super) use trace::{looks, trace, trace_chart};

use maud::Markup;

use super::svg::Marker;
use super::text::{fixed, number, superscript};
use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::Family;

/// A drawing with its words.
pub(super) struct Figure {
    /// Title.
    pub(super) title: String,
    /// What is shown, with n and the level.
    pub(super) caption: String,
    /// SVG elements.
    pub(super) drawings: Vec<Markup>,
    /// Further ones, in the fold with the table, which names them.
    pub(super) further: Vec<Markup>,
    /// Words of the fold.
    pub(super) fold: &'static str,
    /// How much room it takes.
    pub(super) layout: Layout,
    /// The same numbers as tables.
    pub(super) table: Markup,
}

/// Fold with nothing but the table.
pub(crate) const DATA: &str = "Data table";
/// Fold with a drawing of all policies.
const ALL: &str = "All policies, data table";

/// Room that a figure takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Layout {
    /// Half the page where there is room, the whole of a small screen.
    Half,
    /// The whole width, with many small drawings side by side.
    Small,
    /// The whole width; the drawing needs it and scrolls by itself on a small screen.
    Wide,
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
