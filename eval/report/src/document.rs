//! The frame of a page: head, looks and content policy.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::text::typeset;
use super::{script, svg};

/// Looks of the page around the charts.
const STYLE: &str = include_str!("page.css");
/// Looks of sheets to fill in, on top.
const SHEET_STYLE: &str = include_str!("sheet.css");

/// A whole page with its own looks; it needs no network and has no script.
fn document(title: &str, style: &[&str], body: &Markup) -> String {
    whole(title, style, "default-src 'none'; style-src 'unsafe-inline'", body)
}

/// A page that may hold charts and has the script for them, which its policy allows by hash.
pub(super) fn scripted_document(title: &str, body: &Markup) -> String {
    let policy = format!("default-src 'none'; style-src 'unsafe-inline'; script-src '{}'", script::source());
    whole(title, &[svg::STYLE, STYLE], &policy, &html! { (body) (script::element()) })
}

fn whole(title: &str, style: &[&str], policy: &str, body: &Markup) -> String {
    let page = html! {
        (DOCTYPE) "\n"
        html lang="en" {
            head {
                meta charset="utf-8"; "\n"
                meta name="viewport" content="width=device-width, initial-scale=1"; "\n"
                meta name="color-scheme" content="light dark"; "\n"
                meta http-equiv="Content-Security-Policy" content=(policy); "\n"
                title { (typeset(title)) } "\n"
                style { "\n" @for part in style { (PreEscaped(part)) } }
            } "\n"
            body { "\n" (body) }
        } "\n"
    };
    page.into_string()
}

/// A page that may hold charts.
pub(super) fn chart_document(title: &str, body: &Markup) -> String {
    document(title, &[svg::STYLE, STYLE], body)
}

/// A sheet to print and fill in.
pub(super) fn sheet_document(title: &str, body: &Markup) -> String {
    document(title, &[svg::STYLE, STYLE, SHEET_STYLE], &html! { main.sheet { "\n" (body) } "\n" })
}

/// What stands before the header: the patterns of the charts, and a link past the header for keyboard users.
pub(super) fn begin(skip_to: &str, skip: &str) -> Markup {
    html! {
        svg.patterns width="0" height="0" aria-hidden="true" { (PreEscaped(svg::PATTERNS)) } "\n"
        a.skip href=(skip_to) { (skip) } "\n"
    }
}

/// A section of the page.
pub(super) fn section(id: &str, title: &str, body: &Markup) -> Markup {
    let title_id = format!("{id}-title");
    html! {
        section id=(id) aria-labelledby=(title_id) { "\n"
            h2 id=(title_id) { (title) } "\n"
            (body)
        } "\n"
    }
}

/// Links to sections, by id and name.
pub(super) fn navigation(sections: &[(&str, &str)]) -> Markup {
    html! {
        nav aria-label="Sections" {
            ul { @for (id, name) in sections { li { a href={ "#" (id) } { (name) } } } }
        } "\n"
    }
}

/// A paragraph for each text.
pub(super) fn paragraphs(texts: impl IntoIterator<Item = impl AsRef<str>>) -> Markup {
    html! { @for text in texts { p { (typeset(text.as_ref())) } "\n" } }
}

/// A list item for each text.
pub(super) fn items(texts: impl IntoIterator<Item = impl AsRef<str>>) -> Markup {
    html! { @for text in texts { li { (typeset(text.as_ref())) } "\n" } }
}

/// A remark in small print.
pub(super) fn note(text: &str) -> Markup {
    html! { p.note { (typeset(text)) } "\n" }
}
