//! Shift maps: what a policy asks for over two features, per gear, and the hysteresis between two gears.

use lowgear_onboard::Request;

use super::super::pictures::{GearMap, MapCell, ShiftMapPicture};
use super::super::scale::Scale;
use super::super::svg::{Anchor, Frame, Svg};
use super::super::tables::table;
use super::super::text::fixed;
use super::Figure;

const WIDTH: f64 = 250.0;
const HEIGHT: f64 = 220.0;

/// The maps of all gears and the shift lines of all neighbouring pairs; `None` if the sizes do not agree.
pub(in super::super) fn shift_map(picture: &ShiftMapPicture) -> Option<Figure> {
    let (columns, rows) = (picture.x_edges.len().checked_sub(1)?, picture.y_edges.len().checked_sub(1)?);
    let fits = |gear: &&GearMap| gear.cells.len() == columns * rows;
    let gears: Vec<&GearMap> = picture.gears.iter().filter(fits).collect();
    if columns == 0 || rows == 0 || gears.is_empty() {
        return None;
    }
    let mut drawings: Vec<String> = gears.iter().map(|gear| draw_map(picture, gear)).collect();
    drawings.extend(gears.windows(2).map(|pair| draw_lines(picture, pair[0], pair[1])));
    let filled = gears.iter().flat_map(|gear| &gear.cells).filter(|cell| cell.filled).count();
    let caption = format!(
        "What it asks for in each gear: hatched is down, plain is hold, dotted is up; pale crossed cells were \
         hardly visited and are filled from the rule ({filled} of n = {} cells). {} The last drawings lay the upshift line \
         of one gear (solid) over the downshift line of the next (dashed); the tone between them is the hysteresis.",
        gears.len() * columns * rows,
        picture.note
    );
    Some(Figure {
        title: format!("Shift map: {}", picture.policy),
        caption,
        drawings,
        wide: false,
        table: share_table(&gears),
    })
}

fn frame(picture: &ShiftMapPicture) -> Frame {
    let ends = |edges: &[f64]| (edges.first().copied().unwrap_or(0.0), edges.last().copied().unwrap_or(1.0));
    let ((x0, x1), (y0, y1)) = (ends(&picture.x_edges), ends(&picture.y_edges));
    let (left, right, top, bottom) = (46.0, WIDTH - 18.0, 24.0, HEIGHT - 36.0);
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
    svg.x_axis(frame, 4, &picture.x_title, &picture.x_unit);
    svg.y_axis(frame, 5, &picture.y_title, &picture.y_unit);
}

fn draw_map(picture: &ShiftMapPicture, gear: &GearMap) -> String {
    let frame = frame(picture);
    let columns = picture.x_edges.len() - 1;
    let number = gear.gear + 1;
    let label = format!(
        "{}, gear {number}: down, hold or up over {} and {}",
        picture.policy, picture.x_title, picture.y_title
    );
    let mut svg = Svg::new(WIDTH, HEIGHT, &label);
    svg.text((frame.left, 15.0), Anchor::Start, "row", &format!("in gear {number}"));
    axes(&mut svg, picture, &frame);
    let mut widest: [(f64, (f64, f64)); 3] = [(0.0, (0.0, 0.0)); 3];
    for (row, cells) in gear.cells.chunks_exact(columns).enumerate() {
        let (below, above) = (frame.y.at(picture.y_edges[row]), frame.y.at(picture.y_edges[row + 1]));
        for (from, to, cell) in runs(cells) {
            let (x0, x1) = (frame.x.at(picture.x_edges[from]), frame.x.at(picture.x_edges[to]));
            let pale = if cell.filled { " pale" } else { "" };
            svg.rect((x0, above), (x1 - x0, below - above), &format!("ask-{}{pale}", name(cell.decision)));
            if cell.filled {
                svg.rect((x0, above), (x1 - x0, below - above), "filled");
            }
            let place = &mut widest[cell.decision as usize];
            if x1 - x0 >= place.0 {
                *place = (x1 - x0, (0.5 * (x0 + x1), 0.5 * (below + above)));
            }
        }
    }
    for (decision, (width, at)) in Request::ALL.into_iter().zip(widest) {
        if width > 26.0 {
            let y = at.1.clamp(frame.top + 10.0, frame.bottom - 8.0);
            svg.text((at.0, y + 3.5), Anchor::Middle, "word halo", name(decision));
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

/// The upshift line of `low` over the downshift line of `high`.
fn draw_lines(picture: &ShiftMapPicture, low: &GearMap, high: &GearMap) -> String {
    let frame = frame(picture);
    let (from, to) = (low.gear + 1, high.gear + 1);
    let label = format!("{}: upshift line {from} to {to} and downshift line {to} to {from}", picture.policy);
    let mut svg = Svg::new(WIDTH, HEIGHT, &label);
    svg.text((frame.left, 15.0), Anchor::Start, "row", &format!("lines {from} ↔ {to}"));
    svg.line((WIDTH - 116.0, 11.0), (WIDTH - 98.0, 11.0), "shift-up");
    svg.text((WIDTH - 95.0, 14.5), Anchor::Start, "tick", "up");
    svg.line((WIDTH - 74.0, 11.0), (WIDTH - 56.0, 11.0), "shift-down");
    svg.text((WIDTH - 53.0, 14.5), Anchor::Start, "tick", "down");
    axes(&mut svg, picture, &frame);
    let up = boundaries(picture, low, Request::Up);
    let down = boundaries(picture, high, Request::Down);
    for (row, pair) in up.iter().zip(&down).enumerate() {
        if let (Some(a), Some(b)) = pair {
            let (x0, x1) = (frame.x.at(a.min(*b)), frame.x.at(a.max(*b)));
            let (below, above) = (frame.y.at(picture.y_edges[row]), frame.y.at(picture.y_edges[row + 1]));
            svg.rect((x0, above), (x1 - x0, below - above), "hysteresis");
        }
    }
    step_line(&mut svg, picture, &frame, &up, "shift-up");
    step_line(&mut svg, picture, &frame, &down, "shift-down");
    svg.finish()
}

/// Per row, the x at which the wish for `decision` first begins or ends.
fn boundaries(picture: &ShiftMapPicture, gear: &GearMap, decision: Request) -> Vec<Option<f64>> {
    gear.cells
        .chunks_exact(picture.x_edges.len() - 1)
        .map(|cells| {
            let at = cells
                .windows(2)
                .position(|two| (two[0].decision == decision) != (two[1].decision == decision));
            at.map(|column| picture.x_edges[column + 1])
        })
        .collect()
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

fn name(decision: Request) -> &'static str {
    match decision {
        Request::Down => "down",
        Request::Hold => "hold",
        Request::Up => "up",
    }
}

fn share_table(gears: &[&GearMap]) -> String {
    let body = gears.iter().map(|gear| {
        let share = |decision: Request| {
            let n = gear.cells.iter().filter(|cell| cell.decision == decision).count();
            format!("{} %", fixed(100.0 * n as f64 / gear.cells.len().max(1) as f64, 0))
        };
        let filled = gear.cells.iter().filter(|cell| cell.filled).count();
        vec![
            (gear.gear + 1).to_string(),
            share(Request::Down),
            share(Request::Hold),
            share(Request::Up),
            filled.to_string(),
            gear.cells.len().to_string(),
        ]
    });
    table("Share of cells", &["gear", "down", "hold", "up", "filled from the rule", "cells"], body)
}
