//! The rule card as a printable page of its own.

use std::fmt::Write as _;

use super::text::escape;
use super::{STYLE, prose, svg};
use lowgear_eval::figures::CardSheet;

/// A page to print and hang up next to the bench: no script, no network.
#[must_use]
pub fn card_page(sheet: &CardSheet) -> String {
    let items = |lines: &[String]| -> String {
        lines.iter().map(|line| format!("<li>{}</li>\n", escape(line))).collect()
    };
    let invented = if sheet.invented { " (an invented vehicle)" } else { "" };
    let vehicle = escape(&sheet.vehicle);
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <title>Rule card for {vehicle}</title>\n<style>\n{}{STYLE}</style>\n</head>\n<body>\n<main>\n\
         <h1>Rule card for {vehicle}{invented}</h1>\n\
         <p class=\"lead\">{} for {}.</p>\n",
        svg::STYLE,
        if sheet.numbers == 1 {
            "1 number that stands".to_owned()
        } else {
            format!("{} numbers that stand", sheet.numbers)
        },
        escape(&sheet.policy),
    );
    let _ = write!(out, "<h2>When to shift</h2>\n<ol>\n{}</ol>\n", items(&sheet.lines));
    out.push_str(
        "<p>A step down on a stall goes before a threshold down, and that before one up. One shift at a time: none \
         before the selector has arrived and the minimum dwell has passed, and the drive is cut while it moves.</p>\n",
    );
    let _ = write!(out, "<h2>What it is worth</h2>\n<ul>\n{}</ul>\n", items(&sheet.verdict));
    if !sheet.left_out.is_empty() {
        let _ = write!(out, "<h2>What was left out</h2>\n<ol>\n{}</ol>\n", items(&sheet.left_out));
    }
    let _ = write!(out, "<h2>Cautions</h2>\n{}", prose::cautions());
    let _ = write!(out, "<p class=\"note\">{}</p>\n</main>\n</body>\n</html>\n", escape(&sheet.origin));
    out
}
