//! The page of a sweep: what many studies show together, as maps, frontiers and tables.

mod plotted;

use maud::{Markup, html};

use super::charts::Figure;
use super::document::{begin, chart_document, items, navigation, paragraphs, section};
use super::panels::group;
use super::prose;
use super::tables::{figure_column, table};
use super::text::{count, level_percent, plural, typeset};
use lowgear_eval::statistics::Estimate;
use lowgear_eval::sweep::{DifferenceToRule, PolicyFigures, SweepPoint, SweepSummary, findings};

/// The whole page as one HTML file. `report_of` is the place of a job's own report, seen from the page.
#[must_use]
pub fn sweep_page(summary: &SweepSummary, report_of: impl Fn(u64) -> String) -> String {
    let plotted = plotted::figures(summary);
    let body = html! {
        (begin("#findings", "To the findings"))
        (header(summary))
        main { "\n"
            (section("findings", "Findings", &findings_body(summary)))
            (section("pictures", "Where learning pays", &group(&plotted.first)))
            @if !plotted.further.is_empty() {
                (section("wear", "Damage and return", &group(&plotted.further)))
            }
            (section("figures", "Tables", &tables(summary)))
            (section("jobs", "Jobs", &jobs(summary, report_of)))
            (section("method", "Method", &method(summary)))
            (section("cautions", "Cautions", &prose::cautions()))
        } "\n"
    };
    chart_document(&format!("Sweep {}", summary.name), &body)
}

fn header(summary: &SweepSummary) -> Markup {
    let axes: Vec<String> =
        summary.axes.iter().map(|axis| format!("{} ({})", axis.label, axis.values.len())).collect();
    let lead = format!(
        "{} of the study \"{}\", over {}.",
        plural(summary.points.len(), "variant"),
        summary.study,
        axes.join(", ")
    );
    let sections = [
        ("findings", "Findings"),
        ("pictures", "Pictures"),
        ("figures", "Tables"),
        ("jobs", "Jobs"),
        ("method", "Method"),
        ("cautions", "Cautions"),
    ];
    html! {
        header { "\n"
            p.kicker { "Sweep " (typeset(&summary.name)) } "\n"
            h1 { "Where learning pays" } "\n"
            p.lead { (typeset(&lead)) } "\n"
            (navigation(&sections))
        } "\n"
    }
}

fn findings_body(summary: &SweepSummary) -> Markup {
    let clear = format!(
        "Clear: the {} % interval over training seeds and courses excludes zero; the intervals are not corrected for \
         the number of points, and the best of many points is best in part by chance. Simulation only; see the ",
        level_percent(summary.level)
    );
    html! {
        ul.remarks { "\n" (items(findings(summary))) } "\n"
        p.note { (typeset(&clear)) a href="#cautions" { "cautions" } "." } "\n"
    }
}

/// One table for the rule and one per learner.
fn tables(summary: &SweepSummary) -> Markup {
    let points: Vec<&SweepPoint> = summary.points.iter().filter(|p| p.missing.is_none()).collect();
    html! {
        (rule_table(summary, &points))
        @for (id, label) in summary.learned() { (policy_table(summary, &points, id, label)) }
    }
}

fn rule_table(summary: &SweepSummary, points: &[&SweepPoint]) -> Markup {
    let figure = |of: fn(&SweepPoint) -> Option<Estimate>| {
        figure_column(&points.iter().map(|p| of(p)).collect::<Vec<_>>())
    };
    let time = figure(|p| Some(p.rule.as_ref()?.time_s));
    let damage = figure(|p| Some(p.rule.as_ref()?.damage_per_km));
    let headroom = figure(|p| p.headroom?.percent);
    let damage_title = format!("damage, {}of nominal life per km", damage.unit_prefix());
    let head = ["point", "course time, s", damage_title.as_str(), "course time beyond the plan, %"];
    let body = points.iter().enumerate().map(|(i, point)| {
        let cells = [&time, &damage, &headroom].map(|column| column.cells[i].clone());
        std::iter::once(summary.words(point)).chain(cells).collect::<Vec<_>>()
    });
    table(
        &format!("The tuned load-ratio rule: mean ({} % interval)", level_percent(summary.level)),
        &head,
        body,
    )
}

fn policy_table(summary: &SweepSummary, points: &[&SweepPoint], id: &str, label: &str) -> Markup {
    let figure = |of: &dyn Fn(&PolicyFigures) -> Option<Estimate>| {
        figure_column(&points.iter().map(|p| of(p.policy(id)?)).collect::<Vec<_>>())
    };
    let percent = |change: Option<DifferenceToRule>| change.and_then(|c| c.percent);
    let columns = [
        figure(&|p| Some(p.time_s)),
        figure(&|p| percent(p.time_difference)),
        figure(&|p| percent(p.damage_difference)),
        figure(&|p| Some(p.return_difference?.absolute)),
        figure(&|p| p.gap_percent),
    ];
    let head = [
        "point",
        "course time, s",
        "time difference to the rule, %",
        "damage difference to the rule, %",
        "return difference to the rule, s",
        "share of the gap to the plan, %",
        "seeds × courses",
    ];
    let body = points.iter().enumerate().map(|(i, point)| {
        let n =
            point.policy(id).map(|p| format!("{} × {}", p.time_s.n_seeds, count(p.time_s.n_courses as u64)));
        std::iter::once(summary.words(point))
            .chain(columns.iter().map(|column| column.cells[i].clone()))
            .chain([n.unwrap_or_default()])
            .collect::<Vec<_>>()
    });
    table(&format!("{label}: mean ({} % interval)", level_percent(summary.level)), &head, body)
}

fn jobs(summary: &SweepSummary, report_of: impl Fn(u64) -> String) -> Markup {
    html! {
        ol.remarks { "\n"
            @for point in &summary.points {
                li value=(point.job) {
                    @let words = typeset(&summary.words(point));
                    @match &point.missing {
                        None => a href=(report_of(point.job)) { (words) },
                        Some(why) => { (words) ": " (typeset(why)) }
                    }
                } "\n"
            }
        } "\n"
    }
}

fn method(summary: &SweepSummary) -> Markup {
    paragraphs([
        "Every point is a study of its own: rules are tuned, learners trained and a table distilled for its own \
         vehicle, ground and weights, and all drive the same held-out courses of that point. Differences are \
         paired by course against the tuned load-ratio rule of the same point."
            .to_owned(),
        format!(
            "Intervals are {} % Student intervals over training seeds and courses, crossed; those of the share of \
             the gap are two-way jackknife intervals with Student's quantile. Percentages are scaled by the mean of the rule, taken as exact. \
             The report of each job describes the methods.",
            level_percent(summary.level)
        ),
        "The rule of a point is tuned once, and intervals do not include the variance of that search: a \
         poorly tuned rule at one point looks like a gain of the policies learned there. Where a gain is isolated among \
         its neighbours, or the rule's own damage jumps from point to point, increase the tuning budget first."
            .to_owned(),
        "The share of the gap runs from the tuned rule (0) to a plan that knows the course (100); part of it \
         can be closed only by a policy with preview. The return is the weighted sum that every policy was tuned and \
         trained for, so a learner that trades time for less damage can still gain there."
            .to_owned(),
        format!(
            "Repeat a job with `lowgear study resolved.toml` in its folder, the sweep with `{}` in the folder of the sweep \
             file (version {}).",
            summary.command, summary.version
        ),
    ])
}

/// The drawings of a sweep: those to see first, and further ones.
struct Drawn {
    first: Vec<Figure>,
    further: Vec<Figure>,
}

#[cfg(test)]
mod tests;
