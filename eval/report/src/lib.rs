//! The report: one self-contained HTML page, and SVG files of single courses.
//!
//! [`page`] is a pure function: the same summary and pictures give the same bytes. The page needs no network and no
//! font, and is complete without its script; it opens from a file, prints, follows the reader's choice of light or dark,
//! and fits a narrow screen. Its order: what to do, pictures, details in folds, cautions.
#![cfg_attr(doc, doc = include_str!("../README.md"))]

mod answer;
mod card;
mod changes;
mod charts;
mod document;
mod laps;
mod panels;
pub mod plot;
mod policies;
mod progress;
mod prose;
pub mod recipes;
mod recommendation;
mod scale;
mod script;
mod sensors;
mod svg;
mod sweep;
mod tables;
mod text;
mod trial;
mod verdict;

pub use card::card_page;
pub use changes::{ChangedKey, changes_in_short, changes_page};
pub use laps::laps_page;
pub use progress::{JobStanding, Standing, progress_page};
pub use sensors::sensors_page;
pub use sweep::sweep_page;
pub use trial::{plan_page, trial_page};

use maud::{Markup, html};

use document::{begin, items, navigation, scripted_document, section};
use text::{count, level_percent, shorten, typeset};

use lowgear_eval::figures::{CoursePicture, Pictures, TracePicture};
use lowgear_eval::summary::Summary;

/// The whole report as one HTML file.
#[must_use]
pub fn page(summary: &Summary, pictures: &Pictures) -> String {
    let title = format!("{}: shift strategies for {}", summary.study.name, summary.vehicle.name);
    let body = html! {
        (begin("#verdict", "To the verdict"))
        (header(summary))
        main { "\n"
            (section("verdict", "What to do", &answer::answer(summary, pictures)))
            (panels::picture_sections(summary, pictures))
            (section("figures", "Details", &details_body(summary)))
            (section("cautions", "Cautions", &prose::cautions_of(summary)))
        } "\n"
    };
    scripted_document(&title, &body)
}

/// A driven course as an SVG file of its own.
#[must_use]
pub fn trace_svg(picture: &TracePicture) -> String {
    charts::trace_chart(picture).standalone()
}

/// A course as an SVG file of its own; `origin` says where the course comes from.
#[must_use]
pub fn course_svg(course: &CoursePicture, origin: &str) -> String {
    charts::course_chart(course, origin).standalone()
}

fn header(summary: &Summary) -> Markup {
    let invented = if summary.vehicle.invented { " (an invented vehicle)" } else { "" };
    let sections = [
        ("comparison", "Comparison"),
        ("runs", "Courses"),
        ("robustness", "Robustness"),
        ("maps", "Shift maps"),
        ("learning", "Learning"),
        ("figures", "Details"),
        ("cautions", "Cautions"),
    ];
    html! {
        header { "\n"
            h1 { "When to shift the " (typeset(&summary.vehicle.name)) (invented) } "\n"
            p.kicker {
                "Study " (typeset(&summary.study.name)) ", "
                (count(summary.test_suite.courses as u64)) " held-out courses"
            } "\n"
            (navigation(&sections))
        } "\n"
    }
}

/// All that stands behind the first screens, each part in a fold of its own.
fn details_body(summary: &Summary) -> Markup {
    let findings = html! {
        p { (typeset(&verdict::verdict(summary))) } "\n"
        ul.remarks { "\n" (items(verdict::remarks(summary))) } "\n"
    };
    let parts = [
        ("findings", "Findings in sentences", findings),
        ("tables", "All policies, every figure, thresholds, exported table", table_body(summary)),
        ("method", "Method and budgets", method_body(summary)),
        ("origin", "Vehicle, seeds and versions", origin_body(summary)),
    ];
    html! {
        @for (id, title, body) in parts {
            details.further id=(id) { summary { (title) } "\n" (body) } "\n"
        }
    }
}

fn table_body(summary: &Summary) -> Markup {
    html! {
        (tables::metric_tables(summary))
        (tables::seed_table(summary))
        (tables::profile_table(summary))
        (tables::return_table(summary))
        @for rule in &summary.tuned {
            h3 { "Thresholds of " (typeset(summary.label(&rule.policy))) } "\n"
            pre.scroll tabindex="0" role="region" aria-label={ "Thresholds of " (typeset(summary.label(&rule.policy))) } {
                @for (index, line) in rule.enterable.iter().chain(&rule.lines).enumerate() {
                    @if index > 0 { "\n" }
                    (typeset(line))
                }
            } "\n"
        }
        (tables::export_table(summary))
        (tables::network_table(summary))
    }
}

fn method_body(summary: &Summary) -> Markup {
    let text = &summary.test_suite.note;
    html! {
        @if !text.is_empty() { p { (typeset(text)) } "\n" }
        (prose::method(summary))
        (tables::budget_table(summary))
    }
}

fn origin_body(summary: &Summary) -> Markup {
    let study = &summary.study;
    let quick = if study.quick { "quick run" } else { "full study" };
    let rows = [
        ("study", format!("{} ({quick})", study.name)),
        ("seed", study.seed.to_string()),
        ("program version", study.version.clone()),
        ("task version", study.task_version.to_string()),
        ("summary format", summary.format.to_string()),
        ("interval level", format!("{} %", level_percent(study.level))),
        ("repeat with, in the folder of this page", study.command.clone()),
    ];
    let inputs = study.inputs.iter();
    // Sixteen digits tell any two apart; the whole digests stand in summary.json.
    let inputs = inputs.map(|input| {
        (format!("SHA-256 of {}", input.part), format!("{}, in resolved.toml", shorten(&input.sha256, 17)))
    });
    let rows = rows.map(|(name, value)| (name.to_owned(), value)).into_iter().chain(inputs);
    let rows = rows.map(|(name, value)| vec![name, value]);
    html! {
        (tables::vehicle_table(summary))
        (tables::table("Seeds and versions", &["figure", "value"], rows))
    }
}

#[cfg(test)]
mod example;
#[cfg(test)]
mod tests;
