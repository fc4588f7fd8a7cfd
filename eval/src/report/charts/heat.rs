//! A paired difference over two disturbed parameters, as cells with tone, sign and figure.

use super::super::pictures::HeatPicture;
use super::super::svg::{Anchor, Svg};
use super::super::tables::table;
use super::super::text::{level_percent, plain, plural, signed_percent};
use super::{Figure, Layout, with_interval};

/// The map, if its sizes agree.
pub(in super::super) fn heat_map(picture: &HeatPicture, level: f64) -> Option<Figure> {
    let (columns, rows) = (picture.x_values.len(), picture.y_values.len());
    let first = picture.cells.first()?;
    if picture.cells.len() != columns * rows {
        return None;
    }
    let caption = format!(
        "{}; negative is better for the subject. A bold frame marks cells whose {} % interval lies clear of zero. \
         n per cell: {} × {}.",
        picture.value_title,
        level_percent(level),
        plural(first.n_seeds, "seed"),
        plural(first.n_courses, "course"),
    );
    let head: Vec<String> = std::iter::once(format!("{} \\ {}", picture.y_title, picture.x_title))
        .chain(picture.x_values.iter().map(|x| plain(*x)))
        .collect();
    let head: Vec<&str> = head.iter().map(String::as_str).collect();
    let body = picture.y_values.iter().zip(picture.cells.chunks_exact(columns)).map(|(y, cells)| {
        std::iter::once(plain(*y)).chain(cells.iter().map(with_interval)).collect::<Vec<_>>()
    });
    Some(Figure {
        title: picture.title.clone(),
        table: table(&picture.value_title, &head, body),
        drawings: vec![draw(picture, columns, rows)],
        caption,
        layout: Layout::Half,
    })
}

fn draw(picture: &HeatPicture, columns: usize, rows: usize) -> String {
    const CELL: (f64, f64) = (56.0, 32.0);
    let (left, top) = (56.0, 8.0);
    let (width, height) = (left + CELL.0 * columns as f64 + 12.0, top + CELL.1 * rows as f64 + 38.0);
    let label = format!(
        "{}: {} over {} and {}",
        picture.title, picture.value_title, picture.x_title, picture.y_title
    );
    let mut svg = Svg::new(width.max(240.0), height, &label);
    let largest = picture.cells.iter().map(|cell| cell.mean.abs()).fold(f64::MIN_POSITIVE, f64::max);
    for (index, cell) in picture.cells.iter().enumerate() {
        let (column, row) = (index % columns, rows - 1 - index / columns);
        let corner = (left + CELL.0 * column as f64, top + CELL.1 * row as f64);
        let strength = (4.0 * cell.mean.abs() / largest).round().clamp(0.0, 4.0);
        let side = if cell.mean < 0.0 { "gain" } else { "loss" };
        let clear = if cell.low > 0.0 || cell.high < 0.0 { " clear" } else { "" };
        svg.rect(
            (corner.0 + 1.0, corner.1 + 1.0),
            (CELL.0 - 2.0, CELL.1 - 2.0),
            &format!("heat {side}-{strength}{clear}"),
        );
        let middle = (corner.0 + 0.5 * CELL.0, corner.1 + 0.5 * CELL.1 + 4.0);
        svg.text(middle, Anchor::Middle, "figure halo", &signed_percent(cell.mean));
    }
    for (column, value) in picture.x_values.iter().enumerate() {
        let x = left + CELL.0 * (column as f64 + 0.5);
        svg.text((x, top + CELL.1 * rows as f64 + 14.0), Anchor::Middle, "tick", &plain(*value));
    }
    for (row, value) in picture.y_values.iter().enumerate() {
        let y = top + CELL.1 * ((rows - 1 - row) as f64 + 0.5);
        svg.text((left - 5.0, y + 3.5), Anchor::End, "tick", &plain(*value));
    }
    let middle = left + 0.5 * CELL.0 * columns as f64;
    svg.text((middle, top + CELL.1 * rows as f64 + 29.0), Anchor::Middle, "axis-title", &picture.x_title);
    svg.text_upwards((10.0, top + 0.5 * CELL.1 * rows as f64), "axis-title", &picture.y_title);
    svg.finish()
}
