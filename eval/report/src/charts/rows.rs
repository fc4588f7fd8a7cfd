//! Figures with intervals, one row per policy: names in a column on the left, figures in one on the right.

use maud::Markup;

use crate::policies::Significance;
use crate::scale::{Scale, focus};
use crate::svg::{Anchor, Frame, Marker, Svg};
use crate::text::shorten;

const WIDTH: f64 = 420.0;
/// Where names end and figures begin.
const LEFT: f64 = 158.0;
const RIGHT: f64 = 356.0;
const ROW: f64 = 23.0;
/// Letters of a name.
const LETTERS: usize = 25;

/// One policy.
pub(super) struct Row {
    /// Name.
    pub(super) name: String,
    /// Class of its look.
    pub(super) look: &'static str,
    /// Shape of its mark.
    pub(super) marker: Marker,
    /// Mean, lower and upper end.
    pub(super) interval: (f64, f64, f64),
    /// How its mark is filled.
    pub(super) significance: Significance,
    /// What stands in the right column.
    pub(super) figure: String,
    /// All figures, for pointer and keyboard.
    pub(super) tip: String,
    /// Whether the axis must hold it; others may lie off the scale.
    pub(super) central: bool,
}

/// What the rows have in common.
pub(super) struct Axis<'a> {
    /// Describes the drawing to screen readers.
    pub(super) label: &'a str,
    /// Title and unit.
    pub(super) title: (&'a str, &'a str),
    /// Where a strong line stands, and bars begin.
    pub(super) zero: f64,
    /// Bars instead of marks.
    pub(super) bars: bool,
}

/// The range of the axis: the central rows, and others near them.
fn scale(rows: &[Row], zero: f64) -> Scale {
    let ends = |central: bool| -> Vec<(f64, f64)> {
        let rows = rows.iter().filter(move |row| row.central == central);
        rows.map(|row| (row.interval.1, row.interval.2)).collect()
    };
    let (low, high) = focus(&[ends(true), vec![(zero, zero)]].concat(), &ends(false));
    Scale::over([low, high], 0.05, LEFT, RIGHT)
}

/// The names of the rows whose mean lies beyond the axis.
pub(super) fn off_scale(rows: &[Row], zero: f64) -> Vec<&str> {
    let x = scale(rows, zero);
    rows.iter().filter(|row| !x.holds(row.interval.0)).map(|row| row.name.as_str()).collect()
}

/// The drawing.
pub(super) fn draw(rows: &[Row], axis: &Axis<'_>) -> Markup {
    let x = scale(rows, axis.zero);
    let bottom = 6.0 + ROW * rows.len() as f64;
    let frame = Frame { x, y: Scale::linear(0.0, 1.0, 0.0, 1.0), left: LEFT, right: RIGHT, top: 4.0, bottom };
    let mut svg = Svg::new(WIDTH, bottom + 36.0, axis.label);
    svg.x_axis(&frame, 5, axis.title.0, axis.title.1);
    svg.line((x.at(axis.zero), frame.top), (x.at(axis.zero), bottom), "zero");
    for (index, row) in rows.iter().enumerate() {
        let y = 6.0 + ROW * (index as f64 + 0.5);
        svg.text((LEFT - 8.0, y + 4.0), Anchor::End, "row", &shorten(&row.name, LETTERS));
        svg.text((WIDTH - 2.0, y + 4.0), Anchor::End, "figure", &row.figure);
        svg.tipped(&format!("{}: {}", row.name, row.tip), |svg| {
            // Something to point at over the whole row.
            svg.rect((LEFT, y - 0.5 * ROW), (RIGHT - LEFT, ROW), "target");
            draw_row(svg, row, axis, x, y);
        });
    }
    svg.finish()
}

fn draw_row(svg: &mut Svg, row: &Row, axis: &Axis<'_>, x: Scale, y: f64) {
    let (mean, low, high) = row.interval;
    let (zero, end) = (x.at(axis.zero), x.at(mean));
    if axis.bars {
        let (from, to) = (zero.min(end), zero.max(end));
        svg.rect((from, y - 6.0), (to - from, 12.0), &format!("bar {}", row.look));
    }
    if !x.holds(mean) {
        let outwards = if mean > axis.zero { 1.0 } else { -1.0 };
        let shape = if outwards > 0.0 { Marker::TriangleRight } else { Marker::TriangleLeft };
        svg.line((end - 22.0 * outwards, y), (end - 6.0 * outwards, y), &format!("whisker {}", row.look));
        svg.marker(shape, (end - 5.0 * outwards, y), 4.5, &format!("mark {}", row.look));
    } else if axis.bars {
        svg.interval(&x, (low, high), y, "whisker ink");
    } else {
        svg.interval(&x, (low, high), y, &format!("whisker {}", row.look));
        mark(svg, row.marker, (end, y), row.significance, row.look);
    }
}

/// Filled where significant after correction, with a dot where only the uncorrected interval excludes zero, else hollow.
pub(super) fn mark(svg: &mut Svg, marker: Marker, at: (f64, f64), significance: Significance, look: &str) {
    let hollow = if significance == Significance::Corrected { "" } else { " hollow" };
    svg.marker(marker, at, 5.0, &format!("mark {look}{hollow}"));
    if significance == Significance::Uncorrected {
        svg.marker(Marker::Circle, at, 1.6, &format!("mark {look}"));
    }
}

/// How to read [`mark`].
pub(in super::super) const MARKS: &str = "Filled: significant after correction for all comparisons of the study. With a dot: the interval excludes \
     zero, but not after correction. Hollow: the interval includes zero.";
