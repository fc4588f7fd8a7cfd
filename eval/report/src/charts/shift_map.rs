//! Shift maps: what a policy asks for over two features, per gear, and the hysteresis between two gears.

use lowgear_env::request_name;
use lowgear_onboard::Request;
use maud::Markup;

use super::{Figure, Layout};
use crate::scale::{Scale, range};
use crate::svg::{Anchor, Frame, Svg};
use crate::tables::table;
use crate::text::fixed;
use lowgear_eval::figures::{GearMap, LOAD_UNIT, MapCell, ShiftMapPicture, Support};

const WIDTH: f64 = 176.0;
const HEIGHT: f64 = 164.0;
/// Bands reach into the one below by this, so that no seam shows between them.
const OVERLAP: f64 = 0.3;

/// How to read the maps, with what the notes of all of them say; one paragraph before them.
pub(in super::super) fn common_words(pictures: &[ShiftMapPicture]) -> String {
    let Some(first) = pictures.first() else { return String::new() };
    let cells = || pictures.iter().flat_map(|p| &p.gears).flat_map(|gear| &gear.cells);
    let mut pale = String::new();
    if cells().any(|cell| cell.support == Support::None) {
        pale.push_str(" Pale crossed cells were never visited and are filled from the rule.");
    }
    if cells().any(|cell| cell.support == Support::Few) {
        pale.push_str(" Cells with rings had few visits.");
    }
    let note: String = sentences(&first.note)
        .filter(|sentence| is_common(pictures, sentence))
        .map(|sentence| format!(" {sentence}."))
        .collect();
    format!(
        "Decision of a policy in each gear, over {}, {} (across) and {}, {} (upwards): hatched is down, plain is \
         hold, dotted is up.{pale} The last panels show the upshift line of one gear (solid) and the downshift line of \
         the next (dashed) over steady wheel load: the policy shifts up left of the solid line and down right of the \
         dashed line. The shaded area between them is the hysteresis. Where it is hatched, the lines overlap: at such a \
         load each gear requests the other, which causes hunting unless a dwell time or another feature prevents \
         it.{note}",
        first.x_title, first.x_unit, first.y_title, first.y_unit,
    )
}

fn sentences(note: &str) -> impl Iterator<Item = &str> {
    note.split(". ")
        .map(|sentence| sentence.trim().trim_end_matches('.'))
        .filter(|sentence| !sentence.is_empty())
}

fn is_common(pictures: &[ShiftMapPicture], sentence: &str) -> bool {
    pictures.iter().all(|picture| sentences(&picture.note).any(|other| other == sentence))
}

/// The maps of all gears and the shift lines of all neighbouring pairs; `None` if the sizes do not agree. `all`
/// are the pictures that [`common_words`] speaks of.
pub(in super::super) fn shift_map(picture: &ShiftMapPicture, all: &[ShiftMapPicture]) -> Option<Figure> {
    let (columns, rows) = (picture.x_edges.len().checked_sub(1)?, picture.y_edges.len().checked_sub(1)?);
    let fits = |gear: &&GearMap| {
        gear.cells.len() == columns * rows && gear.up_load.len() == rows && gear.down_load.len() == rows
    };
    let gears: Vec<&GearMap> = picture.gears.iter().filter(fits).collect();
    if columns == 0 || rows == 0 || gears.is_empty() {
        return None;
    }
    let mut drawings: Vec<Markup> = gears.iter().map(|gear| draw_map(picture, gear)).collect();
    drawings.extend(gears.windows(2).map(|pair| draw_lines(picture, pair[0], pair[1])));
    let count = |support| gears.iter().flat_map(|gear| &gear.cells).filter(|c| c.support == support).count();
    let mut thin = String::new();
    if count(Support::None) > 0 {
        thin = format!(", {} of them filled from the rule", count(Support::None));
    }
    if let Some(visits) = picture.few_visits {
        thin.push_str(&format!(", {} visited fewer than {visits} times", count(Support::Few)));
    }
    let own: String = sentences(&picture.note)
        .filter(|sentence| !is_common(all, sentence))
        .map(|sentence| format!(" {sentence}."))
        .collect();
    Some(Figure {
        title: format!("Shift map: {}", picture.policy),
        caption: format!("n = {} cells{thin}.{own}", gears.len() * columns * rows),
        drawings,
        layout: Layout::Small,
        table: share_table(&gears),
    })
}

fn frame(picture: &ShiftMapPicture) -> Frame {
    let ends = |edges: &[f64]| (edges.first().copied().unwrap_or(0.0), edges.last().copied().unwrap_or(1.0));
    let ((x0, x1), (y0, y1)) = (ends(&picture.x_edges), ends(&picture.y_edges));
    let (left, right, top, bottom) = (38.0, WIDTH - 14.0, 20.0, HEIGHT - 34.0);
    Frame {
        x: Scale::linear(x0, x1, left, right),
        y: Scale::linear(y0, y1, bottom, top),
        left,
        right,
        top,
        bottom,
    }
}

fn axes(svg: &mut Svg, picture: &ShiftMapPicture, frame: &Frame) {
    // The unit in short; in full it stands before the maps.
    let unit = picture.x_unit.split(" of ").next().unwrap_or_default();
    svg.x_axis(frame, 2, &picture.x_title, unit);
    svg.y_axis(frame, 4, &picture.y_title, &picture.y_unit);
}

fn draw_map(picture: &ShiftMapPicture, gear: &GearMap) -> Markup {
    let frame = frame(picture);
    let columns = picture.x_edges.len() - 1;
    let number = gear.gear + 1;
    let label = format!(
        "{}, gear {number}: down, hold or up over {} and {}",
        picture.policy, picture.x_title, picture.y_title
    );
    let mut svg = Svg::new(WIDTH, HEIGHT, &label);
    svg.text((4.0, 13.0), Anchor::Start, "row", &format!("in gear {number}"));
    axes(&mut svg, picture, &frame);
    let mut largest: [(f64, (f64, f64)); 3] = [(0.0, (0.0, 0.0)); 3];
    let rows: Vec<&[MapCell]> = gear.cells.chunks_exact(columns).collect();
    let mut row = 0;
    for band in rows.chunk_by(|a, b| a == b) {
        let next = row + band.len();
        let (below, above) = (frame.y.at(picture.y_edges[row]), frame.y.at(picture.y_edges[next]));
        row = next;
        for (from, to, cell) in band.first().map(|cells| runs(cells)).unwrap_or_default() {
            let (x0, x1) = (frame.x.at(picture.x_edges[from]), frame.x.at(picture.x_edges[to]));
            let size = (x1 - x0, below - above + OVERLAP);
            let pale = if cell.support == Support::None { " pale" } else { "" };
            svg.rect((x0, above), size, &format!("ask-{}{pale}", request_name(cell.decision)));
            match cell.support {
                Support::None => svg.rect((x0, above), size, "filled"),
                Support::Few => svg.rect((x0, above), size, "few"),
                Support::Enough => {}
            }
            let place = &mut largest[cell.decision as usize];
            let area = (x1 - x0).min(60.0) * (below - above);
            let word = 8.0 * request_name(cell.decision).len() as f64 + 2.0;
            if area >= place.0 && x1 - x0 > word {
                *place = (area, (0.5 * (x0 + x1), 0.5 * (below + above)));
            }
        }
    }
    svg.line((frame.left, frame.bottom), (frame.right, frame.bottom), "axis");
    for (decision, (area, at)) in Request::ALL.into_iter().zip(largest) {
        if area > 0.0 {
            let y = at.1.clamp(frame.top + 10.0, frame.bottom - 8.0);
            svg.text((at.0, y + 3.5), Anchor::Middle, "word halo", request_name(decision));
        }
    }
    svg.finish()
}

/// Runs of equal cells in a row: first column, column past the last, cell.
fn runs(cells: &[MapCell]) -> Vec<(usize, usize, MapCell)> {
    let mut out: Vec<(usize, usize, MapCell)> = Vec::new();
    for (column, cell) in cells.iter().enumerate() {
        match out.last_mut() {
            Some((_, to, last)) if last == cell => *to = column + 1,
            _ => out.push((column, column + 1, *cell)),
        }
    }
    out
}

/// The upshift line of `low` and the downshift line of `high` over the wheel load.
fn draw_lines(picture: &ShiftMapPicture, low: &GearMap, high: &GearMap) -> Markup {
    let (from, to) = (low.gear + 1, high.gear + 1);
    let label = format!("{}: upshift line {from} to {to} and downshift line {to} to {from}", picture.policy);
    let mut svg = Svg::new(WIDTH, HEIGHT, &label);
    svg.text((4.0, 13.0), Anchor::Start, "row", &format!("lines {from} ↔ {to}"));
    svg.line((WIDTH - 96.0, 9.5), (WIDTH - 82.0, 9.5), "shift-up");
    svg.text((WIDTH - 79.0, 13.0), Anchor::Start, "tick", "up");
    svg.line((WIDTH - 60.0, 9.5), (WIDTH - 42.0, 9.5), "shift-down");
    svg.text((WIDTH - 39.0, 13.0), Anchor::Start, "tick", "down");
    let loads = low.up_load.iter().chain(&high.down_load).flatten().copied();
    // Above the no-load speed the wheel drives the motor: such a steady load is negative.
    let (least, most) = range(loads.chain([0.0]));
    let frame = frame(picture);
    let x = Scale::linear(1.2 * least, (1.2 * most).max(100.0), frame.left, frame.right);
    let frame = Frame { x, ..frame };
    svg.x_axis(&frame, 2, "wheel load", LOAD_UNIT.split(" of ").next().unwrap_or_default());
    svg.y_axis(&frame, 4, &picture.y_title, &picture.y_unit);
    let pairs: Vec<(&Option<f64>, &Option<f64>)> = low.up_load.iter().zip(&high.down_load).collect();
    let mut row = 0;
    for band in pairs.chunk_by(|a, b| a == b) {
        let next = row + band.len();
        if let Some((Some(up), Some(down))) = band.first() {
            let (x0, x1) = (frame.x.at(up.min(*down)), frame.x.at(up.max(*down)));
            let (below, above) = (frame.y.at(picture.y_edges[row]), frame.y.at(picture.y_edges[next]));
            let class = if up <= down { "hysteresis" } else { "overlap" };
            svg.rect((x0, above), (x1 - x0, below - above), class);
        }
        row = next;
    }
    step_line(&mut svg, picture, &frame, &low.up_load, "shift-up");
    step_line(&mut svg, picture, &frame, &high.down_load, "shift-down");
    svg.finish()
}

fn step_line(svg: &mut Svg, picture: &ShiftMapPicture, frame: &Frame, at: &[Option<f64>], class: &str) {
    let mut points: Vec<(f64, f64)> = Vec::new();
    for (row, boundary) in at.iter().enumerate() {
        if let Some(x) = boundary {
            points.push((frame.x.at(*x), frame.y.at(picture.y_edges[row])));
            points.push((frame.x.at(*x), frame.y.at(picture.y_edges[row + 1])));
        } else {
            svg.polyline(&points, class);
            points.clear();
        }
    }
    svg.polyline(&points, class);
}

fn share_table(gears: &[&GearMap]) -> Markup {
    let body = gears.iter().map(|gear| {
        let share = |decision: Request| {
            let n = gear.cells.iter().filter(|cell| cell.decision == decision).count();
            format!("{} %", fixed(100.0 * n as f64 / gear.cells.len().max(1) as f64, 0))
        };
        let rests = |support| gear.cells.iter().filter(|cell| cell.support == support).count().to_string();
        vec![
            (gear.gear + 1).to_string(),
            share(Request::Down),
            share(Request::Hold),
            share(Request::Up),
            rests(Support::None),
            rests(Support::Few),
            gear.cells.len().to_string(),
        ]
    });
    table(
        "Share of cells",
        &["gear", "down", "hold", "up", "filled from the rule", "few visits", "cells"],
        body,
    )
}
