//! Tables of the report.

use maud::{Markup, html};

use super::text::{count, fixed, level_percent, number, plain, superscript, typeset};
use lowgear_env::events::HUNTING_S;
use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::{GradeClass, Metric, PlaceCount, Summary};

/// An HTML table in a box that scrolls by itself, also with the keyboard. The first cell of a row names it; a new
/// line in a cell stays one.
pub(super) fn table<Row>(caption: &str, head: &[&str], body: impl IntoIterator<Item = Row>) -> Markup
where
    Row: IntoIterator<Item = String>,
{
    let caption = typeset(caption);
    html! {
        div.scroll tabindex="0" role="region" aria-label={ "Table: " (caption) } {
            table {
                caption { (caption) }
                thead { tr { @for cell in head { th scope="col" { (typeset(cell)) } } } }
                tbody {
                    @for row in body {
                        tr {
                            @for (index, text) in row.into_iter().enumerate() {
                                @if index == 0 { th scope="row" { (cell(&text)) } } @else { td { (cell(&text)) } }
                            }
                        }
                    }
                }
            }
        } "\n"
    }
}

fn cell(text: &str) -> Markup {
    html! {
        @for (index, line) in text.lines().enumerate() {
            @if index > 0 { br; }
            (typeset(line))
        }
    }
}

/// Every figure of every policy, in three tables.
pub(super) fn metric_tables(summary: &Summary) -> Markup {
    use Metric as M;
    let groups: [(&str, &[Metric]); 3] = [
        ("Course and time", &[M::Finished, M::CourseTime, M::IqmTime, M::CvarTime, M::Stall, M::GapShare]),
        ("Shifting and wear", &[M::Shifts, M::Reversals, M::FailedUpshifts, M::MissedEngagements, M::Damage]),
        ("Energy, heat and return", &[M::Energy, M::PeakWinding, M::Return]),
    ];
    html! { @for (caption, metrics) in groups { (metric_table(summary, caption, metrics)) } }
}

fn metric_table(summary: &Summary, caption: &str, metrics: &[Metric]) -> Markup {
    let columns: Vec<Column> = metrics
        .iter()
        .map(|metric| {
            let figures: Vec<Option<Estimate>> =
                summary.policies.iter().map(|policy| policy.metrics.get(metric).copied()).collect();
            figure_column(&figures)
        })
        .collect();
    let titles: Vec<String> = metrics
        .iter()
        .zip(&columns)
        .map(|(metric, column)| format!("{}, {}{}", metric.label(), column.unit_prefix(), metric.unit()))
        .collect();
    let head: Vec<&str> = ["policy", "seeds"].into_iter().chain(titles.iter().map(String::as_str)).collect();
    let body = summary.policies.iter().enumerate().map(|(index, policy)| {
        let mut row = vec![policy.record.label.clone(), policy.training_seeds.to_string()];
        row.extend(columns.iter().filter_map(|column| column.cells.get(index)).cloned());
        row
    });
    let level = level_percent(summary.study.level);
    let courses = count(summary.test_suite.courses as u64);
    table(&format!("{caption}: mean ({level} % interval), n = {courses} courses"), &head, body)
}

/// Figures of one column: the same decimals and the same power of ten for all.
pub(super) struct Column {
    /// Mean and, on a line of its own, the interval; a dash where there is none.
    pub(super) cells: Vec<String>,
    exponent: i32,
}

impl Column {
    /// The power of ten that the cells leave out, to stand before the unit.
    pub(super) fn unit_prefix(&self) -> String {
        if self.exponent == 0 { String::new() } else { format!("10{} ", superscript(self.exponent)) }
    }
}

/// A column of means with intervals.
pub(super) fn figure_column(figures: &[Option<Estimate>]) -> Column {
    let largest = figures.iter().flatten().map(|e| e.mean.abs()).fold(0.0, f64::max);
    let exponent = if largest > 0.0 && largest < 0.05 { largest.log10().floor() as i32 } else { 0 };
    let unit = 10_f64.powi(exponent);
    let decimals = if largest / unit >= 10.0 { 1 } else { 2 };
    let show = |value: f64| fixed(value / unit, decimals);
    let cells = figures
        .iter()
        .map(|figure| {
            figure.map_or_else(
                || "–".to_owned(),
                |e| format!("{}\n({} to {})", show(e.mean), show(e.low), show(e.high)),
            )
        })
        .collect();
    Column { cells, exponent }
}

/// The return by term.
pub(super) fn return_table(summary: &Summary) -> Markup {
    if summary.returns.is_empty() {
        return Markup::default();
    }
    let head =
        ["policy", "progress", "time", "energy", "stress", "shifts", "stall", "not finishing", "return"];
    let body = summary.returns.iter().map(|entry| {
        let t = &entry.terms;
        let terms =
            [t.progress_s, t.time_s, t.energy_s, t.stress_s, t.shift_s, t.stall_s, t.abort_s, t.total_s()];
        std::iter::once(summary.label(&entry.policy).to_owned()).chain(terms.map(|term| fixed(term, 2)))
    });
    table("Mean return by weighted term, s", &head, body)
}

/// What each evaluated policy was given.
pub(super) fn budget_table(summary: &Summary) -> Markup {
    let head = [
        "policy",
        "evaluated training seeds",
        "search budget, ticks",
        "inherited budget, ticks",
        "failed seeds",
        "diverged seeds",
    ];
    let body = summary.policies.iter().map(|policy| {
        let listed = |seeds: &[u64]| match seeds {
            [] => "none".to_owned(),
            _ => seeds.iter().map(u64::to_string).collect::<Vec<_>>().join(", "),
        };
        vec![
            policy.record.label.clone(),
            policy.training_seeds.to_string(),
            count(policy.record.search_ticks),
            count(policy.record.inherited_ticks),
            listed(&policy.record.failed_seeds),
            listed(&policy.record.diverged_seeds),
        ]
    });
    table("Search budget of each policy, all seeds together", &head, body)
}

/// Every training seed by itself.
pub(super) fn seed_table(summary: &Summary) -> Markup {
    let mut rows = Vec::new();
    for policy in &summary.policies {
        rows.extend(policy.seeds.iter().map(|seed| {
            let (time, less) = (&seed.time_s, &seed.against_tuned_s);
            let spread =
                |e: &Estimate| format!("{}\n({} to {})", fixed(e.mean, 2), fixed(e.low, 2), fixed(e.high, 2));
            vec![
                format!("{}, seed {}", policy.record.label, seed.seed),
                spread(time),
                spread(less),
                format!("{:.2e}", seed.damage_per_km),
            ]
        }));
    }
    if rows.is_empty() {
        return Markup::default();
    }
    let head = [
        "training seed",
        "course time, s",
        "difference to the tuned rule, s",
        "damage, of nominal life per km",
    ];
    let level = level_percent(summary.study.level);
    table(&format!("Every training seed: mean ({level} % interval over courses)"), &head, rows)
}

/// Shares of episodes within so many times the plan's course time.
pub(super) fn profile_table(summary: &Summary) -> Markup {
    let Some(first) = summary.policies.iter().find(|policy| !policy.profile.is_empty()) else {
        return Markup::default();
    };
    let ratios: Vec<String> =
        first.profile.iter().map(|point| format!("{} times", number(point.ratio))).collect();
    let head: Vec<&str> = std::iter::once("policy").chain(ratios.iter().map(String::as_str)).collect();
    let body = summary.policies.iter().filter(|policy| !policy.profile.is_empty()).map(|policy| {
        let shares = policy.profile.iter().map(|point| fixed(point.percent.mean, 1));
        std::iter::once(policy.record.label.clone()).chain(shares).collect::<Vec<_>>()
    });
    table(
        "Performance profile: episodes finished within a multiple of the plan's time on the same course, %",
        &head,
        body,
    )
}

/// What happened on each kind of ground to the policy under test and to the tuned rule, per 100 m driven there.
pub(super) fn place_table(summary: &Summary) -> Markup {
    let Some(first) = summary.places.first() else { return Markup::default() };
    let other = summary.places.iter().find(|place| place.policy != first.policy);
    let policies: Vec<&str> =
        std::iter::once(&first.policy).chain(other.map(|o| &o.policy)).map(|id| id.as_str()).collect();
    let happened = |place: &&PlaceCount| place.stalls + place.failed_upshifts + place.hunts > 0;
    let mut kinds: Vec<(&str, GradeClass)> =
        summary.places.iter().filter(happened).map(|p| (p.surface.as_str(), p.grade)).collect();
    kinds.sort_unstable();
    kinds.dedup();
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
         test courses",
        plain(HUNTING_S)
    );
    table(&caption, &head, body)
}

/// The vehicle's data sheet.
pub(super) fn vehicle_table(summary: &Summary) -> Markup {
    let body = summary.vehicle.figures.iter().map(|figure| {
        vec![figure.label.clone(), format!("{} {}", figure.value, figure.unit).trim_end().to_owned()]
    });
    table(&format!("Vehicle: {}", summary.vehicle.name), &["figure", "value"], body)
}

/// The exported table's sheet.
pub(super) fn export_table(summary: &Summary) -> Markup {
    let Some(sheet) = &summary.table else { return Markup::default() };
    let share = |cells: usize| {
        let percent = 100.0 * cells as f64 / sheet.cells.max(1) as f64;
        format!("{} ({} %)", count(cells as u64), fixed(percent, 1))
    };
    let then = if sheet.refined { ", with refined edges" } else { "" };
    let mut rows = vec![
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_reads_the_same_in_text_and_in_attributes() {
        let markup = table("the rule's 5 %\u{7}, \"a\" < b", &[], [[String::new()]]).into_string();
        let name = "the rule's 5\u{a0}%, &quot;a&quot; &lt; b";
        assert!(markup.contains(&format!("aria-label=\"Table: {name}\"")), "{markup}");
        assert!(markup.contains(&format!("<caption>{name}</caption>")), "{markup}");
    }
}
