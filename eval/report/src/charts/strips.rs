//! Shift maps as strips: one per gear over the speed ratio, and one per pair of gears over the wheel load.

use lowgear_env::request_name;
use maud::Markup;

use super::shift_map::{draw_cell, in_words, runs};
use crate::scale::{Scale, range};
use crate::svg::{Anchor, Frame, Svg};
use crate::text::plain;
use lowgear_eval::figures::{GearMap, LOAD_UNIT, LoadInterval, ShiftMapPicture};

const WIDTH: f64 = 420.0;
const LEFT: f64 = 52.0;
const RIGHT: f64 = WIDTH - 18.0;
/// Height of a strip, and of its share of the drawing.
const STRIP: f64 = 17.0;
const ROW: f64 = 22.0;

fn frame(x: Scale, rows: usize) -> Frame {
    let bottom = 4.0 + ROW * rows as f64;
    Frame { x, y: Scale::linear(0.0, 1.0, 0.0, 1.0), left: LEFT, right: RIGHT, top: 2.0, bottom }
}

/// The decisions of every gear, for a policy that decides alike in all rows.
pub(super) fn decisions(picture: &ShiftMapPicture, gears: &[&GearMap]) -> Markup {
    let columns = picture.x_edges.len() - 1;
    let ends = (picture.x_edges[0], picture.x_edges[columns]);
    let frame = frame(Scale::linear(ends.0, ends.1, LEFT, RIGHT), gears.len());
    let label = format!("{}: down, hold or up over {}, per gear", picture.policy, picture.x_title);
    let mut svg = Svg::new(WIDTH, frame.bottom + 36.0, &label);
    // The axis lies below, or its grid would cross the strips.
    svg.x_axis(&frame, 6, &picture.x_title, &picture.x_unit);
    for (row, gear) in gears.iter().enumerate() {
        let top = 4.0 + ROW * row as f64;
        svg.text((LEFT - 6.0, top + 13.0), Anchor::End, "row", &format!("gear {}", gear.gear + 1));
        for (from, to, cell) in runs(&gear.cells[..columns]) {
            let (low, high) = (picture.x_edges[from], picture.x_edges[to]);
            let (x0, x1) = (frame.x.at(low), frame.x.at(high));
            let words = format!(
                "gear {}, {} {} to {}: {}",
                gear.gear + 1,
                picture.x_title,
                plain(low),
                plain(high),
                in_words(cell)
            );
            svg.tipped(&words, |svg| draw_cell(svg, (x0, top), (x1 - x0, STRIP), cell));
        }
        for (from, to, decision) in wishes(gear, columns) {
            let (x0, x1) = (frame.x.at(picture.x_edges[from]), frame.x.at(picture.x_edges[to]));
            let word = request_name(decision);
            if x1 - x0 > 9.0 * word.len() as f64 {
                svg.text((0.5 * (x0 + x1), top + 12.5), Anchor::Middle, "word halo", word);
            }
        }
    }
    svg.finish()
}

/// Runs of one decision, whatever they rest on.
fn wishes(gear: &GearMap, columns: usize) -> Vec<(usize, usize, lowgear_onboard::Request)> {
    let mut out: Vec<(usize, usize, lowgear_onboard::Request)> = Vec::new();
    for (from, to, cell) in runs(&gear.cells[..columns]) {
        match out.last_mut() {
            Some((_, end, decision)) if *decision == cell.decision => *end = to,
            _ => out.push((from, to, cell.decision)),
        }
    }
    out
}

/// Where the lower gear of each pair asks up and the higher one down, over the steady wheel load. With more than one
/// row, the row in the middle is drawn.
pub(super) fn loads(picture: &ShiftMapPicture, gears: &[&GearMap], rows: usize) -> Markup {
    let row = rows / 2;
    let pairs: Vec<(&GearMap, &GearMap)> = gears.windows(2).map(|pair| (pair[0], pair[1])).collect();
    let all = || {
        let ends =
            |intervals: &[LoadInterval]| -> Vec<f64> { intervals.iter().flat_map(|i| [i.0, i.1]).collect() };
        pairs.iter().flat_map(move |(low, high)| [ends(&low.up[row]), ends(&high.down[row])]).flatten()
    };
    // Above the no-load speed the wheel drives the motor: such a steady load is negative.
    let (least, most) = range(all().chain([0.0]));
    let frame = frame(Scale::linear(least, most.max(100.0), LEFT, RIGHT), 2 * pairs.len());
    let label = format!("{}: requests over the steady wheel load, per pair of gears", picture.policy);
    let mut svg = Svg::new(WIDTH, frame.bottom + 36.0, &label);
    svg.x_axis(&frame, 6, "steady wheel load", LOAD_UNIT);
    for (index, (low, high)) in pairs.iter().enumerate() {
        let names = [(low.gear + 1, high.gear + 1), (high.gear + 1, low.gear + 1)];
        for (half, (intervals, class)) in
            [(&low.up[row], "ask-up"), (&high.down[row], "ask-down")].into_iter().enumerate()
        {
            let top = 4.0 + ROW * (2 * index + half) as f64;
            let (from, to) = names[half];
            svg.text((LEFT - 6.0, top + 13.0), Anchor::End, "row", &format!("{from} → {to}"));
            for (light, heavy) in intervals {
                let (x0, x1) = (frame.x.at(*light), frame.x.at(*heavy));
                let words = format!(
                    "shifts {from} to {to} at a wheel load of {} to {}",
                    plain(*light),
                    plain(*heavy)
                );
                svg.tipped(&words, |svg| svg.rect((x0, top), (x1 - x0, STRIP), class));
            }
        }
    }
    svg.finish()
}
