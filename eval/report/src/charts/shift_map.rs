//! Shift maps: what a policy asks for over two features, per gear, and the hysteresis between two gears.

use lowgear_env::request_name;
use lowgear_onboard::Request;
use maud::Markup;

use super::{DATA, Figure, Layout, strips};
use crate::scale::Scale;
use crate::svg::{Anchor, Frame, Svg};
use crate::tables::table;
use crate::text::{fixed, plain};
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
        "Decision in each gear over {}, {}: hatched is down, plain is hold, dotted is up; strips where it does not change \
         with {}, else maps with it upwards.{pale} The lower strips show the same over steady wheel load, {LOAD_UNIT}: where \
         the lower gear asks up, and where the higher gear asks down. A gap between them is the hysteresis; where they \
         overlap, each gear requests the other, which causes hunting unless a dwell time or another feature prevents it.{note}",
        first.x_title, first.x_unit, first.y_title,
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
        gear.cells.len() == columns * rows && gear.up.len() == rows && gear.down.len() == rows
    };
    let gears: Vec<&GearMap> = picture.gears.iter().filter(fits).collect();
    if columns == 0 || rows == 0 || gears.is_empty() {
        return None;
    }
    let even = gears.iter().all(|gear| is_even(gear, columns));
    let mut drawings: Vec<Markup> = if even {
        vec![strips::decisions(picture, &gears)]
    } else {
        gears.iter().map(|gear| draw_map(picture, gear)).collect()
    };
    drawings.push(strips::loads(picture, &gears, if even { 1 } else { rows }));
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
        further: Vec::new(),
        fold: DATA,
        layout: if even { Layout::Half } else { Layout::Small },
        table: share_table(&gears),
    })
}

/// Whether the decisions are the same in every row.
fn is_even(gear: &GearMap, columns: usize) -> bool {
    let first = &gear.cells[..columns];
    gear.cells.chunks_exact(columns).all(|row| row == first)
        && gear.up.iter().all(|row| *row == gear.up[0])
        && gear.down.iter().all(|row| *row == gear.down[0])
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
            let words = format!(
                "gear {number}, {} {} to {}, {} {} to {}: {}",
                picture.x_title,
                plain(picture.x_edges[from]),
                plain(picture.x_edges[to]),
                picture.y_title,
                plain(picture.y_edges[next - band.len()]),
                plain(picture.y_edges[next]),
                in_words(cell)
            );
            svg.tipped(&words, |svg| draw_cell(svg, (x0, above), size, cell));
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

/// "up, never visited".
pub(super) fn in_words(cell: MapCell) -> String {
    let support = match cell.support {
        Support::None => ", never visited, filled from the rule",
        Support::Few => ", few visits",
        Support::Enough => "",
    };
    format!("{}{support}", request_name(cell.decision))
}

/// The tone of a decision and the mark of its support.
pub(super) fn draw_cell(svg: &mut Svg, at: (f64, f64), size: (f64, f64), cell: MapCell) {
    let pale = if cell.support == Support::None { " pale" } else { "" };
    svg.rect(at, size, &format!("ask-{}{pale}", request_name(cell.decision)));
    match cell.support {
        Support::None => svg.rect(at, size, "filled"),
        Support::Few => svg.rect(at, size, "few"),
        Support::Enough => {}
    }
}

/// Runs of equal cells in a row: first column, column past the last, cell.
pub(super) fn runs(cells: &[MapCell]) -> Vec<(usize, usize, MapCell)> {
    let mut out: Vec<(usize, usize, MapCell)> = Vec::new();
    for (column, cell) in cells.iter().enumerate() {
        match out.last_mut() {
            Some((_, to, last)) if last == cell => *to = column + 1,
            _ => out.push((column, column + 1, *cell)),
        }
    }
    out
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
