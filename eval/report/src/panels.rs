//! The sections of the page that hold drawings.

use maud::{Markup, html};

use super::charts::{self, Figure, Layout};
use super::document::{note, section};
use super::policies::{further_opponents, is_main};
use super::script;
use super::tables;
use super::text::{in_sentence, plural, start_sentence, typeset};
use lowgear_eval::figures::{Pictures, ShiftMapPicture, TracePicture};
use lowgear_eval::summary::{Metric, Summary};

/// Comparison, driven courses, perturbed conditions, shift maps and learning.
pub(super) fn picture_sections(summary: &Summary, pictures: &Pictures) -> Markup {
    html! {
        (section("comparison", "Comparison", &comparison(summary, pictures)))
        (section("runs", "Driven courses", &driven(summary, &pictures.traces)))
        (section("robustness", "Robustness", &robustness(summary)))
        (section("maps", "Shift maps", &shift_maps(summary, &pictures.shift_maps)))
        (section("learning", "Learning", &learning(summary)))
    }
}

/// The four policies against the hand-written and the tuned rule, and over courses; the rest in a fold.
fn comparison(summary: &Summary, pictures: &Pictures) -> Markup {
    let roles = &summary.roles;
    let against = |opponent: &str, metric| charts::differences(summary, opponent, metric);
    let has_tuned = roles.tuned_rule != roles.hand_rule;
    let mut first: Vec<Figure> = against(&roles.hand_rule, Metric::CourseTime).into_iter().collect();
    let by_course = |picture| charts::by_course(summary, picture);
    first.extend(pictures.differences.first().and_then(by_course));
    let mut further: Vec<Figure> = Vec::new();
    if has_tuned {
        first.extend(against(&roles.tuned_rule, Metric::CourseTime));
    }
    let opponents = further_opponents(summary);
    further.extend(opponents.iter().filter_map(|opponent| against(opponent, Metric::CourseTime)));
    further.extend(charts::headroom(summary));
    further.extend(against(&roles.hand_rule, Metric::Damage));
    if has_tuned {
        further.extend(against(&roles.tuned_rule, Metric::Damage));
    }
    further.extend(pictures.differences.iter().skip(1).filter_map(by_course));
    further.extend(charts::time_against_damage(summary));
    further.extend(charts::outcome_causes(summary));
    further.extend(charts::frontier(&pictures.frontier, summary.study.level));
    html! {
        (tables::main_table(summary))
        (group(&first))
        (note(charts::MARKS))
        (fold("More comparisons: tuned rules, damage, distance to the plan, outcomes", &further))
    }
}

/// The first course at once, with the two extremes and the learned policies folded.
fn driven(summary: &Summary, traces: &[TracePicture]) -> Markup {
    let mut runs = traces.iter().filter_map(charts::trace);
    let first: Vec<Figure> = runs.next().into_iter().collect();
    let further: Vec<Figure> = runs.collect();
    let titles: Vec<&str> = further.iter().map(|figure| figure.title.as_str()).collect();
    let seed = summary.table.as_ref().map_or_else(String::new, |sheet| {
        format!(
            "Course by course, {} is that of seed {}, the exported one.",
            in_sentence(summary.label(&summary.roles.subject)),
            sheet.seed
        )
    });
    html! {
        @if !seed.is_empty() { (note(&seed)) }
        (group(&first))
        (script::replay(traces))
        (fold(&titles.join("; "), &further))
        @if !summary.places.is_empty() {
            details.further { summary { "Where stalls, failed upshifts and hunting happen" } "\n" (tables::place_table(summary)) } "\n"
        }
    }
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

/// The maps of the main policies at once, the others folded away.
fn shift_maps(summary: &Summary, pictures: &[ShiftMapPicture]) -> Markup {
    let is_first = |picture: &ShiftMapPicture| {
        summary.policies.iter().any(|p| p.record.label == picture.policy && is_main(summary, &p.record.id))
    };
    let draw = |first: bool| -> Vec<Figure> {
        let chosen = pictures.iter().filter(|picture| is_first(picture) == first);
        chosen.filter_map(|picture| charts::shift_map(picture, pictures)).collect()
    };
    let (first, further) = (draw(true), draw(false));
    if first.is_empty() {
        return group(&further);
    }
    let roles = &summary.roles;
    let pair = script::map_pair(pictures, [summary.label(&roles.subject), summary.label(&roles.tuned_rule)]);
    let number = plural(further.len(), "further policy").replace("policys", "policies");
    html! {
        (group(&first))
        (note(&charts::common_words(pictures)))
        (pair)
        (fold(&format!("Shift maps of {number}"), &further))
    }
}

/// Learning curves, and how the policies compare over courses.
fn learning(summary: &Summary) -> Markup {
    let curves: Vec<Figure> = charts::learning_curves(summary).into_iter().collect();
    let further: Vec<Figure> =
        [charts::profiles(summary), charts::improvement(summary)].into_iter().flatten().collect();
    html! {
        @if curves.is_empty() && further.is_empty() {
            (group(&[]))
        } @else {
            (group(&curves.into_iter().chain(further).collect::<Vec<_>>()))
        }
    }
}

/// Further drawings behind one line.
fn fold(words: &str, figures: &[Figure]) -> Markup {
    html! {
        @if !figures.is_empty() {
            details.further { summary { (typeset(words)) } "\n" (group(figures)) } "\n"
        }
    }
}

/// Drawings side by side.
pub(super) fn group(figures: &[Figure]) -> Markup {
    if figures.is_empty() {
        return note("This study holds no picture of this kind.");
    }
    html! { div.figures { "\n" @for figure in figures { (markup(figure)) } } "\n" }
}

fn markup(figure: &Figure) -> Markup {
    let title = typeset(&start_sentence(&figure.title));
    let whole = (figure.layout != Layout::Half).then_some("whole");
    let drawings = |list: &[Markup]| html! { @for drawing in list { (drawing) } };
    html! {
        figure class=[whole] { "\n"
            figcaption { h3 { (title) } p { (typeset(&figure.caption)) } } "\n"
            @match figure.layout {
                Layout::Wide => {
                    div.scroll tabindex="0" role="region" aria-label={ "Drawing: " (title) } { (drawings(&figure.drawings)) }
                }
                Layout::Half => div.drawings { (drawings(&figure.drawings)) },
                Layout::Small => div.drawings.small { (drawings(&figure.drawings)) },
            }
            "\n"
            details { summary { (figure.fold) } "\n"
                @if !figure.further.is_empty() { div.drawings { (drawings(&figure.further)) } }
                (figure.table)
            } "\n"
        } "\n"
    }
}
