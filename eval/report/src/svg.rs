//! A small SVG writer. Looks come from classes (`chart.css`); coordinates have one decimal, so that the same
//! figures give the same bytes.

use std::fmt::Write as _;

use super::scale::{Scale, axis_title};
use super::text::escape;

/// Hatches and tones that fills refer to; once per page or file.
pub(super) const PATTERNS: &str = include_str!("patterns.svg");
/// Looks of every chart.
pub(super) const STYLE: &str = include_str!("chart.css");

/// A chart in the making. Units are those of its view box, about one screen pixel on a small screen.
pub(super) struct Svg {
    width: f64,
    height: f64,
    label: String,
    body: String,
}

/// Side of a text that its position marks.
#[derive(Clone, Copy)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// Shape of a point; shapes differ so that colour is never needed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Marker {
    Square,
    Circle,
    Diamond,
    Triangle,
    TriangleDown,
    TriangleLeft,
    TriangleRight,
    Cross,
    Ring,
}

/// The plotting area of a chart with its two scales.
pub(super) struct Frame {
    pub(super) x: Scale,
    pub(super) y: Scale,
    pub(super) left: f64,
    pub(super) right: f64,
    pub(super) top: f64,
    pub(super) bottom: f64,
}

impl Svg {
    /// An empty chart; `label` tells what it shows to those who cannot see it.
    pub(super) fn new(width: f64, height: f64, label: &str) -> Svg {
        Svg { width, height, label: escape(label), body: String::new() }
    }

    pub(super) fn line(&mut self, from: (f64, f64), to: (f64, f64), class: &str) {
        let (x1, y1, x2, y2) = (c(from.0), c(from.1), c(to.0), c(to.1));
        let _ = write!(self.body, r#"<line class="{class}" x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}"/>"#);
    }

    pub(super) fn rect(&mut self, corner: (f64, f64), size: (f64, f64), class: &str) {
        let (x, y, width, height) = (c(corner.0), c(corner.1), c(size.0.max(0.0)), c(size.1.max(0.0)));
        let _ =
            write!(self.body, r#"<rect class="{class}" x="{x}" y="{y}" width="{width}" height="{height}"/>"#);
    }

    pub(super) fn polyline(&mut self, points: &[(f64, f64)], class: &str) {
        if points.len() > 1 {
            let _ = write!(self.body, r#"<polyline class="{class}" points="{}"/>"#, list(points));
        }
    }

    pub(super) fn polygon(&mut self, points: &[(f64, f64)], class: &str) {
        let _ = write!(self.body, r#"<polygon class="{class}" points="{}"/>"#, list(points));
    }

    pub(super) fn text(&mut self, at: (f64, f64), anchor: Anchor, class: &str, text: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let (x, y, text) = (c(at.0), c(at.1), escape(text));
        let _ = write!(
            self.body,
            r#"<text class="{class}" text-anchor="{anchor}" x="{x}" y="{y}">{text}</text>"#
        );
    }

    /// Upright text turned by a quarter, reading upwards, centred on `at`.
    pub(super) fn text_upwards(&mut self, at: (f64, f64), class: &str, text: &str) {
        let (x, y, text) = (c(at.0), c(at.1), escape(text));
        let _ = write!(
            self.body,
            r#"<text class="{class}" text-anchor="middle" transform="translate({x} {y}) rotate(-90)">{text}</text>"#
        );
    }

    /// A marker of half-width `r`.
    pub(super) fn marker(&mut self, marker: Marker, at: (f64, f64), r: f64, class: &str) {
        let (x, y) = at;
        match marker {
            Marker::Square => self.rect((x - 0.85 * r, y - 0.85 * r), (1.7 * r, 1.7 * r), class),
            Marker::Circle | Marker::Ring => {
                let extra = if marker == Marker::Ring { " hollow" } else { "" };
                let (x, y, r) = (c(x), c(y), c(r));
                let _ = write!(self.body, r#"<circle class="{class}{extra}" cx="{x}" cy="{y}" r="{r}"/>"#);
            }
            Marker::Diamond => {
                let r = 1.2 * r;
                self.polygon(&[(x, y - r), (x + r, y), (x, y + r), (x - r, y)], class);
            }
            Marker::Triangle => {
                self.polygon(
                    &[(x, y - 1.1 * r), (x + 1.1 * r, y + 0.9 * r), (x - 1.1 * r, y + 0.9 * r)],
                    class,
                );
            }
            Marker::TriangleDown => {
                self.polygon(
                    &[(x, y + 1.1 * r), (x + 1.1 * r, y - 0.9 * r), (x - 1.1 * r, y - 0.9 * r)],
                    class,
                );
            }
            Marker::TriangleLeft => {
                self.polygon(&[(x - 1.1 * r, y), (x + 0.9 * r, y - r), (x + 0.9 * r, y + r)], class);
            }
            Marker::TriangleRight => {
                self.polygon(&[(x + 1.1 * r, y), (x - 0.9 * r, y - r), (x - 0.9 * r, y + r)], class);
            }
            Marker::Cross => {
                self.line((x - r, y - r), (x + r, y + r), class);
                self.line((x - r, y + r), (x + r, y - r), class);
            }
        }
    }

    /// Tick marks, grid lines, labels and title along the bottom of `frame`.
    pub(super) fn x_axis(&mut self, frame: &Frame, wanted: usize, title: &str, unit: &str) {
        let (ticks, exponent) = frame.x.ticks(wanted);
        for (value, label) in ticks {
            let x = frame.x.at(value);
            self.line((x, frame.top), (x, frame.bottom + 3.0), "grid");
            self.text((x, frame.bottom + 14.0), Anchor::Middle, "tick", &label);
        }
        self.line((frame.left, frame.bottom), (frame.right, frame.bottom), "axis");
        let middle = 0.5 * (frame.left + frame.right);
        self.text(
            (middle, frame.bottom + 29.0),
            Anchor::Middle,
            "axis-title",
            &axis_title(title, unit, exponent),
        );
    }

    /// The same along the left side.
    pub(super) fn y_axis(&mut self, frame: &Frame, wanted: usize, title: &str, unit: &str) {
        let (ticks, exponent) = frame.y.ticks(wanted);
        for (value, label) in ticks {
            let y = frame.y.at(value);
            self.line((frame.left - 3.0, y), (frame.right, y), "grid");
            self.text((frame.left - 5.0, y + 3.5), Anchor::End, "tick", &label);
        }
        self.line((frame.left, frame.top), (frame.left, frame.bottom), "axis");
        let middle = (10.0, 0.5 * (frame.top + frame.bottom));
        self.text_upwards(middle, "axis-title", &axis_title(title, unit, exponent));
    }

    /// Whisker from `low` to `high` at height `y`, with end strokes; an end off the scale has an arrow head.
    pub(super) fn interval(&mut self, scale: &Scale, (low, high): (f64, f64), y: f64, class: &str) {
        self.line((scale.at(low), y), (scale.at(high), y), class);
        for (value, outwards) in [(low, -1.0), (high, 1.0)] {
            let x = scale.at(value);
            if scale.holds(value) {
                self.line((x, y - 3.5), (x, y + 3.5), class);
            } else {
                self.polyline(&[(x - 5.0 * outwards, y - 4.0), (x, y), (x - 5.0 * outwards, y + 4.0)], class);
            }
        }
    }

    /// The finished element, for use inside a page that has [`PATTERNS`] and [`STYLE`].
    pub(super) fn finish(self) -> String {
        self.element("", "")
    }

    /// The same as a file of its own.
    pub(super) fn standalone(self) -> String {
        let head =
            format!("<style>{STYLE}</style>{PATTERNS}<rect class=\"paper\" width=\"100%\" height=\"100%\"/>");
        self.element(r#" xmlns="http://www.w3.org/2000/svg""#, &head)
    }

    fn element(self, namespace: &str, head: &str) -> String {
        let (width, height) = (c(self.width), c(self.height));
        let (label, body) = (self.label, self.body);
        format!(
            r#"<svg{namespace} class="chart" role="img" aria-label="{label}" viewBox="0 0 {width} {height}" width="{width}" height="{height}"><title>{label}</title>{head}{body}</svg>"#
        )
    }
}

/// A coordinate: one decimal, no negative zero, no needless ".0".
fn c(value: f64) -> String {
    let tenths = (value * 10.0).round() as i64;
    let (sign, size) = (if tenths < 0 { "-" } else { "" }, tenths.unsigned_abs());
    if size.is_multiple_of(10) {
        format!("{sign}{}", size / 10)
    } else {
        format!("{sign}{}.{}", size / 10, size % 10)
    }
}

fn list(points: &[(f64, f64)]) -> String {
    let mut out = String::with_capacity(points.len() * 12);
    for (x, y) in points {
        if !out.is_empty() {
            out.push(' ');
        }
        let _ = write!(out, "{},{}", c(*x), c(*y));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coordinates_have_one_decimal_at_most() {
        for (value, expected) in [(1.0, "1"), (-0.04, "0"), (-0.06, "-0.1"), (2.349, "2.3"), (f64::NAN, "0")]
        {
            assert_eq!(c(value), expected);
        }
    }

    #[test]
    fn labels_are_escaped_once() {
        let mut svg = Svg::new(10.0, 10.0, "a < b");
        svg.text((1.0, 2.0), Anchor::Middle, "tick", "<x>");
        let text = svg.finish();
        assert!(text.contains(r#"aria-label="a &lt; b""#) && text.contains("&lt;x&gt;"));
    }
}
