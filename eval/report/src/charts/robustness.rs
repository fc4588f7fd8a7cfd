//! Paired differences in perturbed conditions, as cells with figure, tone, hatching and an outline of where the policy under test
//! is no longer better.

use maud::Markup;

use super::{Figure, Layout, with_interval};
use crate::svg::{Anchor, Svg};
use crate::tables::table;
use crate::text::{fixed, in_sentence, level_percent, percent, plain, plural, signed, start_sentence};
use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::{Disturbance, DisturbanceAxis, RobustnessCell, RobustnessMap, Summary};

/// Width and height of a cell.
const CELL: (f64, f64) = (54.0, 36.0);
/// Room to the left for row figures and axis title, and above for the name of the figure.
const LEFT: f64 = 54.0;
const TOP: f64 = 22.0;
/// A small map is drawn at the size of a large one.
const NARROWEST: f64 = 350.0;

/// One figure that a map is drawn for.
struct Shown {
    title: &'static str,
    estimate: fn(&RobustnessCell) -> &Estimate,
    /// 1 where a larger difference is better, else -1.
    better: f64,
}

const SHOWN: [Shown; 2] = [
    Shown { title: "course time, s", estimate: |cell| &cell.time_s, better: -1.0 },
    Shown { title: "return, s", estimate: |cell| &cell.return_s, better: 1.0 },
];

/// A map in time, and in return in the fold; `None` if its sizes do not agree.
pub(in super::super) fn robustness(summary: &Summary, map: &RobustnessMap) -> Option<Figure> {
    let first = map.cells.first()?;
    if map.cells.len() != map.x.values.len() * map.y.values.len() {
        return None;
    }
    let note = without_effect(map);
    let map = &distinct(map);
    let names = [map.x.disturbance.label(), map.y.disturbance.label()];
    let better: Vec<usize> =
        SHOWN.iter().map(|shown| map.cells.iter().filter(|cell| is_better(shown, cell)).count()).collect();
    let caption = format!(
        "{} less {}, course time; below zero is better. n per cell: {} × {}. By return ahead in {}.{note}",
        start_sentence(&in_sentence(summary.label(&map.policy))),
        in_sentence(summary.label(&map.against)),
        plural(first.time_s.n_seeds, "seed"),
        plural(first.time_s.n_courses, "course"),
        better[1],
    );
    let named = if note.is_empty() { format!("{} and {}", names[0], names[1]) } else { names[1].to_owned() };
    Some(Figure {
        title: start_sentence(&format!("{named}: ahead in {} of {}", better[0], map.cells.len())),
        caption,
        drawings: vec![draw(map, &SHOWN[0])],
        further: vec![draw(map, &SHOWN[1])],
        fold: "By return, data table",
        layout: Layout::Half,
        table: figures(summary, map),
    })
}

/// The conditions of a map that differ: one column where the values across make no difference.
pub(in super::super) fn distinct(map: &RobustnessMap) -> RobustnessMap {
    if without_effect(map).is_empty() {
        return map.clone();
    }
    let columns = map.x.values.len();
    let mut distinct = map.clone();
    distinct.x.values.truncate(1);
    distinct.cells = map.cells.chunks_exact(columns).map(|row| row[0]).collect();
    distinct
}

/// How to read the maps; one paragraph before them.
pub(in super::super) fn robustness_words(summary: &Summary) -> String {
    let level = level_percent(summary.study.level);
    let maps: Vec<RobustnessMap> = summary.robustness.iter().map(distinct).collect();
    let cells = || maps.iter().flat_map(|map| &map.cells);
    let clear = |shown: &Shown, sign: f64| {
        cells().filter(|cell| is_clear((shown.estimate)(cell)) && side(shown, cell) * sign > 0.0).count()
    };
    let total = cells().count();
    format!(
        "Both policies in conditions that differ from those of tuning and training, without re-tuning. Mass is a multiple \
         of the file's value, charge a fraction of full charge, encoder noise a fraction of the count; latency is in ticks \
         beyond the file's fixed value, wear runs from 0 to 1 (worn out). Hatched cells: the policy under test is not better; the \
         heavy line separates. A filled corner marks cells whose {level} % interval excludes zero, uncorrected: {} for and \
         {} against the policy under test, of {total} different conditions; {} are expected by chance.",
        clear(&SHOWN[0], 1.0),
        clear(&SHOWN[0], -1.0),
        fixed((1.0 - summary.study.level) * total as f64, 1),
    )
}

/// The values of single perturbations, everything else as usual, at which the policy under test has no lead, in words.
pub(in super::super) fn lead_lost(summary: &Summary) -> Vec<String> {
    let mut lost = Vec::new();
    for map in summary.robustness.iter().map(distinct) {
        let (columns, rows) = (map.x.values.len(), map.y.values.len());
        if columns == 0 || map.cells.len() != columns * rows {
            continue;
        }
        let mean = |column: usize, row: usize| map.cells[row * columns + column].time_s.mean;
        let (usual_x, usual_y) = (usual(&map.x), usual(&map.y));
        let of_x: Vec<f64> = (0..columns).map(|column| mean(column, usual_y)).collect();
        let of_y: Vec<f64> = (0..rows).map(|row| mean(usual_x, row)).collect();
        lost.extend([lost_on(&map.x, &of_x), lost_on(&map.y, &of_y)].into_iter().flatten());
    }
    lost
}

/// Index of the value nearest to what a vehicle usually has: its own mass, a battery more than half full, no bias,
/// delay or wear.
fn usual(axis: &DisturbanceAxis) -> usize {
    let usual = match axis.disturbance {
        Disturbance::MassFactor => 1.0,
        Disturbance::Charge => 0.6,
        Disturbance::TiltBiasDeg
        | Disturbance::EncoderNoise
        | Disturbance::LatencyTicks
        | Disturbance::Wear => 0.0,
    };
    let far = |index: &usize| (axis.values[*index] - usual).abs();
    (0..axis.values.len()).min_by(|a, b| far(a).total_cmp(&far(b))).unwrap_or(0)
}

/// "latency 1, 3 ticks", where the lead is lost at some value but not at all of them.
fn lost_on(axis: &DisturbanceAxis, means_s: &[f64]) -> Option<String> {
    let lost: Vec<String> = axis
        .values
        .iter()
        .zip(means_s)
        .filter(|(_, mean)| **mean >= 0.0)
        .map(|(value, _)| plain(*value))
        .collect();
    let unit = match axis.disturbance.unit() {
        "" | "×" => String::new(),
        unit => format!(" {unit}"),
    };
    let times = if axis.disturbance.unit() == "×" { "×" } else { "" };
    (!lost.is_empty() && lost.len() < means_s.len())
        .then(|| format!("{} {times}{}{unit}", axis.disturbance.label(), lost.join(", ")))
}

/// Says so when the values across make no difference at all: neither policy reads what they alter.
fn without_effect(map: &RobustnessMap) -> String {
    let columns = map.x.values.len();
    let same = |row: &[RobustnessCell]| row.iter().all(|cell| *cell == row[0]);
    if columns < 2 || !map.cells.len().is_multiple_of(columns) || !map.cells.chunks_exact(columns).all(same) {
        return String::new();
    }
    format!(" The {} makes no difference: neither policy uses it.", map.x.disturbance.label())
}

/// The difference, positive when the policy under test is better.
fn side(shown: &Shown, cell: &RobustnessCell) -> f64 {
    shown.better * (shown.estimate)(cell).mean
}

fn is_better(shown: &Shown, cell: &RobustnessCell) -> bool {
    side(shown, cell) > 0.0
}

fn is_clear(estimate: &Estimate) -> bool {
    estimate.low > 0.0 || estimate.high < 0.0
}

fn title(axis: &DisturbanceAxis) -> String {
    match axis.disturbance.unit() {
        "" => axis.disturbance.label().to_owned(),
        unit => format!("{}, {unit}", axis.disturbance.label()),
    }
}

fn figures(summary: &Summary, map: &RobustnessMap) -> Markup {
    let (x, y) = (title(&map.x), title(&map.y));
    let finished = [&map.policy, &map.against].map(|id| format!("{} finished, %", summary.label(id)));
    let head = [
        y.as_str(),
        &x,
        "course time, s",
        "relative to the rule, %",
        "return, s",
        &finished[0],
        &finished[1],
    ];
    let columns = map.x.values.len();
    let body = map.cells.iter().enumerate().map(|(index, cell)| {
        vec![
            plain(map.y.values[index / columns]),
            plain(map.x.values[index % columns]),
            with_interval(&cell.time_s),
            signed(100.0 * cell.time_s.mean / cell.against_time_s),
            with_interval(&cell.return_s),
            percent(cell.finished_percent),
            percent(cell.against_finished_percent),
        ]
    });
    table("Differences in each perturbed condition, with intervals", &head, body)
}

fn draw(map: &RobustnessMap, shown: &Shown) -> Markup {
    let (columns, rows) = (map.x.values.len(), map.y.values.len());
    let (x_title, y_title) = (title(&map.x), title(&map.y));
    let bottom = TOP + CELL.1 * rows as f64;
    let width = (LEFT + CELL.0 * columns as f64 + 8.0).max(NARROWEST);
    let label = format!("Difference in {} over {x_title} and {y_title}", shown.title);
    let mut svg = Svg::new(width, bottom + 38.0, &label);
    svg.text((LEFT, 13.0), Anchor::Start, "row", &format!("difference in {}", shown.title));
    let means = map.cells.iter().map(|cell| (shown.estimate)(cell).mean.abs());
    let largest = means.fold(f64::MIN_POSITIVE, f64::max);
    let corner =
        |column: usize, row: usize| (LEFT + CELL.0 * column as f64, TOP + CELL.1 * (rows - 1 - row) as f64);
    for (index, cell) in map.cells.iter().enumerate() {
        let words = format!(
            "{x_title} {}, {y_title} {}: {}; {} % against {} % finished",
            plain(map.x.values[index % columns]),
            plain(map.y.values[index / columns]),
            with_interval((shown.estimate)(cell)),
            percent(cell.finished_percent),
            percent(cell.against_finished_percent)
        );
        let at = corner(index % columns, index / columns);
        svg.tipped(&words, |svg| draw_cell(svg, at, cell, shown, largest));
    }
    let better = |column: usize, row: usize| is_better(shown, &map.cells[row * columns + column]);
    for row in 0..rows {
        for column in 0..columns {
            let (left, top) = corner(column, row);
            let (right, below) = (left + CELL.0, top + CELL.1);
            if column + 1 < columns && better(column, row) != better(column + 1, row) {
                svg.line((right, top), (right, below), "turn");
            }
            if row > 0 && better(column, row) != better(column, row - 1) {
                svg.line((left, below), (right, below), "turn");
            }
        }
    }
    for (column, value) in map.x.values.iter().enumerate() {
        let x = LEFT + CELL.0 * (column as f64 + 0.5);
        svg.text((x, bottom + 14.0), Anchor::Middle, "tick", &plain(*value));
    }
    for (row, value) in map.y.values.iter().enumerate() {
        svg.text((LEFT - 5.0, corner(0, row).1 + 0.5 * CELL.1 + 3.5), Anchor::End, "tick", &plain(*value));
    }
    let middle = LEFT + 0.5 * CELL.0 * columns as f64;
    svg.text((middle, bottom + 30.0), Anchor::Middle, "axis-title", &x_title);
    svg.text_upwards((11.0, 0.5 * (TOP + bottom)), "axis-title", &y_title);
    svg.finish()
}

fn draw_cell(svg: &mut Svg, at: (f64, f64), cell: &RobustnessCell, shown: &Shown, largest: f64) {
    let estimate = (shown.estimate)(cell);
    let strength = (4.0 * estimate.mean.abs() / largest).ceil().clamp(0.0, 4.0);
    let kind = if is_better(shown, cell) { "gain" } else { "loss" };
    svg.rect(at, CELL, &format!("heat {kind}-{strength}"));
    if kind == "loss" {
        svg.rect(at, CELL, "worse");
    }
    if is_clear(estimate) {
        let right = at.0 + CELL.0 - 1.0;
        svg.polygon(&[(right - 9.0, at.1 + 1.0), (right, at.1 + 1.0), (right, at.1 + 10.0)], "clear");
    }
    let decimals = if largest < 9.95 { 2 } else { 1 };
    let sign = if estimate.mean > 0.0 { "+" } else { "" };
    let figure = format!("{sign}{}", fixed(estimate.mean, decimals));
    svg.text((at.0 + 0.5 * CELL.0, at.1 + 0.5 * CELL.1 + 4.0), Anchor::Middle, "figure halo", &figure);
}
