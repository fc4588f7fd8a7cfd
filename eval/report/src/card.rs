//! The rule card as a printable page of its own.

use maud::html;

use super::document::{chart_document, items};
use super::prose;
use super::text::typeset;
use lowgear_eval::figures::CardSheet;

/// A page to print and hang up at the bench: no script, no network.
#[must_use]
pub fn card_page(sheet: &CardSheet) -> String {
    let title = format!("Rule card for {}", sheet.vehicle);
    let invented = if sheet.invented { " (an invented vehicle)" } else { "" };
    let numbers = if sheet.numbers == 1 {
        "1 number that replaces".to_owned()
    } else {
        format!("{} numbers that replace", sheet.numbers)
    };
    let body = html! {
        main { "\n"
            h1 { (typeset(&title)) (invented) } "\n"
            p.lead { (numbers) " " (typeset(&sheet.policy)) "." } "\n"
            h2 { "When to shift" } "\n"
            ol { "\n" (items(&sheet.lines)) } "\n"
            p {
                "A downshift on a stall takes precedence over a threshold downshift, and that over an upshift. One shift at a \
                 time: none before the selector has arrived and the minimum dwell has passed. The drive is cut during a \
                 shift."
            } "\n"
            div.columns { "\n"
                div { h2 { "Evaluation" } "\n" ul { "\n" (items(&sheet.verdict)) } } "\n"
                @if !sheet.left_out.is_empty() {
                    div { h2 { "What was left out" } "\n" ol { "\n" (items(&sheet.left_out)) } } "\n"
                }
            } "\n"
            h2 { "Cautions" } "\n"
            (prose::cautions())
            p.note { (typeset(&sheet.origin)) } "\n"
        } "\n"
    };
    chart_document(&title, &body)
}
