//! Distributions: performance profiles, and the difference on every course.

use maud::Markup;

use super::{ALL, DATA, Figure, Layout};
use crate::policies::{is_main, look, main_policies};
use crate::scale::Scale;
use crate::svg::{Anchor, Frame, Marker, Svg};
use crate::tables::{profile_table, table};
use crate::text::{fixed, in_sentence, percent, plain, plural, shorten, signed, start_sentence};
use lowgear_eval::figures::CourseDifferences;
use lowgear_eval::summary::{ProfilePoint, Summary};

const WIDTH: f64 = 420.0;
const HEIGHT: f64 = 250.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = WIDTH - 16.0;
/// Courses are drawn as bars of their own up to so many.
const MOST_BARS: usize = 400;

/// Share of episodes finished within a multiple of the plan's time: the main policies, all in the fold.
pub(in super::super) fn profiles(summary: &Summary) -> Option<Figure> {
    let all = || summary.policies.iter().filter(|policy| !policy.profile.is_empty());
    let n = all().next()?.profile.first()?.percent.n_courses;
    let draw = |only_main: bool| {
        let lines: Vec<(&str, &str, &[ProfilePoint])> = all()
            .filter(|policy| !only_main || is_main(summary, &policy.record.id))
            .map(|policy| {
                let id = policy.record.id.as_str();
                (policy.record.label.as_str(), look(summary, id), policy.profile.as_slice())
            })
            .collect();
        draw_profiles(&lines)
    };
    Some(Figure {
        title: profile_title(summary),
        caption: format!(
            "Performance profile: share of episodes finished within a multiple of the plan's time on the same course (log scale); further up and \
             left is better, n = {}. The data table has every policy.",
            plural(n, "course")
        ),
        drawings: vec![draw(true)],
        further: vec![draw(false)],
        fold: ALL,
        table: profile_table(summary),
        layout: Layout::Half,
    })
}

/// "Within 1.1 times the plan's time: …", for the main policies but the plan.
fn profile_title(summary: &Summary) -> String {
    let share = |id: &str| {
        let profile = &summary.policy(id)?.profile;
        let point = profile.iter().min_by(|a, b| (a.ratio - 1.1).abs().total_cmp(&(b.ratio - 1.1).abs()))?;
        let who = in_sentence(summary.label(id));
        Some((point.ratio, format!("{who} {} %", fixed(point.percent.mean, 0))))
    };
    let shares: Vec<(f64, String)> = main_policies(summary)
        .into_iter()
        .filter(|id| summary.roles.plan.as_deref() != Some(id))
        .filter_map(share)
        .collect();
    let Some((ratio, _)) = shares.first() else { return "Performance profile".to_owned() };
    let words: Vec<&str> = shares.iter().map(|(_, words)| words.as_str()).collect();
    format!("Within {} times the plan's time: {}", plain(*ratio), words.join(", "))
}

fn draw_profiles(lines: &[(&str, &str, &[ProfilePoint])]) -> Markup {
    let ends = |last: bool| {
        let of = |line: &(&str, &str, &[ProfilePoint])| {
            if last { line.2.last() } else { line.2.first() }.map_or(1.0, |point| point.ratio)
        };
        lines.first().map_or(1.0, of)
    };
    let frame = Frame {
        x: Scale::log(ends(false), ends(true), LEFT, RIGHT),
        y: Scale::linear(0.0, 100.0, HEIGHT - 36.0, 10.0),
        left: LEFT,
        right: RIGHT,
        top: 10.0,
        bottom: HEIGHT - 36.0,
    };
    let mut svg =
        Svg::new(WIDTH, HEIGHT, "Performance profile: share of episodes over multiples of the plan's time");
    svg.x_axis(&frame, 5, "times the plan's course time (log scale)", "");
    svg.y_axis(&frame, 5, "finished within", "%");
    let few = lines.len() <= 5;
    for (index, (label, look, profile)) in lines.iter().enumerate() {
        let points: Vec<(f64, f64)> =
            profile.iter().map(|p| (frame.x.at(p.ratio), frame.y.at(p.percent.mean))).collect();
        svg.polyline(&points, &format!("thick {look}"));
        for (point, at) in profile.iter().zip(&points) {
            let words = format!(
                "{label}: {} % of episodes within {} times the plan's time ({} to {})",
                percent(point.percent.mean),
                plain(point.ratio),
                percent(point.percent.low),
                percent(point.percent.high)
            );
            svg.tipped(&words, |svg| svg.marker(Marker::Circle, *at, 2.4, &format!("mark {look}")));
        }
        if few {
            let y = frame.bottom - 12.0 - 14.0 * (lines.len() - 1 - index) as f64;
            svg.polyline(&[(RIGHT - 160.0, y), (RIGHT - 138.0, y)], &format!("thick {look}"));
            svg.text((RIGHT - 132.0, y + 4.0), Anchor::Start, "tick halo", &shorten(label, 24));
        }
    }
    svg.finish()
}

/// How many values lie below zero, %.
fn share_below(values: &[f64]) -> f64 {
    100.0 * values.iter().filter(|value| **value < 0.0).count() as f64 / values.len().max(1) as f64
}

/// The value in the middle.
fn median(sorted: &[f64]) -> f64 {
    sorted.get(sorted.len().saturating_sub(1) / 2).copied().unwrap_or(0.0)
}

/// The exported table against a rule on every course, sorted.
pub(in super::super) fn by_course(summary: &Summary, picture: &CourseDifferences) -> Option<Figure> {
    let mut sorted = picture.less_s.clone();
    sorted.sort_by(f64::total_cmp);
    let (best, worst) = (*sorted.first()?, *sorted.last()?);
    let own = in_sentence(summary.label(&picture.policy));
    let other = in_sentence(summary.label(&picture.against));
    let seed = summary.table.as_ref().map_or_else(String::new, |sheet| format!(" of seed {}", sheet.seed));
    let title = start_sentence(&format!(
        "{own}{seed} is faster than {other} on {} % of courses, slower on {} %",
        fixed(share_below(&sorted), 0),
        fixed(share_below(&sorted.iter().map(|value| -value).collect::<Vec<_>>()), 0)
    ));
    let rows = [("median", median(&sorted)), ("largest gain", best), ("largest loss", worst)]
        .map(|(name, value)| vec![name.to_owned(), format!("{} s", signed(value))]);
    Some(Figure {
        caption: format!(
            "Difference in course time on each course, sorted; n = {}. Median {} s, largest gain {} s, largest loss {} s. \
             Every course is in episodes.csv.",
            plural(sorted.len(), "course"),
            signed(median(&sorted)),
            signed(best),
            signed(worst)
        ),
        drawings: vec![draw_courses(&sorted, look(summary, &picture.policy), &title)],
        further: Vec::new(),
        fold: DATA,
        table: table(&format!("Difference to {other}, by course"), &["course", "difference"], rows),
        title,
        layout: Layout::Half,
    })
}

fn draw_courses(sorted: &[f64], look: &str, title: &str) -> Markup {
    let frame = Frame {
        x: Scale::linear(0.0, sorted.len() as f64, LEFT, RIGHT),
        y: Scale::over(sorted.iter().copied().chain([0.0]), 0.06, HEIGHT - 36.0, 10.0),
        left: LEFT,
        right: RIGHT,
        top: 10.0,
        bottom: HEIGHT - 36.0,
    };
    let mut svg = Svg::new(WIDTH, HEIGHT, title);
    svg.x_axis(&frame, 5, "courses, from largest gain to largest loss", "");
    svg.y_axis(&frame, 5, "difference in course time", "s");
    let zero = frame.y.at(0.0);
    let every = sorted.len().div_ceil(MOST_BARS).max(1);
    for (index, value) in sorted.iter().enumerate().step_by(every) {
        let (from, to) = (frame.x.at(index as f64), frame.x.at((index + every) as f64));
        let at = frame.y.at(*value);
        let kind = if *value < 0.0 { format!("bar {look}") } else { "bar rule".to_owned() };
        svg.tipped(&format!("course {} of {}: {} s", index + 1, sorted.len(), signed(*value)), |svg| {
            svg.rect((from, at.min(zero)), (to - from, (at - zero).abs().max(0.6)), &kind);
        });
    }
    svg.line((LEFT, zero), (RIGHT, zero), "zero");
    svg.text((LEFT + 6.0, HEIGHT - 44.0), Anchor::Start, "tick halo", "below zero: faster");
    svg.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn courses_are_counted_and_the_middle_is_a_course() {
        assert!((share_below(&[-1.0, -2.0, 0.0, 3.0]) - 50.0).abs() < 1e-9);
        assert_eq!((median(&[-2.0, 1.0, 5.0, 9.0]), median(&[])), (1.0, 0.0));
    }
}
