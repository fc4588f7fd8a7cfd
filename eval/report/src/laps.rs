//! Page of what a vehicle gains that learns its way by itself.

use super::charts;
use super::document::{begin, chart_document, items, note, section};
use super::panels::group;
use super::prose;
use super::tables::table;
use super::text::{fixed, level_percent, plural, signed_percent, typeset};
use lowgear_eval::laps::{LapRow, LapWorth};
use maud::{Markup, html};

/// Time against the policy alone from which a change of the ground costs much, %.
const MUCH_PERCENT: f64 = 0.5;

/// What was learned as a page.
#[must_use]
pub fn laps_page(worth: &LapWorth) -> String {
    let title = format!("What a memory of the way is worth: {}", worth.vehicle);
    let body = html! {
        (begin("#verdict", "To the verdict"))
        header {
            p.kicker { "Laps" }
            h1 { (typeset(&title)) }
            p.lead { "On " (typeset(&worth.course)) ", with the policy " (typeset(&worth.policy)) ". Simulation only." }
        } "\n"
        main { "\n"
            (section("verdict", "Verdict", &verdict(worth)))
            (section("laps", "Gain", &html! {
                (group(&[charts::by_lap(worth), charts::along(worth)]))
                (note("Filled: the interval excludes zero. Hollow: it includes zero."))
            }))
            (section("changed", "When the way changes", &changed(worth)))
            (section("method", "Method", &html! { @for text in METHOD { p { (typeset(text)) } "\n" } }))
            (section("cautions", "Cautions", &prose::cautions()))
        } "\n"
    };
    chart_document(&title, &body)
}

fn verdict(worth: &LapWorth) -> Markup {
    let time = &worth.learned.time;
    let percent = time.difference_percent;
    let lead = if percent.high < 0.0 {
        "From the third lap on the vehicle is faster with what it has learned."
    } else if percent.low > 0.0 {
        "The vehicle is slower with what it has learned: leave the memory out here."
    } else {
        "No gain is shown here."
    };
    let (near_s, elsewhere_s) = worth.won_near_and_elsewhere_s;
    let (mean_m, sd_m) = worth.position_error_m;
    let remarks = [
        format!(
            "Lap time of laps {} to {}: {} % against the policy alone ({} ways, {} % interval), at {} % damage.",
            worth.learning_laps + 1,
            worth.laps,
            charts::interval(&worth.learned),
            worth.ways,
            level_percent(worth.level),
            signed_percent(time.damage_percent)
        ),
        format!(
            "Won on a lap: {} s near places where the vehicle has stalled, {} s elsewhere.",
            fixed(near_s, 1),
            fixed(elsewhere_s, 1)
        ),
        format!(
            "At the end of a lap the counted way is {} m too long (standard deviation {} m).",
            fixed(mean_m, 2),
            fixed(sd_m, 2)
        ),
    ];
    html! { p.verdict { (typeset(lead)) } "\n" ul.remarks { "\n" (items(remarks)) } "\n" }
}

fn changed(worth: &LapWorth) -> Markup {
    let row = |row: &LapRow| {
        [
            row.time.name.clone(),
            charts::interval(row),
            signed_percent(row.time.damage_percent),
            row.time.finished.to_string(),
            fixed(row.needless, 2),
            format!("{} %", fixed(row.silent_percent, 0)),
        ]
    };
    let head = [
        "what has changed",
        "time, %",
        "damage, %",
        "laps finished",
        "needless advice of a lap",
        "laps on which the memory fell silent",
    ];
    let caption = format!(
        "Laps with what was learned before, against the policy alone on the same ground; {}, {} % intervals",
        plural(worth.ways as usize, "way"),
        level_percent(worth.level)
    );
    let costly = worth.changed.iter().filter(|row| row.time.difference_percent.mean > MUCH_PERCENT);
    let costly: Vec<&str> = costly.map(|row| row.time.name.as_str()).collect();
    html! {
        (table(&caption, &head, worth.changed.iter().chain([&worth.learned]).map(row)))
        @if costly.is_empty() {
            p { "None of these changes costs more than " (typeset("0.5 %")) " of the time in the mean." } "\n"
        } @else {
            p { "More than " (typeset("0.5 %")) " of the time in the mean: " (typeset(&costly.join(", "))) "." } "\n"
        }
    }
}

/// What the figures rest on.
const METHOD: [&str; 3] = [
    "The vehicle counts its way by the motor's encoder from the start of each lap, without a map and without landmarks. It \
     marks where it has stalled, and does not shift into its top gear shortly before such a place. Where the top gear ran \
     easily on the last lap and no mark follows, it shifts up as soon as the top gear is faster.",
    "Canes come and go from lap to lap, grass grows, wheels and start are never quite the same, as the table [laps] of the \
     course file has it. Every lap is driven twice, with what was learned before and by the policy alone, and the differences \
     are paired by way.",
    "Advice that no load confirms is needless. After two needless ones, less what paid, the memory is silent until the lap \
     ends. A lap that is not finished counts as the time limit. To put the memory on the vehicle: lowgear export with \
     --lap-memory.",
];

#[cfg(test)]
mod tests;
