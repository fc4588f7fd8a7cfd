//! Tables about ground, vehicle and exported table.

use maud::Markup;

use super::table;
use crate::text::{count, fixed, plain};
use lowgear_env::events::HUNTING_S;
use lowgear_eval::summary::{GradeClass, PlaceCount, Summary};

/// What happened on each kind of ground to the policy under test and to the tuned rule, per 100 m driven there.
pub(in super::super) fn place_table(summary: &Summary) -> Markup {
    let Some(first) = summary.places.first() else { return Markup::default() };
    let other = summary.places.iter().find(|place| place.policy != first.policy);
    let policies: Vec<&str> =
        std::iter::once(&first.policy).chain(other.map(|o| &o.policy)).map(|id| id.as_str()).collect();
    let happened = |place: &&PlaceCount| place.stalls + place.failed_upshifts + place.hunts > 0;
    let mut kinds: Vec<(&str, GradeClass)> =
        summary.places.iter().filter(happened).map(|p| (p.surface.as_str(), p.grade)).collect();
    kinds.sort_unstable();
    kinds.dedup();
    let driven_m = |surface: &str, grade: GradeClass| -> f64 {
        let here = summary.places.iter().filter(|p| p.surface == surface && p.grade == grade);
        here.map(|place| place.distance_m).sum()
    };
    kinds.sort_by(|a, b| driven_m(b.0, b.1).total_cmp(&driven_m(a.0, a.1)));
    type CountOf = fn(&PlaceCount) -> f64;
    let figures: [(&str, CountOf); 3] = [
        ("stalls", |p| f64::from(p.stalls)),
        ("failed upshifts", |p| f64::from(p.failed_upshifts)),
        ("hunting", |p| f64::from(p.hunts)),
    ];
    let titles: Vec<String> = figures
        .iter()
        .flat_map(|(name, _)| policies.iter().map(move |id| format!("{name}, {}", summary.label(id))))
        .collect();
    let head: Vec<&str> = ["surface and grade", "share of distance, %"]
        .into_iter()
        .chain(titles.iter().map(String::as_str))
        .collect();
    let all_m: f64 = summary.places.iter().map(|place| place.distance_m).sum();
    let body = kinds.into_iter().map(|(surface, grade)| {
        let at = |id: &str| {
            summary.places.iter().find(|p| p.policy == id && p.surface == surface && p.grade == grade)
        };
        let here_m: f64 = policies.iter().filter_map(|id| at(id)).map(|place| place.distance_m).sum();
        let mut row =
            vec![format!("{surface}, {}", grade.label()), fixed(100.0 * here_m / all_m.max(1e-9), 1)];
        for (_, figure) in figures {
            row.extend(policies.iter().map(|id| {
                at(id).map_or_else(
                    || "–".to_owned(),
                    |place| fixed(100.0 * figure(place) / place.distance_m.max(1e-9), 1),
                )
            }));
        }
        row
    });
    let caption = format!(
        "Stalls, failed upshifts and hunting (up, down and up within {} s) per 100 m, by surface and grade, over all \
         test courses; ground without any such event is left out",
        plain(HUNTING_S)
    );
    table(&caption, &head, body)
}

/// The vehicle's data sheet.
pub(in super::super) fn vehicle_table(summary: &Summary) -> Markup {
    let body = summary.vehicle.figures.iter().map(|figure| {
        vec![figure.label.clone(), format!("{} {}", figure.value, figure.unit).trim_end().to_owned()]
    });
    table(&format!("Vehicle: {}", summary.vehicle.name), &["figure", "value"], body)
}

/// The exported network's sheet.
pub(in super::super) fn network_table(summary: &Summary) -> Markup {
    let Some(sheet) = &summary.network else { return Markup::default() };
    let row = |figure: &str, value: String| vec![figure.to_owned(), value];
    let decisions = |percent: f64| format!("{} % of decisions", fixed(percent, 2));
    let mut rows = vec![
        row("file", format!("{}, training seed {} (best by validation)", sheet.header, sheet.seed)),
        row("distilled from", summary.label(&sheet.teacher).to_owned()),
        row("units", sheet.sizes.clone()),
        row("features", sheet.features.join(", ")),
        row("size in flash", format!("{} bytes", count(sheet.bytes as u64))),
        row("products in a decision", count(sheet.products as u64)),
        row("decides as its teacher", decisions(sheet.agreement_percent)),
        row("integers decide as real numbers", decisions(sheet.rounding_agreement_percent)),
        row("test vectors", count(sheet.vectors as u64)),
    ];
    rows.extend(sheet.proof.iter().map(|line| row("verification", line.clone())));
    rows.extend(sheet.costs.iter().map(|line| row("cost", line.clone())));
    rows.push(row("hash", sheet.hash.clone()));
    table("The exported integer network", &["figure", "value"], rows)
}

/// The exported table's sheet.
pub(in super::super) fn export_table(summary: &Summary) -> Markup {
    let Some(sheet) = &summary.table else { return Markup::default() };
    let share = |cells: usize| {
        let percent = 100.0 * cells as f64 / sheet.cells.max(1) as f64;
        format!("{} ({} %)", count(cells as u64), fixed(percent, 1))
    };
    let then = if sheet.refined { ", with refined edges" } else { "" };
    let mut rows = vec![
        vec![
            "file".to_owned(),
            format!("{}, training seed {} (best by validation)", sheet.header, sheet.seed),
        ],
        vec!["distilled from".to_owned(), format!("{}{then}", summary.label(&sheet.teacher))],
        vec!["size in flash".to_owned(), format!("{} bytes", count(sheet.bytes as u64))],
        vec!["cells".to_owned(), count(sheet.cells as u64)],
        vec!["visited cells".to_owned(), share(sheet.visited_cells)],
        vec!["cells filled from the rule".to_owned(), share(sheet.filled_from_rule)],
    ];
    for axis in &sheet.axes {
        let edges: Vec<String> = axis.edges.iter().map(i16::to_string).collect();
        let edges = if edges.is_empty() { String::new() } else { format!(", edges {}", edges.join(" ")) };
        rows.push(vec![format!("axis {}", axis.feature), format!("{} cells{edges}", axis.cells)]);
    }
    rows.push(vec!["test vectors".to_owned(), count(sheet.vectors as u64)]);
    rows.extend(sheet.proof.iter().map(|line| vec!["verification".to_owned(), line.clone()]));
    rows.extend(sheet.costs.iter().map(|line| vec!["cost".to_owned(), line.clone()]));
    rows.push(vec!["hash".to_owned(), sheet.hash.clone()]);
    table("The exported lookup table", &["figure", "value"], rows)
}
