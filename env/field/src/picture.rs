//! Small line charts as SVG: panels with axes, units and a legend, readable in greyscale.

use std::fmt::Write as _;

/// How a series is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// A full line.
    Line,
    /// A dashed line.
    Dashed,
    /// Points.
    Points,
    /// Steps.
    Steps,
    /// Upright ticks along the top: moments.
    Moments,
}

/// One series of a panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Name in the legend.
    pub name: String,
    /// Look.
    pub look: Look,
    /// Points; those that are not finite break a line.
    pub points: Vec<(f64, f64)>,
}

/// One chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// Title.
    pub title: String,
    /// Name and unit along the bottom.
    pub x_title: String,
    /// Name and unit along the left side.
    pub y_title: String,
    /// Series.
    pub series: Vec<Series>,
    /// Range along the left side; found from the points when left out.
    pub y_range: Option<(f64, f64)>,
}

const WIDTH: f64 = 460.0;
const HEIGHT: f64 = 190.0;
const LEFT: f64 = 58.0;
const RIGHT: f64 = 10.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 36.0;
/// Points of one series that are drawn, about; more are thinned out.
const MOST_POINTS: usize = 1500;

const STYLE: &str = "text{font:11px sans-serif;fill:#222}.t{font-weight:bold}.g{stroke:#ddd;stroke-width:.6}\
.a{stroke:#222;stroke-width:1}polyline{fill:none;stroke-width:1.3}.s0{stroke:#000}.s1{stroke:#2166ac}.s2{stroke:#b2182b}\
.s3{stroke:#1b7837}.d{stroke-dasharray:5 3}circle{fill:none;stroke-width:.8}";

/// Panels in `columns` columns as one SVG file.
#[must_use]
pub fn page(title: &str, panels: &[Panel], columns: usize) -> String {
    let columns = columns.clamp(1, 4);
    let rows = panels.len().div_ceil(columns);
    let (width, height) = (WIDTH * columns as f64, HEIGHT * rows as f64 + 26.0);
    let label = escape(title);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-label=\"{label}\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" \
         height=\"{height}\"><title>{label}</title><style>{STYLE}</style><rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\
         <text class=\"t\" x=\"8\" y=\"17\">{label}</text>"
    );
    for (i, panel) in panels.iter().enumerate() {
        let (x, y) = (WIDTH * (i % columns) as f64, 26.0 + HEIGHT * (i / columns) as f64);
        let _ = write!(out, "<g transform=\"translate({x} {y})\">");
        panel.draw(&mut out);
        out.push_str("</g>");
    }
    out.push_str("</svg>\n");
    out
}

impl Panel {
    fn draw(&self, out: &mut String) {
        let finite =
            || self.series.iter().flat_map(|s| &s.points).filter(|p| p.0.is_finite() && p.1.is_finite());
        let (x_low, x_high) = range(finite().map(|p| p.0), 0.0);
        let (y_low, y_high) = self.y_range.unwrap_or_else(|| {
            let shown = self.series.iter().filter(|s| s.look != Look::Moments).flat_map(|s| &s.points);
            range(shown.filter(|p| p.1.is_finite()).map(|p| p.1), 0.06)
        });
        let at = |(x, y): (f64, f64)| {
            let px = LEFT + (x - x_low) / (x_high - x_low) * (WIDTH - LEFT - RIGHT);
            let py = HEIGHT
                - BOTTOM
                - (y.clamp(y_low, y_high) - y_low) / (y_high - y_low) * (HEIGHT - TOP - BOTTOM);
            (px, py)
        };
        self.frame(out, (x_low, x_high), (y_low, y_high), &at);
        let mut legend_x = LEFT;
        for (i, series) in self.series.iter().enumerate() {
            let class = format!("s{}{}", i % 4, if series.look == Look::Dashed { " d" } else { "" });
            series.draw(out, &class, &at);
            let name = escape(&series.name);
            let mark = if series.look == Look::Points {
                "○"
            } else if series.look == Look::Dashed {
                "┄"
            } else {
                "─"
            };
            let _ = write!(
                out,
                "<text x=\"{legend_x:.0}\" y=\"29\"><tspan class=\"s{}\">{mark}</tspan> {name}</text>",
                i % 4
            );
            legend_x += 26.0 + 6.2 * series.name.chars().count() as f64;
        }
    }

    fn frame(&self, out: &mut String, x: (f64, f64), y: (f64, f64), at: &impl Fn((f64, f64)) -> (f64, f64)) {
        let (bottom, right) = (HEIGHT - BOTTOM, WIDTH - RIGHT);
        for tick in ticks(y) {
            let py = at((x.0, tick)).1;
            let _ = write!(
                out,
                "<line class=\"g\" x1=\"{LEFT}\" y1=\"{py:.1}\" x2=\"{right}\" y2=\"{py:.1}\"/>\
                <text text-anchor=\"end\" x=\"{:.0}\" y=\"{:.1}\">{}</text>",
                LEFT - 4.0,
                py + 4.0,
                shown(tick)
            );
        }
        for tick in ticks(x) {
            let px = at((tick, y.0)).0;
            let _ = write!(
                out,
                "<text text-anchor=\"middle\" x=\"{px:.1}\" y=\"{:.0}\">{}</text>",
                bottom + 14.0,
                shown(tick)
            );
        }
        let _ = write!(
            out,
            "<line class=\"a\" x1=\"{LEFT}\" y1=\"{bottom}\" x2=\"{right}\" y2=\"{bottom}\"/>\
             <line class=\"a\" x1=\"{LEFT}\" y1=\"{TOP}\" x2=\"{LEFT}\" y2=\"{bottom}\"/>\
             <text class=\"t\" x=\"{LEFT}\" y=\"14\">{}</text><text text-anchor=\"end\" x=\"{right}\" y=\"{:.0}\">{}</text>\
             <text text-anchor=\"middle\" transform=\"translate(11 {:.0}) rotate(-90)\">{}</text>",
            escape(&self.title),
            HEIGHT - 6.0,
            escape(&self.x_title),
            0.5 * (TOP + bottom),
            escape(&self.y_title)
        );
    }
}

impl Series {
    fn draw(&self, out: &mut String, class: &str, at: &impl Fn((f64, f64)) -> (f64, f64)) {
        let every = self.points.len().div_ceil(MOST_POINTS).max(1);
        let mut line = String::new();
        let end = |line: &mut String, out: &mut String| {
            if line.contains(' ') {
                let _ = write!(out, "<polyline class=\"{class}\" points=\"{line}\"/>");
            }
            line.clear();
        };
        let mut before: Option<f64> = None;
        for point in self.points.iter().step_by(if self.look == Look::Moments { 1 } else { every }) {
            if !(point.0.is_finite() && point.1.is_finite()) {
                end(&mut line, out);
                before = None;
                continue;
            }
            let (x, y) = at(*point);
            match self.look {
                Look::Points => {
                    let _ = write!(out, "<circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"1.2\"/>");
                }
                Look::Moments => {
                    let _ = write!(
                        out,
                        "<line class=\"{class}\" x1=\"{x:.1}\" y1=\"{TOP}\" x2=\"{x:.1}\" y2=\"{:.1}\"/>",
                        TOP + 12.0
                    );
                }
                Look::Line | Look::Dashed | Look::Steps => {
                    if let (Look::Steps, Some(level)) = (self.look, before) {
                        let _ = write!(line, " {x:.1},{level:.1}");
                    }
                    let _ = write!(line, "{}{x:.1},{y:.1}", if line.is_empty() { "" } else { " " });
                    before = Some(y);
                }
            }
        }
        end(&mut line, out);
    }
}

fn range(values: impl Iterator<Item = f64>, margin: f64) -> (f64, f64) {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
    if low > high {
        return (0.0, 1.0);
    }
    let room = if high > low { margin * (high - low) } else { 0.5 * high.abs().max(1.0) };
    (low - room, high + room)
}

/// Four to eight round values within a range.
fn ticks((low, high): (f64, f64)) -> Vec<f64> {
    let rough = (high - low) / 5.0;
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= rough).unwrap_or(rough);
    let first = (low / step).ceil() as i64;
    (0..12).map(|i| (first + i) as f64 * step).take_while(|t| *t <= high).collect()
}

fn shown(value: f64) -> String {
    let text = if value.abs() >= 10_000.0 || (value != 0.0 && value.abs() < 1e-3) {
        format!("{value:e}")
    } else {
        format!("{value:.3}")
    };
    if text.contains('.') && !text.contains('e') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// Text that may stand in XML; control characters are left out.
#[must_use]
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars().filter(|c| !c.is_control()) {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            _ => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panel_has_axes_with_titles_and_escapes_its_words() {
        let points = (0..5000).map(|i| (f64::from(i), f64::from(i % 7))).collect();
        let series = vec![Series { name: "a<b".into(), look: Look::Line, points }];
        let panel = Panel {
            title: "t".into(),
            x_title: "time, s".into(),
            y_title: "speed, rad/s".into(),
            series,
            y_range: None,
        };
        let svg = page("x & y", &[panel], 2);
        assert!(
            svg.contains("a&lt;b")
                && svg.contains("x &amp; y")
                && svg.contains("time, s")
                && svg.contains("speed, rad/s")
        );
        assert!(svg.len() < 60_000, "thinned out: {}", svg.len());
        assert!(page("empty", &[], 2).ends_with("</svg>\n"));
    }

    #[test]
    fn ticks_are_round_and_few() {
        assert_eq!(ticks((0.0, 10.0)), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        assert!(ticks((0.1234, 0.1239)).len() < 8);
    }
}
