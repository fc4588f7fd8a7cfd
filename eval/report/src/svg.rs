//! A small SVG writer. Looks come from classes (`chart.css`); coordinates have one decimal, so that the same
//! figures give the same bytes.

use std::fmt::Write as _;

use maud::{Escaper, Markup, PreEscaped, html};

use super::scale::{Scale, axis_title};
use super::text::typeset;

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
    /// An empty chart; `label` describes it to screen readers.
    pub(super) fn new(width: f64, height: f64, label: &str) -> Svg {
        Svg { width, height, label: typeset(label), body: String::new() }
    }

    /// An element without content. Templates know no element that closes itself, hence this; like them it escapes
    /// every value.
    fn shape(&mut self, name: &str, attributes: &[(&str, &str)]) {
        let _ = write!(self.body, "<{name}");
        for (key, value) in attributes {
            let _ = write!(self.body, " {key}=\"");
            let _ = Escaper::new(&mut self.body).write_str(value);
            self.body.push('"');
        }
        self.body.push_str("/>");
    }

    /// Draws a group whose values `words` gives to a reader who points at it or steps to it with the keyboard.
    pub(super) fn tipped(&mut self, words: &str, draw: impl FnOnce(&mut Svg)) {
        self.body.push_str("<g data-tip=\"");
        let _ = Escaper::new(&mut self.body).write_str(&typeset(words));
        self.body.push_str("\">");
        draw(self);
        self.body.push_str("</g>");
    }

    pub(super) fn line(&mut self, from: (f64, f64), to: (f64, f64), class: &str) {
        let (x1, y1, x2, y2) = (c(from.0), c(from.1), c(to.0), c(to.1));
        self.shape("line", &[("class", class), ("x1", &x1), ("y1", &y1), ("x2", &x2), ("y2", &y2)]);
    }

    pub(super) fn rect(&mut self, corner: (f64, f64), size: (f64, f64), class: &str) {
        let (x, y, width, height) = (c(corner.0), c(corner.1), c(size.0.max(0.0)), c(size.1.max(0.0)));
        let place = [("class", class), ("x", &x), ("y", &y), ("width", &width), ("height", &height)];
        self.shape("rect", &place);
    }

    pub(super) fn polyline(&mut self, points: &[(f64, f64)], class: &str) {
        if points.len() > 1 {
            self.shape("polyline", &[("class", class), ("points", &list(points))]);
        }
    }

    pub(super) fn polygon(&mut self, points: &[(f64, f64)], class: &str) {
        self.shape("polygon", &[("class", class), ("points", &list(points))]);
    }

    pub(super) fn text(&mut self, at: (f64, f64), anchor: Anchor, class: &str, text: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let text = html! {
            text class=(class) text-anchor=(anchor) x=(c(at.0)) y=(c(at.1)) { (typeset(text)) }
        };
        self.body.push_str(&text.0);
    }

    /// Upright text turned by a quarter, reading upwards, centred on `at`.
    pub(super) fn text_upwards(&mut self, at: (f64, f64), class: &str, text: &str) {
        let turn = format!("translate({} {}) rotate(-90)", c(at.0), c(at.1));
        let text = html! {
            text class=(class) text-anchor="middle" transform=(turn) { (typeset(text)) }
        };
        self.body.push_str(&text.0);
    }

    /// A marker of half-width `r`.
    pub(super) fn marker(&mut self, marker: Marker, at: (f64, f64), r: f64, class: &str) {
        let (x, y) = at;
        match marker {
            Marker::Square => self.rect((x - 0.85 * r, y - 0.85 * r), (1.7 * r, 1.7 * r), class),
            Marker::Circle | Marker::Ring => {
                let extra = if marker == Marker::Ring { " hollow" } else { "" };
                let class = format!("{class}{extra}");
                self.shape("circle", &[("class", &class), ("cx", &c(x)), ("cy", &c(y)), ("r", &c(r))]);
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
        // Beyond the figures of this frame; there may be another one to its left.
        let middle = ((frame.left - 48.0).max(10.0), 0.5 * (frame.top + frame.bottom));
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
    pub(super) fn finish(self) -> Markup {
        self.element(None, &Markup::default())
    }

    /// The same as a file of its own.
    pub(super) fn standalone(self) -> String {
        let head = html! {
            style { (PreEscaped(STYLE)) }
            (PreEscaped(PATTERNS))
            (PreEscaped(r#"<rect class="paper" width="100%" height="100%"/>"#))
        };
        self.element(Some("http://www.w3.org/2000/svg"), &head).into_string()
    }

    fn element(self, namespace: Option<&str>, head: &Markup) -> Markup {
        let (width, height) = (c(self.width), c(self.height));
        let view = format!("0 0 {width} {height}");
        html! {
            svg xmlns=[namespace] class="chart" role="img" aria-label=(self.label) viewBox=(view) width=(width) height=(height) {
                title { (self.label) }
                (head)
                (PreEscaped(self.body))
            }
        }
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
    fn labels_are_escaped_once_and_attributes_cannot_be_left() {
        let mut svg = Svg::new(10.0, 10.0, "a < \"b\"");
        svg.text((1.0, 2.0), Anchor::Middle, "tick", "<x>");
        svg.rect((1.0, 2.0), (3.0, 4.0), "a\" onload=\"b");
        let text = svg.finish().into_string();
        assert!(
            text.contains(r#"aria-label="a &lt; &quot;b&quot;""#) && text.contains("&lt;x&gt;"),
            "{text}"
        );
        assert!(text.contains(r#"class="a&quot; onload=&quot;b" x="1""#), "{text}");
    }
}
