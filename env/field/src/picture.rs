//! Small line charts as SVG: panels with axes, units and a legend, readable in greyscale.

use std::fmt::Write as _;

/// How a series is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// A full line.
    Line,
    /// A dashed line.
    Dashed,
    /// Points, by the place of the series: rings, crosses, oblique crosses, squares.
    Points,
    /// Steps.
    Steps,
    /// Upright ticks above the plot, each series in a row of its own: moments.
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
    /// Whether only whole numbers stand along the left side.
    pub y_whole: bool,
}

/// Of a whole page; its columns share it.
const PAGE_WIDTH: f64 = 920.0;
const HEIGHT: f64 = 190.0;
const LEFT: f64 = 58.0;
const RIGHT: f64 = 10.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 36.0;
/// Usual width of a letter in a title.
const TITLE_LETTER: f64 = 6.2;
/// Height of a row of moments.
const MOMENTS: f64 = 10.0;
/// Points of one series that are drawn, about; more are thinned out.
const MOST_POINTS: usize = 1500;

const STYLE: &str = "svg{background:#fff}.b{fill:#fff}text{font:11px sans-serif;fill:#222}.t{font-weight:bold}.g{stroke:#ddd;stroke-width:.6}\
.a{stroke:#222;stroke-width:1}polyline,path{fill:none;stroke-width:1.3}.s0{stroke:#000}.s1{stroke:#2166ac}.s2{stroke:#b2182b}\
.s3{stroke:#1b7837}.d{stroke-dasharray:5 3}path.p{stroke-width:.9}\
@media (prefers-color-scheme:dark){svg{background:#161616}.b{fill:#161616}text{fill:#ddd}.g{stroke:#3a3a3a}.a{stroke:#bbb}.s0{stroke:#f2f2f2}\
.s1{stroke:#6db3f2}.s2{stroke:#ff8a80}.s3{stroke:#7fd18b}}";

/// Panels in `columns` columns as one SVG file.
#[must_use]
pub fn page(title: &str, panels: &[Panel], columns: usize) -> String {
    let columns = columns.clamp(1, 4);
    let rows = panels.len().div_ceil(columns);
    let panel_width = PAGE_WIDTH / columns as f64;
    let (width, height) = (PAGE_WIDTH, HEIGHT * rows as f64 + 26.0);
    let label = escape(title);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-label=\"{label}\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" \
         height=\"{height}\"><title>{label}</title><style>{STYLE}</style><rect class=\"b\" width=\"100%\" height=\"100%\"/>\
         <text class=\"t\" x=\"8\" y=\"17\">{label}</text>"
    );
    for (i, panel) in panels.iter().enumerate() {
        let (x, y) = (panel_width * (i % columns) as f64, 26.0 + HEIGHT * (i / columns) as f64);
        let _ = write!(out, "<g transform=\"translate({x} {y})\">");
        panel.draw(&mut out, panel_width);
        out.push_str("</g>");
    }
    out.push_str("</svg>\n");
    out
}

/// Where a plot stands in its panel, and its ranges.
struct Frame {
    right: f64,
    top: f64,
    x: (f64, f64),
    y: (f64, f64),
}

impl Frame {
    fn at(&self, (x, y): (f64, f64)) -> (f64, f64) {
        let share = |v: f64, (low, high): (f64, f64)| (v.clamp(low, high) - low) / (high - low);
        let (bottom, height) = (HEIGHT - BOTTOM, HEIGHT - BOTTOM - self.top);
        (LEFT + share(x, self.x) * (self.right - LEFT), bottom - share(y, self.y) * height)
    }
}

impl Panel {
    fn draw(&self, out: &mut String, width: f64) {
        let finite =
            || self.series.iter().flat_map(|s| &s.points).filter(|p| p.0.is_finite() && p.1.is_finite());
        let (x_low, x_high) = range(finite().map(|p| p.0), 0.0);
        // A log that begins a tick after nought begins at nought.
        let x_low = if x_low > 0.0 && x_low < 0.05 * x_high { 0.0 } else { x_low };
        let y = self.y_range.unwrap_or_else(|| {
            let shown = self.series.iter().filter(|s| s.look != Look::Moments).flat_map(|s| &s.points);
            range(shown.filter(|p| p.1.is_finite()).map(|p| p.1), 0.06)
        });
        let rows = self.series.iter().filter(|s| s.look == Look::Moments).count();
        let frame = Frame { right: width - RIGHT, top: TOP + MOMENTS * rows as f64, x: (x_low, x_high), y };
        self.axes(out, &frame);
        let (mut legend_x, mut row) = (LEFT + 8.0, 0);
        for (i, series) in self.series.iter().enumerate() {
            let class = format!("s{}{}", i % 4, if series.look == Look::Dashed { " d" } else { "" });
            series.draw(out, &class, i, TOP + MOMENTS * f64::from(row), &frame);
            row += i32::from(series.look == Look::Moments);
            series.mark(out, &class, i, legend_x);
            let _ =
                write!(out, "<text x=\"{:.0}\" y=\"29\">{}</text>", legend_x + 10.0, escape(&series.name));
            legend_x += 34.0 + 6.0 * series.name.chars().count() as f64;
        }
    }

    fn axes(&self, out: &mut String, frame: &Frame) {
        let (bottom, top, right) = (HEIGHT - BOTTOM, frame.top, frame.right);
        for tick in ticks(frame.y, 6.0, if self.y_whole { 1.0 } else { 0.0 }) {
            let py = frame.at((frame.x.0, tick)).1;
            let _ = write!(
                out,
                "<line class=\"g\" x1=\"{LEFT}\" y1=\"{py:.1}\" x2=\"{right}\" y2=\"{py:.1}\"/>\
                <text text-anchor=\"end\" x=\"{:.0}\" y=\"{:.1}\">{}</text>",
                LEFT - 4.0,
                py + 4.0,
                shown(tick)
            );
        }
        for tick in ticks(frame.x, 8.0, 0.0) {
            let px = frame.at((tick, frame.y.0)).0;
            let _ = write!(
                out,
                "<line class=\"a\" x1=\"{px:.1}\" y1=\"{bottom}\" x2=\"{px:.1}\" y2=\"{:.0}\"/>\
                <text text-anchor=\"middle\" x=\"{px:.1}\" y=\"{:.0}\">{}</text>",
                bottom + 4.0,
                bottom + 16.0,
                shown(tick)
            );
        }
        let _ = write!(
            out,
            "<line class=\"a\" x1=\"{LEFT}\" y1=\"{bottom}\" x2=\"{right}\" y2=\"{bottom}\"/>\
             <line class=\"a\" x1=\"{LEFT}\" y1=\"{top}\" x2=\"{LEFT}\" y2=\"{bottom}\"/>\
             <text class=\"t\" x=\"{LEFT}\" y=\"14\">{}</text><text text-anchor=\"middle\" x=\"{:.0}\" y=\"{:.0}\">{}</text>\
             <text text-anchor=\"middle\" transform=\"translate(11 {:.0}) rotate(-90)\">{}</text>",
            escape(&shortened(&self.title, right - LEFT)),
            0.5 * (LEFT + right),
            HEIGHT - 6.0,
            escape(&self.x_title),
            0.5 * (TOP + bottom),
            escape(&self.y_title)
        );
    }
}

/// A title that keeps within its panel: what is too much is left out of the middle, since a figure may stand at the end.
fn shortened(title: &str, width: f64) -> String {
    let (letters, most) = (title.chars().count(), (width / TITLE_LETTER) as usize);
    if letters <= most {
        return title.to_owned();
    }
    let (head, tail) = (most / 2, most - most / 2 - 1);
    title.chars().take(head).chain(['…']).chain(title.chars().skip(letters - tail)).collect()
}

/// A point as a piece of a path, by the place of its series.
fn point(out: &mut String, series: usize, (x, y): (f64, f64)) {
    let _ = match series % 4 {
        0 => write!(out, "M{:.1} {y:.1}a1.3 1.3 0 1 0 2.6 0a1.3 1.3 0 1 0-2.6 0", x - 1.3),
        1 => write!(out, "M{:.1} {y:.1}h4m-2-2v4", x - 2.0),
        2 => write!(out, "M{:.1} {:.1}l3 3m0-3l-3 3", x - 1.5, y - 1.5),
        _ => write!(out, "M{:.1} {:.1}h3v3h-3z", x - 1.5, y - 1.5),
    };
}

impl Series {
    /// Its mark in the legend.
    fn mark(&self, out: &mut String, class: &str, index: usize, x: f64) {
        let _ = match self.look {
            Look::Points => {
                let mut shape = String::new();
                point(&mut shape, index, (x, 25.0));
                write!(out, "<path class=\"{class} p\" d=\"{shape}\"/>")
            }
            Look::Moments => write!(out, "<path class=\"{class}\" d=\"M{:.1} 21v8m3-8v8\"/>", x - 1.5),
            Look::Line | Look::Dashed | Look::Steps => {
                write!(out, "<path class=\"{class}\" d=\"M{:.1} 25h14\"/>", x - 8.0)
            }
        };
    }

    fn draw(&self, out: &mut String, class: &str, index: usize, row_y: f64, frame: &Frame) {
        let every = self.points.len().div_ceil(MOST_POINTS).max(1);
        let (mut line, mut marks) = (String::new(), String::new());
        let end = |line: &mut String, out: &mut String| {
            if line.contains(' ') {
                let _ = write!(out, "<polyline class=\"{class}\" points=\"{line}\"/>");
            }
            line.clear();
        };
        let mut before: Option<f64> = None;
        for at in self.points.iter().step_by(if self.look == Look::Moments { 1 } else { every }) {
            if !(at.0.is_finite() && at.1.is_finite()) {
                end(&mut line, out);
                before = None;
                continue;
            }
            let (x, y) = frame.at(*at);
            match self.look {
                Look::Points => point(&mut marks, index, (x, y)),
                Look::Moments => {
                    let _ = write!(marks, "M{x:.1} {row_y}v{}", MOMENTS - 2.0);
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
        if !marks.is_empty() {
            let thin = if self.look == Look::Points { " p" } else { "" };
            let _ = write!(out, "<path class=\"{class}{thin}\" d=\"{marks}\"/>");
        }
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

/// Round values within a range, at most one more than `most` and at least a third as many, no nearer to each other than `least`.
fn ticks((low, high): (f64, f64), most: f64, least: f64) -> Vec<f64> {
    let rough = ((high - low) / most).max(least);
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
            y_whole: false,
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
    fn a_long_title_loses_its_middle() {
        assert_eq!(shortened("short", 390.0), "short");
        let long = shortened(&format!("level on {}: way off by +0.5 %", "grass".repeat(30)), 390.0);
        assert!(
            long.chars().count() <= 62
                && long.starts_with("level on")
                && long.ends_with(": way off by +0.5 %"),
            "{long}"
        );
    }

    #[test]
    fn ticks_are_round_and_few() {
        assert_eq!(ticks((0.0, 10.5), 8.0, 0.0), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        assert!(ticks((0.1234, 0.1239), 6.0, 0.0).len() < 8);
        assert_eq!(ticks((0.7, 3.3), 6.0, 1.0), [1.0, 2.0, 3.0], "gears are whole");
    }
}
