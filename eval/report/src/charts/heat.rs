//! A paired difference over two parameters, as cells with tone, sign and figure.

use maud::Markup;

use super::{DATA, Figure, Layout, with_interval};
use crate::svg::{Anchor, Svg};
use crate::tables::table;
use crate::text::{level_percent, plural, shorten, signed_percent};
use lowgear_eval::figures::HeatPicture;

/// Letters of a value next to the map; the table has the whole.
const LETTERS: usize = 22;
/// Width of a letter, in units of the drawing.
const LETTER: f64 = 5.8;

/// The map, if its sizes agree and a cell has a figure.
pub(in super::super) fn heat_map(picture: &HeatPicture, level: f64) -> Option<Figure> {
    let (columns, rows) = (picture.x_values.len(), picture.y_values.len());
    let first = picture.cells.iter().flatten().next()?;
    if picture.cells.len() != columns * rows {
        return None;
    }
    let sign = if picture.more_is_better { "Positive" } else { "Negative" };
    let caption = format!(
        "{}. {sign} is better for the policy under test and blue, the opposite brown and hatched. A bold frame marks cells \
         whose {} % interval excludes zero.{} n per cell: {} × {}.",
        picture.value_title,
        level_percent(level),
        by_chance(picture.cells.iter().flatten().count(), level),
        plural(first.n_seeds, "seed"),
        plural(first.n_courses, "course"),
    );
    let head: Vec<String> = std::iter::once(format!("{} \\ {}", picture.y_title, picture.x_title))
        .chain(picture.x_values.iter().cloned())
        .collect();
    let head: Vec<&str> = head.iter().map(String::as_str).collect();
    let body = picture.y_values.iter().zip(picture.cells.chunks_exact(columns)).map(|(y, cells)| {
        let cells = cells.iter().map(|cell| cell.as_ref().map_or_else(|| "–".to_owned(), with_interval));
        std::iter::once(y.clone()).chain(cells).collect::<Vec<_>>()
    });
    Some(Figure {
        title: picture.title.clone(),
        table: table(&picture.value_title, &head, body),
        drawings: vec![draw(picture, columns, rows)],
        further: Vec::new(),
        fold: DATA,
        caption,
        layout: Layout::Half,
    })
}

/// How many cells would be marked if nothing made a difference, where there are many.
fn by_chance(cells: usize, level: f64) -> String {
    if cells < 4 {
        return String::new();
    }
    let expected = cells as f64 * (1.0 - level);
    format!(" Of {cells} cells without any difference, {expected:.1} are expected to be marked by chance.")
}

fn draw(picture: &HeatPicture, columns: usize, rows: usize) -> Markup {
    let widest = |values: &[String]| {
        values.iter().map(|v| v.chars().count().min(LETTERS)).max().unwrap_or(0) as f64 * LETTER
    };
    let cell_size = ((widest(&picture.x_values) + 8.0).max(56.0), 32.0);
    let (left, top) = ((widest(&picture.y_values) + 26.0).max(56.0), 8.0);
    let (width, height) =
        (left + cell_size.0 * columns as f64 + 12.0, top + cell_size.1 * rows as f64 + 38.0);
    let label = format!(
        "{}: {} over {} and {}",
        picture.title, picture.value_title, picture.x_title, picture.y_title
    );
    let mut svg = Svg::new(width.max(340.0), height, &label);
    // Differences far below one percent, or one second, are no strong tone.
    let largest = picture.cells.iter().flatten().map(|cell| cell.mean.abs()).fold(1.0, f64::max);
    for (index, cell) in picture.cells.iter().enumerate() {
        let (column, row) = (index % columns, rows - 1 - index / columns);
        let corner = (left + cell_size.0 * column as f64 + 1.0, top + cell_size.1 * row as f64 + 1.0);
        let size = (cell_size.0 - 2.0, cell_size.1 - 2.0);
        let middle = (corner.0 + 0.5 * size.0, corner.1 + 0.5 * size.1 + 4.0);
        let Some(cell) = cell else {
            svg.rect(corner, size, "heat gain-0");
            svg.text(middle, Anchor::Middle, "figure halo", "–");
            continue;
        };
        let strength = (4.0 * cell.mean.abs() / largest).round().clamp(0.0, 4.0);
        let gain = (cell.mean > 0.0) == picture.more_is_better;
        let side = if gain { "gain" } else { "loss" };
        let clear = if cell.low > 0.0 || cell.high < 0.0 { " clear" } else { "" };
        svg.rect(corner, size, &format!("heat {side}-{strength}{clear}"));
        if !gain && strength > 0.0 {
            svg.rect(corner, size, "worse");
        }
        svg.text(middle, Anchor::Middle, "figure halo", &signed_percent(cell.mean));
    }
    let bottom = top + cell_size.1 * rows as f64;
    for (column, value) in picture.x_values.iter().enumerate() {
        let x = left + cell_size.0 * (column as f64 + 0.5);
        svg.text((x, bottom + 14.0), Anchor::Middle, "tick", &shorten(value, LETTERS));
    }
    for (row, value) in picture.y_values.iter().enumerate() {
        let y = top + cell_size.1 * ((rows - 1 - row) as f64 + 0.5);
        svg.text((left - 5.0, y + 3.5), Anchor::End, "tick", &shorten(value, LETTERS));
    }
    let middle = left + 0.5 * cell_size.0 * columns as f64;
    svg.text((middle, bottom + 29.0), Anchor::Middle, "axis-title", &picture.x_title);
    svg.text_upwards((10.0, 0.5 * (top + bottom)), "axis-title", &picture.y_title);
    svg.finish()
}
