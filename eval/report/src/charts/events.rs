//! Events of driven courses in words and tables.

use maud::{Markup, html};

use crate::tables::table;
use crate::text::fixed;
use lowgear_eval::figures::{EventKind, RunTrace};

/// How often each event happened in each run, and where those that cost time did.
pub(super) fn event_tables(runs: &[RunTrace]) -> Markup {
    let head = [
        "policy",
        "ended",
        "up",
        "down",
        "failed upshifts",
        "hunting",
        "missed engagements",
        "stalls",
        "stalled, s",
    ];
    let body = runs.iter().map(event_row);
    html! { (table("Events of these runs", &head, body)) (incident_table(runs)) }
}

/// An event in words.
pub(super) fn kind_in_words(kind: EventKind) -> String {
    match kind {
        EventKind::Upshift => "shift up".to_owned(),
        EventKind::Downshift => "shift down".to_owned(),
        EventKind::FailedUpshift => "failed upshift".to_owned(),
        EventKind::MissedEngagement => "missed engagement".to_owned(),
        EventKind::Hunting => "hunting".to_owned(),
        EventKind::Stall(stood_s) => format!("stalled for {} s", fixed(stood_s, 1)),
    }
}

fn event_row(run: &RunTrace) -> Vec<String> {
    let count =
        |wanted: fn(&EventKind) -> bool| run.events.iter().filter(|e| wanted(&e.kind)).count().to_string();
    let stalled: f64 =
        run.events.iter().map(|e| if let EventKind::Stall(s) = e.kind { s } else { 0.0 }).sum();
    vec![
        run.label.clone(),
        run.outcome.clone(),
        count(|kind| matches!(kind, EventKind::Upshift)),
        count(|kind| matches!(kind, EventKind::Downshift)),
        count(|kind| matches!(kind, EventKind::FailedUpshift)),
        count(|kind| matches!(kind, EventKind::Hunting)),
        count(|kind| matches!(kind, EventKind::MissedEngagement)),
        count(|kind| matches!(kind, EventKind::Stall(_))),
        fixed(stalled, 1),
    ]
}

/// Every stall, failed upshift and hunt with its place.
fn incident_table(runs: &[RunTrace]) -> Markup {
    let mut rows = Vec::new();
    for run in runs {
        for event in &run.events {
            let what = match event.kind {
                EventKind::Upshift | EventKind::Downshift | EventKind::MissedEngagement => continue,
                kind => kind_in_words(kind),
            };
            rows.push(vec![
                run.label.clone(),
                what,
                fixed(event.distance_m, 2),
                event.surface.clone(),
                fixed(event.grade_deg, 1),
                (event.gear + 1).to_string(),
            ]);
        }
    }
    if rows.is_empty() {
        return Markup::default();
    }
    let head = ["policy", "what", "at, m", "surface", "grade, °", "gear"];
    table("Stall, failed-upshift and hunting events", &head, rows)
}
