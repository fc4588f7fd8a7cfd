//! The report: one self-contained HTML page, and SVG files of single courses.
//!
//! [`page`] is a pure function: the same summary and pictures give the same bytes. The page needs no network,
//! no font and no script; it opens from a file, prints, follows the reader's choice of light or dark, and
//! fits a narrow screen. Its order: verdict, pictures, tables, method, origin, cautions.
#![doc = include_str!("../README.md")]

mod card;
mod charts;
mod panels;
pub mod plot;
mod policies;
mod prose;
pub mod recipes;
mod scale;
mod svg;
mod sweep;
mod tables;
mod text;
mod verdict;

pub use card::card_page;
pub use sweep::sweep_page;

use std::fmt::Write as _;

use text::{count, escape, fixed, level_percent};

use lowgear_eval::figures::{CoursePicture, Pictures, TracePicture};
use lowgear_eval::summary::Summary;

/// Looks of the page around the charts.
const STYLE: &str = include_str!("page.css");

/// The whole report as one HTML file.
#[must_use]
pub fn page(summary: &Summary, pictures: &Pictures) -> String {
    let title = format!("{}: shift strategies for {}", summary.study.name, summary.vehicle.name);
    let mut out = begin(&title, "#verdict", "To the verdict");
    header(&mut out, summary);
    out.push_str("<main>\n");
    verdict_section(&mut out, summary);
    panels::picture_sections(&mut out, summary, pictures);
    table_section(&mut out, summary);
    method_section(&mut out, summary);
    origin_section(&mut out, summary);
    section(&mut out, "cautions", "Cautions", &prose::cautions_of(summary));
    out.push_str("</main>\n</body>\n</html>\n");
    out
}

/// A page up to its header: looks, patterns, and a link past the header for those who use the keyboard.
fn begin(title: &str, skip_to: &str, skip: &str) -> String {
    let mut out = String::with_capacity(1 << 20);
    let _ = write!(
        out,
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <title>{}</title>\n<style>\n{}{STYLE}</style>\n</head>\n<body>\n\
         <svg class=\"patterns\" width=\"0\" height=\"0\" aria-hidden=\"true\">{}</svg>\n\
         <a class=\"skip\" href=\"{skip_to}\">{skip}</a>\n",
        escape(title),
        svg::STYLE,
        svg::PATTERNS
    );
    out
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

fn header(out: &mut String, summary: &Summary) {
    let invented = if summary.vehicle.invented { " (an invented vehicle)" } else { "" };
    let _ = write!(
        out,
        "<header>\n<p class=\"kicker\">Study {}</p>\n<h1>Shift strategies for {}{invented}</h1>\n\
         <p class=\"lead\">{} held-out courses, {} km in all; {} evaluated policies.</p>\n<nav aria-label=\"Sections\"><ul>",
        escape(&summary.study.name),
        escape(&summary.vehicle.name),
        count(summary.test_suite.courses as u64),
        fixed(summary.test_suite.total_length_m / 1000.0, 1),
        summary.policies.len(),
    );
    let sections = [
        ("verdict", "Verdict"),
        ("comparison", "Comparison"),
        ("robustness", "Robustness"),
        ("maps", "Shift maps"),
        ("runs", "Runs"),
        ("learning", "Learning"),
        ("figures", "Tables"),
        ("method", "Method"),
        ("origin", "Origin"),
        ("cautions", "Cautions"),
    ];
    for (id, name) in sections {
        let _ = write!(out, "<li><a href=\"#{id}\">{name}</a></li>");
    }
    out.push_str("</ul></nav>\n</header>\n");
}

fn verdict_section(out: &mut String, summary: &Summary) {
    let mut body =
        format!("<p class=\"verdict\">{}</p>\n<ul class=\"remarks\">\n", escape(&verdict::verdict(summary)));
    for line in verdict::remarks(summary) {
        let _ = writeln!(body, "<li>{}</li>", escape(&line));
    }
    body.push_str(
        "</ul>\n<p class=\"note\">Simulation only; see the <a href=\"#cautions\">cautions</a>.</p>\n",
    );
    section(out, "verdict", "Verdict", &body);
}

fn table_section(out: &mut String, summary: &Summary) {
    let mut body = tables::metric_tables(summary);
    body.push_str(&tables::seed_table(summary));
    body.push_str(&tables::profile_table(summary));
    body.push_str(&tables::return_table(summary));
    for rule in &summary.tuned {
        let _ = write!(
            body,
            "<h3>Thresholds of {}</h3>\n<pre class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Thresholds\">{}</pre>\n",
            escape(summary.label(&rule.policy)),
            rule.enterable.iter().chain(&rule.lines).map(|line| escape(line)).collect::<Vec<_>>().join("\n")
        );
    }
    body.push_str(&tables::export_table(summary));
    section(out, "figures", "Tables", &body);
}

fn method_section(out: &mut String, summary: &Summary) {
    let note = &summary.test_suite.note;
    let mut body = if note.is_empty() { String::new() } else { format!("<p>{}</p>\n", escape(note)) };
    body.push_str(&prose::method(summary));
    body.push_str(&tables::budget_table(summary));
    section(out, "method", "Method", &body);
}

fn origin_section(out: &mut String, summary: &Summary) {
    let study = &summary.study;
    let quick = if study.quick { "quick run" } else { "full study" };
    let rows = [
        ("study", format!("{} ({quick})", study.name)),
        ("seed", study.seed.to_string()),
        ("program version", study.version.clone()),
        ("task version", study.task_version.to_string()),
        ("summary format", summary.format.to_string()),
        ("interval level", format!("{} %", level_percent(study.level))),
        ("repeat with", study.command.clone()),
    ];
    let mut body = tables::vehicle_table(summary);
    let rows = rows.into_iter().map(|(name, value)| vec![name.to_owned(), value]);
    body.push_str(&tables::table("Seeds and versions", &["figure", "value"], rows));
    section(out, "origin", "Origin", &body);
}

/// A section of the page; `body` is markup.
fn section(out: &mut String, id: &str, title: &str, body: &str) {
    let _ = write!(
        out,
        "<section id=\"{id}\" aria-labelledby=\"{id}-title\">\n<h2 id=\"{id}-title\">{title}</h2>\n{body}</section>\n"
    );
}

#[cfg(test)]
mod example;
#[cfg(test)]
mod tests;
