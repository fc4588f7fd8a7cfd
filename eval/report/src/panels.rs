//! The sections of the page that hold drawings.

use std::fmt::Write as _;

use super::charts::{self, Figure, Layout};
use super::policies::{further_opponents, is_shown_first};
use super::section;
use super::tables;
use super::text::{escape, plural, start_sentence};
use lowgear_eval::figures::{Pictures, ShiftMapPicture, TracePicture};
use lowgear_eval::summary::{Metric, Summary};

/// Comparison, perturbed conditions, shift maps, driven courses and learning.
pub(super) fn picture_sections(out: &mut String, summary: &Summary, pictures: &Pictures) {
    section(out, "comparison", "Comparison", &group(&comparison(summary, pictures)));
    section(out, "robustness", "Robustness", &robustness(summary));
    section(out, "maps", "Shift maps", &shift_maps(summary, &pictures.shift_maps));
    let runs: Vec<Figure> = pictures.traces.iter().filter_map(|trace| run(trace, &pictures.traces)).collect();
    section(out, "runs", "Driven courses", &(group(&runs) + &tables::place_table(summary)));
    let learning: Vec<Figure> = charts::learning_curves(summary).into_iter().collect();
    section(out, "learning", "Learning", &group(&learning));
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
fn robustness(summary: &Summary) -> String {
    let maps: Vec<Figure> =
        summary.robustness.iter().filter_map(|map| charts::robustness(summary, map)).collect();
    if maps.is_empty() {
        return "<p class=\"note\">No perturbed conditions were asked for: the study file has no section \
                <code>[robustness]</code>.</p>\n"
            .to_owned();
    }
    format!("<p class=\"note\">{}</p>\n{}", escape(&charts::robustness_words(summary)), group(&maps))
}

/// The maps that matter most at once, the others folded away.
fn shift_maps(summary: &Summary, pictures: &[ShiftMapPicture]) -> String {
    let draw = |first: bool| -> Vec<Figure> {
        let chosen = pictures.iter().filter(|picture| is_shown_first(summary, &picture.policy) == first);
        chosen.filter_map(|picture| charts::shift_map(picture, pictures)).collect()
    };
    let (first, further) = (draw(true), draw(false));
    if first.is_empty() {
        return group(&further);
    }
    let mut body = format!("<p class=\"note\">{}</p>\n", escape(&charts::common_words(pictures)));
    body.push_str(&group(&first));
    if !further.is_empty() {
        let _ = write!(
            body,
            "<details class=\"further\"><summary>Shift maps of {}</summary>\n{}</details>\n",
            escape(&plural(further.len(), "further policy").replace("policys", "policies")),
            group(&further)
        );
    }
    body
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

/// Drawings side by side, as markup.
pub(super) fn group(figures: &[Figure]) -> String {
    if figures.is_empty() {
        return "<p class=\"note\">This study holds no picture of this kind.</p>\n".to_owned();
    }
    format!("<div class=\"figures\">\n{}</div>\n", figures.iter().map(markup).collect::<String>())
}

fn markup(figure: &Figure) -> String {
    let title = escape(&figure.title);
    let drawings = figure.drawings.concat();
    let (whole, drawings) = match figure.layout {
        Layout::Wide => (
            true,
            format!(
                "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Drawing: {title}\">{drawings}</div>"
            ),
        ),
        Layout::Half => (false, format!("<div class=\"drawings\">{drawings}</div>")),
        Layout::Row => (true, format!("<div class=\"drawings\">{drawings}</div>")),
        Layout::Small => (true, format!("<div class=\"drawings small\">{drawings}</div>")),
    };
    let table = if figure.table.is_empty() {
        String::new()
    } else {
        format!("<details><summary>Data table</summary>\n{}</details>\n", figure.table)
    };
    let whole = if whole { " class=\"whole\"" } else { "" };
    format!(
        "<figure{whole}>\n<figcaption><h3>{title}</h3><p>{}</p></figcaption>\n{drawings}\n{table}</figure>\n",
        escape(&figure.caption)
    )
}
