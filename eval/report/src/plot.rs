//! Line charts of series as one SVG file: panels with axes, units and a legend, readable in greyscale.

use crate::scale::{Scale, range};
use crate::svg::{Anchor, Frame, Marker, Svg};
use lowgear_sysid::plot::{Look, Panel, Plot, Series};

/// Of a whole file; its columns share it.
const WIDTH: f64 = 920.0;
const HEIGHT: f64 = 190.0;
/// Height of the title above the panels.
const HEAD: f64 = 26.0;
const LEFT: f64 = 58.0;
const RIGHT: f64 = 10.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 36.0;
/// Usual width of a letter in a title and in a legend.
const TITLE_LETTER: f64 = 6.2;
const LEGEND_LETTER: f64 = 6.0;
/// Height of a row of instants.
const ROW: f64 = 10.0;
/// Points of one series that are drawn, about; of more, every so many-th is.
const MOST_POINTS: usize = 1500;
/// Shapes of points, by the place of the series.
const MARKERS: [Marker; 4] = [Marker::Ring, Marker::Cross, Marker::Triangle, Marker::Square];

/// A plot as one SVG file.
#[must_use]
pub fn plot_svg(plot: &Plot) -> String {
    let columns = plot.columns.clamp(1, 4);
    let rows = plot.panels.len().div_ceil(columns);
    let panel_width = WIDTH / columns as f64;
    let mut svg = Svg::new(WIDTH, HEIGHT.mul_add(rows as f64, HEAD), &plot.title);
    svg.text((8.0, 17.0), Anchor::Start, "row", &plot.title);
    for (i, panel) in plot.panels.iter().enumerate() {
        let corner = (panel_width * (i % columns) as f64, HEAD + HEIGHT * (i / columns) as f64);
        draw(&mut svg, panel, corner, panel_width);
    }
    svg.standalone()
}

fn draw(svg: &mut Svg, panel: &Panel, (x, y): (f64, f64), width: f64) {
    let rows = panel.series.iter().filter(|s| s.look == Look::Instants).count();
    let frame = frame_of(panel, (x, y), width, rows);
    let room = ((frame.right - frame.left) / TITLE_LETTER) as usize;
    svg.text((frame.left, y + 14.0), Anchor::Start, "row", &shortened(&panel.title, room));
    svg.x_axis(&frame, 8, &panel.x_title, "");
    svg.y_axis(&frame, if panel.y_whole { whole_steps(&frame) } else { 6 }, &panel.y_title, "");
    let (mut legend_x, mut row_y) = (frame.left + 8.0, y + TOP);
    for (i, series) in panel.series.iter().enumerate() {
        let class = format!("series-{}", i % MARKERS.len());
        if series.look == Look::Instants {
            for at in series.points.iter().filter(|p| p.0.is_finite()).map(|p| frame.x.at(p.0)) {
                svg.line((at, row_y), (at, row_y + ROW - 3.0), &class);
            }
            row_y += ROW;
        } else {
            line_or_points(svg, series, i, &class, &frame);
        }
        legend_mark(svg, series.look, i, &class, (legend_x, y + 25.0));
        svg.text((legend_x + 10.0, y + 29.0), Anchor::Start, "tick", &series.name);
        legend_x += 34.0 + LEGEND_LETTER * series.name.chars().count() as f64;
    }
}

fn frame_of(panel: &Panel, (x, y): (f64, f64), width: f64, rows: usize) -> Frame {
    let points =
        || panel.series.iter().flat_map(|s| &s.points).filter(|p| p.0.is_finite() && p.1.is_finite());
    let (left, right) = (x + LEFT, x + width - RIGHT);
    let (top, bottom) = (y + TOP + ROW * rows as f64, y + HEIGHT - BOTTOM);
    let (first, last) = range(points().map(|p| p.0));
    // A log that begins a tick after nought begins at nought.
    let first = if first > 0.0 && first < 0.05 * last { 0.0 } else { first };
    let heights =
        || panel.series.iter().filter(|s| s.look != Look::Instants).flat_map(|s| &s.points).map(|p| p.1);
    let y = match panel.y_range {
        Some((low, high)) => Scale::linear(low, high, bottom, top),
        None => Scale::over(heights(), 0.06, bottom, top),
    };
    Frame { x: Scale::linear(first, last, left, right), y, left, right, top, bottom }
}

/// Steps along the left side so that only whole numbers are marked.
fn whole_steps(frame: &Frame) -> usize {
    let (low, high) = frame.y.bounds();
    ((high - low).ceil().max(1.0) as usize).min(6)
}

/// Coordinates of the points that are drawn. A point that is not finite stays, since it breaks a line.
fn kept<'a>(series: &'a Series, frame: &'a Frame) -> impl Iterator<Item = (f64, f64)> + 'a {
    let every = series.points.len().div_ceil(MOST_POINTS).max(1);
    series.points.iter().step_by(every).map(|&(x, y)| {
        if x.is_finite() && y.is_finite() { (frame.x.at(x), frame.y.at(y)) } else { (f64::NAN, f64::NAN) }
    })
}

fn line_or_points(svg: &mut Svg, series: &Series, index: usize, class: &str, frame: &Frame) {
    let points: Vec<(f64, f64)> = kept(series, frame).collect();
    if series.look == Look::Points {
        for at in points.into_iter().filter(|p| p.0.is_finite()) {
            svg.marker(MARKERS[index % MARKERS.len()], at, 1.7, &format!("point {class}"));
        }
        return;
    }
    let class = format!("{class}{}", if series.look == Look::Dashed { " dashed" } else { "" });
    for part in points.split(|p| !p.0.is_finite()) {
        if series.look == Look::Steps {
            let corners = part.windows(2).flat_map(|w| [w[0], (w[1].0, w[0].1)]).chain(part.last().copied());
            svg.polyline(&corners.collect::<Vec<_>>(), &class);
        } else {
            svg.polyline(part, &class);
        }
    }
}

fn legend_mark(svg: &mut Svg, look: Look, index: usize, class: &str, (x, y): (f64, f64)) {
    match look {
        Look::Points => svg.marker(MARKERS[index % MARKERS.len()], (x, y), 2.4, &format!("point {class}")),
        Look::Instants => svg.line((x, y - 4.0), (x, y + 4.0), class),
        Look::Line | Look::Steps => svg.line((x - 6.0, y), (x + 7.0, y), class),
        Look::Dashed => svg.line((x - 6.0, y), (x + 7.0, y), &format!("{class} dashed")),
    }
}

/// A title of at most `most` letters: the middle is left out, since a figure may stand at the end.
fn shortened(title: &str, most: usize) -> String {
    let letters = title.chars().count();
    if letters <= most {
        return title.to_owned();
    }
    let (head, tail) = (most / 2, most - most / 2 - 1);
    title.chars().take(head).chain(['…']).chain(title.chars().skip(letters - tail)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn panel(series: Vec<Series>) -> Panel {
        Panel {
            title: "t".into(),
            x_title: "time, s".into(),
            y_title: "speed, rad/s".into(),
            series,
            y_range: None,
            y_whole: false,
        }
    }

    fn plot(title: &str, panels: Vec<Panel>) -> String {
        plot_svg(&Plot { title: title.into(), panels, columns: 2 })
    }

    #[test]
    fn a_panel_has_axes_with_titles_and_escapes_its_words() {
        let points = (0..5000).map(|i| (f64::from(i), f64::from(i % 7))).collect();
        let svg = plot("x & y", vec![panel(vec![Series { name: "a<b".into(), look: Look::Line, points }])]);
        for words in ["a&lt;b", "x &amp; y", "time, s", "speed, rad/s"] {
            assert!(svg.contains(words), "{words}");
        }
        assert!(svg.len() < 60_000, "too many points: {}", svg.len());
        assert!(plot("empty", vec![]).ends_with("</svg>"));
    }

    #[test]
    fn a_point_that_is_not_finite_breaks_a_line() {
        let points = vec![(0.0, 1.0), (1.0, 2.0), (2.0, f64::NAN), (3.0, 2.0), (4.0, 1.0)];
        let svg = plot("gap", vec![panel(vec![Series { name: "n".into(), look: Look::Line, points }])]);
        assert_eq!(svg.matches("<polyline").count(), 2);
    }

    #[test]
    fn a_long_title_loses_its_middle() {
        assert_eq!(shortened("short", 62), "short");
        let long = shortened(&format!("level on {}: way off by +0.5 %", "grass".repeat(30)), 62);
        assert!(
            long.chars().count() == 62
                && long.starts_with("level on")
                && long.ends_with(": way off by +0.5 %"),
            "{long}"
        );
    }

    #[test]
    fn gears_are_marked_with_whole_numbers_only() {
        let points = (0..4).map(|i| (f64::from(i), f64::from(i % 3 + 1))).collect();
        let gears =
            Panel { y_whole: true, ..panel(vec![Series { name: "gear".into(), look: Look::Steps, points }]) };
        let svg = plot("gears", vec![gears]);
        let marked =
            svg.split("text-anchor=\"end\"").skip(1).map(|t| t.split(['<', '>']).nth(1).unwrap_or(""));
        let marked: Vec<&str> = marked.collect();
        assert_eq!(marked, ["1", "2", "3"]);
    }
}
