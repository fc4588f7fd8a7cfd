//! The sections of the page that hold drawings.

use maud::{Markup, html};

use super::charts::{self, Figure, Layout};
use super::document::{note, section};
use super::policies::{further_opponents, is_shown_first};
use super::tables;
use super::text::{plural, start_sentence, typeset};
use lowgear_eval::figures::{Pictures, ShiftMapPicture, TracePicture};
use lowgear_eval::summary::{Metric, Summary};

/// Comparison, perturbed conditions, shift maps, driven courses and learning.
pub(super) fn picture_sections(summary: &Summary, pictures: &Pictures) -> Markup {
    let traces = &pictures.traces;
    let runs: Vec<Figure> = traces.iter().filter_map(|trace| run(trace, traces)).collect();
    let runs = html! { (group(&runs)) (tables::place_table(summary)) };
    let learning: Vec<Figure> = charts::learning_curves(summary).into_iter().collect();
    html! {
        (section("comparison", "Comparison", &group(&comparison(summary, pictures))))
        (section("robustness", "Robustness", &robustness(summary)))
        (section("maps", "Shift maps", &shift_maps(summary, &pictures.shift_maps)))
        (section("runs", "Driven courses", &runs))
        (section("learning", "Learning", &group(&learning)))
    }
}

fn comparison(summary: &Summary, pictures: &Pictures) -> Vec<Figure> {
    let level = summary.study.level;
    let mut named = vec![summary.roles.hand_rule.as_str()];
    if summary.roles.tuned_rule != summary.roles.hand_rule {
        named.push(&summary.roles.tuned_rule);
    }
    let further = further_opponents(summary);
    let against = |opponents: &[&str], metric| -> Vec<Figure> {
        opponents.iter().filter_map(|against| charts::differences(summary, against, metric)).collect()
    };
    let mut list = against(&named, Metric::CourseTime);
    list.extend(against(&further, Metric::CourseTime));
    list.extend(charts::headroom(summary));
    list.extend(against(&named, Metric::Damage));
    list.extend(charts::time_against_damage(summary));
    list.extend(charts::outcome_causes(summary));
    list.extend(charts::frontier(&pictures.frontier, level));
    list
}

/// The perturbed conditions.
fn robustness(summary: &Summary) -> Markup {
    let maps: Vec<Figure> =
        summary.robustness.iter().filter_map(|map| charts::robustness(summary, map)).collect();
    html! {
        @if maps.is_empty() {
            p.note {
                "No perturbed conditions were asked for: the study file has no section " code { "[robustness]" } "."
            } "\n"
        } @else {
            (note(&charts::robustness_words(summary)))
            (group(&maps))
        }
    }
}

/// The maps that matter most at once, the others folded away.
fn shift_maps(summary: &Summary, pictures: &[ShiftMapPicture]) -> Markup {
    let draw = |first: bool| -> Vec<Figure> {
        let chosen = pictures.iter().filter(|picture| is_shown_first(summary, &picture.policy) == first);
        chosen.filter_map(|picture| charts::shift_map(picture, pictures)).collect()
    };
    let (first, further) = (draw(true), draw(false));
    if first.is_empty() {
        return group(&further);
    }
    let number = plural(further.len(), "further policy").replace("policys", "policies");
    html! {
        (note(&charts::common_words(pictures)))
        (group(&first))
        @if !further.is_empty() {
            details.further {
                summary { "Shift maps of " (number) } "\n"
                (group(&further))
            } "\n"
        }
    }
}

/// A driven course; its title names the runs when others have the same title.
fn run(picture: &TracePicture, all: &[TracePicture]) -> Option<Figure> {
    let mut figure = charts::trace(picture)?;
    if all.iter().filter(|other| other.title == picture.title).count() > 1 {
        let runs: Vec<&str> = picture.runs.iter().map(|run| run.label.as_str()).collect();
        figure.title = start_sentence(&format!("{}: {}", picture.title, runs.join(", ")));
    }
    Some(figure)
}

/// Drawings side by side.
pub(super) fn group(figures: &[Figure]) -> Markup {
    if figures.is_empty() {
        return note("This study holds no picture of this kind.");
    }
    html! { div.figures { "\n" @for figure in figures { (markup(figure)) } } "\n" }
}

fn markup(figure: &Figure) -> Markup {
    let title = typeset(&figure.title);
    let whole = (figure.layout != Layout::Half).then_some("whole");
    let drawings = html! { @for drawing in &figure.drawings { (drawing) } };
    html! {
        figure class=[whole] { "\n"
            figcaption { h3 { (title) } p { (typeset(&figure.caption)) } } "\n"
            @match figure.layout {
                Layout::Wide => {
                    div.scroll tabindex="0" role="region" aria-label={ "Drawing: " (title) } { (drawings) }
                }
                Layout::Half | Layout::Row => div.drawings { (drawings) },
                Layout::Small => div.drawings.small { (drawings) },
            }
            "\n"
            details { summary { "Data table" } "\n" (figure.table) } "\n"
        } "\n"
    }
}
