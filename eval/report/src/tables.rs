//! Tables of the report.

mod sheets;

pub(super) use sheets::{export_table, network_table, place_table, vehicle_table};

use maud::{Markup, html};

use super::policies::{Significance, main_policies, significance};
use super::text::{count, fixed, in_sentence, level_percent, number, signed_percent, superscript, typeset};
use lowgear_env::RewardTerms;
use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::{Metric, Summary};

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

/// The policies that matter most, with all that a choice rests on, and what each was given.
pub(super) fn main_table(summary: &Summary) -> Markup {
    let roles = &summary.roles;
    let level = summary.study.level;
    let against = |id: &str, other: &str| {
        summary.difference(id, other, Metric::CourseTime).map_or_else(
            || "–".to_owned(),
            |d| {
                let size = d.percent.map_or_else(|| number(d.mean), |p| format!("{} %", signed_percent(p)));
                let sure = match significance(d, level) {
                    Significance::Corrected => "significant",
                    Significance::Uncorrected => "only uncorrected",
                    Significance::None => "not significant",
                };
                format!("{size}\n{sure}")
            },
        )
    };
    let body = main_policies(summary).into_iter().filter_map(|id| summary.policy(id)).map(|policy| {
        let id = policy.record.id.as_str();
        let estimate = |metric: Metric| policy.metrics.get(&metric);
        let time = estimate(Metric::CourseTime).map_or_else(
            || "–".to_owned(),
            |e| format!("{}\n({} to {})", fixed(e.mean, 1), fixed(e.low, 1), fixed(e.high, 1)),
        );
        let damage = summary.difference(id, &roles.hand_rule, Metric::Damage).and_then(|d| d.ratio);
        let ticks = |n: u64| if n == 0 { "0".to_owned() } else { number(n as f64 / 1e6) };
        vec![
            policy.record.label.clone(),
            time,
            against(id, &roles.hand_rule),
            against(id, &roles.tuned_rule),
            damage.map_or_else(
                || "–".to_owned(),
                |e| format!("{}\n({} to {})", fixed(e.mean, 2), fixed(e.low, 2), fixed(e.high, 2)),
            ),
            estimate(Metric::Finished).map_or_else(|| "–".to_owned(), |e| fixed(e.mean, 1)),
            policy.training_seeds.to_string(),
            ticks(policy.record.search_ticks),
            ticks(policy.record.inherited_ticks),
        ]
    });
    let to = |id: &str| format!("time against {}", in_sentence(summary.label(id)));
    let (hand, tuned) = (to(&roles.hand_rule), to(&roles.tuned_rule));
    let head = [
        "policy",
        "course time, s",
        hand.as_str(),
        &tuned,
        "damage, times the hand-written rule's",
        "finished, %",
        "seeds",
        "search, million ticks",
        "inherited, million ticks",
    ];
    let courses = count(summary.test_suite.courses as u64);
    let level = level_percent(level);
    table(&format!("The four policies: mean ({level} % interval), n = {courses} courses"), &head, body)
}

/// The return by term.
pub(super) fn return_table(summary: &Summary) -> Markup {
    if summary.returns.is_empty() {
        return Markup::default();
    }
    type Term = (&'static str, fn(&RewardTerms) -> f64);
    let terms: [Term; 8] = [
        ("progress", |t| t.progress_s),
        ("time", |t| t.time_s),
        ("energy", |t| t.energy_s),
        ("stress", |t| t.stress_s),
        ("shifts", |t| t.shift_s),
        ("stall", |t| t.stall_s),
        ("not finishing", |t| t.abort_s),
        ("return", RewardTerms::total_s),
    ];
    // A term without weight is zero throughout and says nothing.
    let used: Vec<Term> = terms
        .into_iter()
        .filter(|(_, term)| summary.returns.iter().any(|entry| term(&entry.terms).abs() > 0.0))
        .collect();
    let head: Vec<&str> = std::iter::once("policy").chain(used.iter().map(|(name, _)| *name)).collect();
    let body = summary.returns.iter().map(|entry| {
        let values = used.iter().map(|(_, term)| fixed(term(&entry.terms), 2));
        std::iter::once(summary.label(&entry.policy).to_owned()).chain(values).collect::<Vec<_>>()
    });
    table("Mean return by weighted term, s; terms that are zero throughout are left out", &head, body)
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
                number(seed.damage_per_km),
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
