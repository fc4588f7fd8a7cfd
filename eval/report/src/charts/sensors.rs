//! What sensors save, as intervals about zero, up to what the clairvoyant plan saves.

use super::rows::{Axis, Row, draw};
use super::{DATA, Figure, Layout, marker};
use crate::policies::Significance;
use crate::tables::table;
use crate::text::{fixed, level_percent, plural, signed_percent};
use lowgear_eval::sensors::{SensorComparison, SensorWorth};
use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::Family;

/// Time saved with each sensor.
pub(in super::super) fn sensors(comparison: &SensorComparison) -> Figure {
    let level = comparison.settings.level;
    let rows: Vec<Row> =
        comparison.sensors.iter().map(|sensor| row(sensor, level)).chain([plan_row(comparison)]).collect();
    let controller = comparison.settings.controller.name();
    let label = format!("Course time saved by a {controller} with each sensor, and by the clairvoyant plan");
    let title = ("course time saved", "%");
    Figure {
        title: format!("Course time saved by a {controller} with each sensor"),
        caption: format!(
            "Share of the mean course time of the {controller} without a sensor, n = {}; the plan: its first {}. {} % intervals; \
             right is better. The plan knows the whole course.",
            plural(comparison.courses, "course"),
            plural(comparison.plan_percent.n_courses, "course"),
            level_percent(level)
        ),
        drawings: vec![draw(&rows, &Axis { label: &label, title, zero: 0.0, bars: false })],
        further: Vec::new(),
        fold: DATA,
        layout: Layout::Half,
        table: data(comparison),
    }
}

fn row(sensor: &SensorWorth, level: f64) -> Row {
    let saved = sensor.saved_percent;
    let significance = if sensor.time_p < 1.0 - level {
        Significance::Corrected
    } else if saved.low > 0.0 || saved.high < 0.0 {
        Significance::Uncorrected
    } else {
        Significance::None
    };
    let family = if sensor.card.reference { Family::Learned } else { Family::Table };
    Row {
        name: sensor.card.name.clone(),
        look: if sensor.card.reference { "learned" } else { "table" },
        marker: marker(family),
        interval: ends(saved),
        significance,
        figure: format!("{} %", signed_percent(saved.mean)),
        tip: format!("{}: {} %", sensor.verdict.words(), interval(saved)),
        central: true,
    }
}

fn plan_row(comparison: &SensorComparison) -> Row {
    let saved = comparison.plan_percent;
    Row {
        name: "clairvoyant plan".to_owned(),
        look: "plan",
        marker: marker(Family::Plan),
        interval: ends(saved),
        significance: Significance::Corrected,
        figure: format!("{} %", signed_percent(saved.mean)),
        tip: format!("{} %; knows the whole course", interval(saved)),
        central: true,
    }
}

fn ends(estimate: Estimate) -> (f64, f64, f64) {
    (estimate.mean, estimate.low, estimate.high)
}

/// "1.2 (0.4 to 2.0)".
fn interval(percent: Estimate) -> String {
    format!("{} ({} to {})", fixed(percent.mean, 1), fixed(percent.low, 1), fixed(percent.high, 1))
}

fn data(comparison: &SensorComparison) -> maud::Markup {
    let head = ["sensor", "saved, s", "saved, %", "p, corrected", "p of damage, corrected"];
    let rows = comparison.sensors.iter().map(|sensor| {
        [
            sensor.card.name.clone(),
            interval(sensor.saved_s),
            interval(sensor.saved_percent),
            fixed(sensor.time_p, 4),
            fixed(sensor.damage_p, 4),
        ]
    });
    table("Course time saved", &head, rows)
}
