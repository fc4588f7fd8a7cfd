//! What a vehicle gains that learns its way by itself: by the number of the lap, and by the place on it.

use super::rows::{Axis, Row, draw};
use super::{DATA, Figure, Layout, marker};
use crate::policies::Significance;
use crate::scale::Scale;
use crate::svg::{Anchor, Frame, Svg};
use crate::tables::table;
use crate::text::{fixed, level_percent, plural, signed_percent};
use lowgear_eval::laps::{LapRow, LapWorth, PIECE_M, WayGain};
use lowgear_eval::summary::Family;
use maud::Markup;

const WIDTH: f64 = 420.0;
/// Height of the panel of a way; the last one has the title of the axis below.
const PANEL: f64 = 118.0;
const AXIS: f64 = 22.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = WIDTH - 16.0;
/// In a panel: rows of ticks above the line, for what is marked and for obstacles, and the frame of the line.
const MARKED_Y: f64 = 16.0;
const OBSTACLE_Y: f64 = 28.0;
const TOP: f64 = 38.0;
const BOTTOM: f64 = PANEL - 18.0;

/// Time by the number of the lap.
pub(in super::super) fn by_lap(worth: &LapWorth) -> Figure {
    let rows: Vec<Row> = worth.by_lap.iter().enumerate().map(|(lap, row)| lap_row(lap, row)).collect();
    let label = "Lap time with what was learned, against the policy alone, by the number of the lap";
    let title = ("lap time, against the policy alone", "%");
    Figure {
        title: "Gain by the number of the lap".to_owned(),
        caption: format!(
            "Lap time against the policy alone on the same laps, n = {}; {} % intervals; left is faster. What counts as \
             learned are laps {} to {}.",
            plural(worth.ways as usize, "way"),
            level_percent(worth.level),
            worth.learning_laps + 1,
            worth.laps
        ),
        drawings: vec![draw(&rows, &Axis { label, title, zero: 0.0, bars: false })],
        further: Vec::new(),
        fold: DATA,
        layout: Layout::Half,
        table: lap_table(worth),
    }
}

fn lap_row(lap: usize, row: &LapRow) -> Row {
    let percent = row.time.difference_percent;
    let significance =
        if percent.low > 0.0 || percent.high < 0.0 { Significance::Corrected } else { Significance::None };
    Row {
        name: format!("lap {}", lap + 1),
        look: "table",
        marker: marker(Family::Table),
        interval: (percent.mean, percent.low, percent.high),
        significance,
        figure: format!("{} %", signed_percent(percent.mean)),
        tip: format!("{} %", interval(row)),
        central: true,
    }
}

/// "-1.2 (-2.0 to -0.4)".
pub(in super::super) fn interval(row: &LapRow) -> String {
    let percent = row.time.difference_percent;
    format!(
        "{} ({} to {})",
        signed_percent(percent.mean),
        signed_percent(percent.low),
        signed_percent(percent.high)
    )
}

fn lap_table(worth: &LapWorth) -> Markup {
    let rows = worth.by_lap.iter().enumerate().map(|(lap, row)| {
        [
            (lap + 1).to_string(),
            fixed(row.time.time_s, 1),
            interval(row),
            signed_percent(row.time.damage_percent),
            fixed(row.needless, 2),
        ]
    });
    let head = ["lap", "lap time, s", "against the policy, %", "damage, %", "needless advice"];
    table("Gain by the number of the lap", &head, rows)
}

/// Time won along three ways.
pub(in super::super) fn along(worth: &LapWorth) -> Figure {
    let names = ["largest gain", "median", "smallest gain"];
    let ways: Vec<(&str, &WayGain)> = names.into_iter().zip(&worth.examples).collect();
    let rows = ways.iter().map(|(name, way)| {
        [
            (*name).to_owned(),
            (way.way + 1).to_string(),
            fixed(way.total_s(), 1),
            way.marked_m.iter().map(|m| fixed(*m, 1)).collect::<Vec<_>>().join(", "),
        ]
    });
    let head = ["way", "number", "won on a lap, s", "stalled at, m"];
    Figure {
        title: "Where on the lap it is won".to_owned(),
        caption: format!(
            "Time won from the start of the lap on, mean of laps {} to {}, on three ways of {}: where the line rises, time is \
             won. Long ticks: cells in which the vehicle has stalled. Short ticks: obstacles.",
            worth.learning_laps + 1,
            worth.laps,
            worth.ways
        ),
        drawings: vec![draw_ways(&ways)],
        further: Vec::new(),
        fold: DATA,
        layout: Layout::Half,
        table: table("Time won on three ways", &head, rows),
    }
}

/// Time won up to the end of each piece, s.
fn running_s(way: &WayGain) -> Vec<f64> {
    let add = |sum: &mut f64, won: &f64| {
        *sum += won;
        Some(*sum)
    };
    way.won_s.iter().scan(0.0, add).collect()
}

/// Panels one below the other, with the same scales.
fn draw_ways(ways: &[(&str, &WayGain)]) -> Markup {
    let running = || ways.iter().flat_map(|(_, way)| running_s(way)).chain([0.0]);
    let pieces = ways.iter().map(|(_, way)| way.won_s.len()).max().unwrap_or(1);
    let mut svg = Svg::new(WIDTH, PANEL * ways.len() as f64 + AXIS, "Time won along three ways");
    for (index, (name, way)) in ways.iter().enumerate() {
        let y = PANEL * index as f64;
        let frame = Frame {
            x: Scale::linear(0.0, PIECE_M * pieces as f64, LEFT, RIGHT),
            y: Scale::over(running(), 0.06, y + BOTTOM, y + TOP),
            left: LEFT,
            right: RIGHT,
            top: y + TOP,
            bottom: y + BOTTOM,
        };
        let title = if index + 1 == ways.len() { ("way from the start of the lap", "m") } else { ("", "") };
        svg.x_axis(&frame, 5, title.0, title.1);
        svg.y_axis(&frame, 3, "won", "s");
        draw_way(&mut svg, (name, way), &frame, y);
    }
    svg.finish()
}

fn draw_way(svg: &mut Svg, (name, way): (&str, &WayGain), frame: &Frame, y: f64) {
    svg.line((LEFT, frame.y.at(0.0)), (RIGHT, frame.y.at(0.0)), "zero");
    for (places_m, y, length, class) in [
        (&way.marked_m, y + MARKED_Y, 9.0, "thick learned"),
        (&way.obstacles_m, y + OBSTACLE_Y, 6.0, "whisker ink"),
    ] {
        for m in places_m.iter().filter(|m| frame.x.holds(**m)) {
            svg.line((frame.x.at(*m), y), (frame.x.at(*m), y + length), class);
        }
    }
    let points: Vec<(f64, f64)> = std::iter::once(0.0)
        .chain(running_s(way))
        .enumerate()
        .map(|(piece, won)| (frame.x.at(PIECE_M * piece as f64), frame.y.at(won)))
        .collect();
    let words = format!("{name}: {} s won on a lap", fixed(way.total_s(), 1));
    svg.tipped(&words, |svg| svg.polyline(&points, "thick table"));
    svg.text((LEFT, y + 11.0), Anchor::Start, "row", &words);
}
