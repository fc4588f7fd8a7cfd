//! Page of the comparison of sensors: what one more sensor would be worth before it is bought.

use super::charts;
use super::document::{begin, chart_document, items, note, section};
use super::panels::group;
use super::prose;
use super::tables::table;
use super::text::{fixed, level_percent, start_sentence, typeset};
use lowgear_eval::sensors::{SensorComparison, SensorWorth, Verdict};
use maud::{Markup, html};

/// The comparisons of a run as a page; the sensors themselves are the same in all of them.
#[must_use]
pub fn sensors_page(comparisons: &[SensorComparison]) -> String {
    let [comparison, ..] = comparisons else { return String::new() };
    let settings = &comparison.settings;
    let title = format!("What one more sensor is worth: {}", settings.vehicle);
    let body = html! {
        (begin("#verdict", "To the verdict"))
        header {
            p.kicker { "Sensors" }
            h1 { (typeset(&title)) }
            p.lead { "On " (typeset(&settings.course)) ". Simulation only." }
        } "\n"
        main { "\n"
            (section("verdict", "Verdict", &html! {
                @for comparison in comparisons { (verdict(comparison)) }
                @if settings.quick { (note("A quick run: too few courses and searches to conclude anything.")) }
            }))
            (section("worth", "What each saves", &html! {
                (group(&comparisons.iter().map(charts::sensors).collect::<Vec<_>>()))
                (note(charts::MARKS))
                @for comparison in comparisons { (figures(comparison)) }
            }))
            (section("sensors", "The sensors", &html! {
                @for sensor in &comparison.sensors { (described(sensor)) }
                h3 { "Without a sensor" } "\n"
                (rule(&settings.rule))
            }))
            (section("method", "Method", &method(comparisons)))
            (section("cautions", "Cautions", &prose::cautions()))
        } "\n"
    };
    chart_document(&title, &body)
}

fn verdict(comparison: &SensorComparison) -> Markup {
    let worth: Vec<&str> = comparison
        .sensors
        .iter()
        .filter(|sensor| !sensor.card.reference)
        .filter(|sensor| matches!(sensor.verdict, Verdict::Time | Verdict::Wear | Verdict::Both))
        .map(|sensor| sensor.card.name.as_str())
        .collect();
    let controller = comparison.settings.controller.name();
    let lead = match worth.as_slice() {
        [] => format!("With a {controller} no sensor is shown to be worth its place here."),
        [only] => format!("With a {controller} worth its place here: the {only}."),
        [first, rest @ ..] => format!(
            "With a {controller} worth their place here: the {first} and the {}.",
            rest.join(" and the ")
        ),
    };
    // The terminal takes a hyphen for a minus sign.
    let minus = |text: &str| text.replace("(-", "(\u{2212}").replace(" -", " \u{2212}");
    let sentences = comparison.sensors.iter().map(|sensor| start_sentence(&minus(&sensor.sentence())));
    html! {
        p.verdict { (typeset(&lead)) } "\n"
        ul.remarks { "\n" (items(sentences)) } "\n"
    }
}

/// The one table: every figure of every sensor.
fn figures(comparison: &SensorComparison) -> Markup {
    let share =
        |share: Option<f64>| share.map_or_else(|| "–".to_owned(), |share| format!("{} %", fixed(share, 0)));
    let rows = comparison.sensors.iter().map(|sensor| {
        let saved = sensor.saved_percent;
        [
            sensor.card.name.clone(),
            sensor.verdict.words().to_owned(),
            format!("{} ({} to {})", fixed(saved.mean, 1), fixed(saved.low, 1), fixed(saved.high, 1)),
            damage(sensor),
            share(sensor.gap_percent),
            format!("{} %", fixed(sensor.finished_percent, 1)),
            format!("{} %", fixed(sensor.carrying_percent, 1)),
            share(sensor.card.sighting.announced_percent),
            share(sensor.card.sighting.false_percent),
            sensor.card.flash_bytes.map_or_else(|| "not measured".to_owned(), |bytes| bytes.to_string()),
        ]
    });
    let head = [
        "sensor",
        "verdict",
        "time saved, %",
        "change of damage, %",
        "of what the plan saves",
        "finished",
        "cost of its drag",
        "obstacles announced",
        "of that false",
        "program memory, bytes",
    ];
    let caption = format!(
        "Against the {} without a sensor, which takes {} s a course, finishes {} % and has a damage of {} per km; \
         {} % intervals",
        comparison.settings.controller.name(),
        fixed(comparison.time_s.mean, 1),
        fixed(comparison.finished_percent, 1),
        super::text::number(comparison.damage_per_km),
        level_percent(comparison.settings.level)
    );
    table(&caption, &head, rows)
}

fn damage(sensor: &SensorWorth) -> String {
    let percent = |ratio: f64| fixed(100.0 * (ratio - 1.0), 0);
    sensor.damage_ratio.map_or_else(
        || "–".to_owned(),
        |ratio| format!("{} ({} to {})", percent(ratio.mean), percent(ratio.low), percent(ratio.high)),
    )
}

fn described(sensor: &SensorWorth) -> Markup {
    let card = &sensor.card;
    let facts = [
        format!("Mounting: {}.", card.mounting),
        format!("Sees {}.", card.sees),
        format!("Does not see {}.", card.misses),
        format!("Figures from: {}.", card.origin),
    ];
    html! {
        h3 { (typeset(&start_sentence(&card.name))) } "\n"
        ul { "\n" (items(facts)) } "\n"
        (rule(&card.rule))
    }
}

/// A tuned rule in a fold.
fn rule(lines: &[String]) -> Markup {
    html! {
        details { summary { "Tuned rule" } "\n" ul { "\n" (items(lines)) } "\n" } "\n"
    }
}

fn method(comparisons: &[SensorComparison]) -> Markup {
    let notes = comparisons.iter().flat_map(SensorComparison::notes);
    let legend = comparisons.iter().take(1).flat_map(SensorComparison::legend);
    html! {
        @for sentence in notes.chain(legend) { p { (typeset(&sentence)) } "\n" }
        @if comparisons.len() == 1 { p { (typeset(TRAINED)) } "\n" }
        p { (typeset(LIMITS)) } "\n"
    }
}

/// How to learn what a trained table would keep of it.
const TRAINED: &str = "A trained table can use a sensor better than a rule with a few thresholds: `lowgear sensors STUDY --train` \
    says how much better, and takes as long as one training run for each sensor.";

/// What the comparison leaves out.
const LIMITS: &str = "What a sensor is worth depends on this ground: on ground with other obstacles, grass or grades the \
    order can be another one. The figures of a sensor that is not in the vehicle file are assumed; only the best of several \
    searches is driven, so that a difference of a few tenths of a per cent may be that of the searches.";

#[cfg(test)]
mod tests;
