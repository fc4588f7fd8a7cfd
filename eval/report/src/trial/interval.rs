//! The interval after every pair, with the pairs themselves.

use crate::charts::{DATA, Figure, Layout};
use crate::scale::{Scale, range};
use crate::svg::{Anchor, Frame, Marker, Svg};
use crate::tables::table;
use lowgear_eval::trial::result::Trial;
use lowgear_eval::trial::sequential::Step;

const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 280.0;
/// The axis reaches this many standard deviations of a pair beyond the mean; the first intervals are far wider.
const REACH: f64 = 4.0;

/// Time saved over pairs.
pub(super) fn interval_over_pairs(trial: &Trial) -> Figure {
    let head = ["pairs", "mean, %", "from, %", "to, %", "log likelihood ratio, faster", "slower"];
    let rows = trial.steps.iter().map(|step| {
        let [low, high] = step.interval.map_or([String::new(), String::new()], |ends| ends.map(percent));
        let [faster, slower] = step.log_ratios.map(|ratio| format!("{ratio:.2}"));
        [step.pairs.to_string(), percent(step.mean), low, high, faster, slower]
    });
    let limit = -(0.5 * (1.0 - trial.settings.level)).ln();
    Figure {
        title: "Time saved over pairs".to_owned(),
        caption: format!(
            "Rings: single pairs. Line: their mean so far. Band: the interval, which may be read after any pair; the first \
             intervals reach beyond the axis. Dashed: no difference, and the margin of {} %. The likelihood ratios of the \
             table exclude \"no difference\" from {limit:.2} on.",
            trial.settings.margin_percent
        ),
        drawings: vec![draw(trial).finish()],
        further: Vec::new(),
        fold: DATA,
        layout: Layout::Wide,
        table: table("The interval after each pair", &head, rows),
    }
}

fn percent(share: f64) -> String {
    format!("{:+.2}", 100.0 * share)
}

fn draw(trial: &Trial) -> Svg {
    let margin_percent = trial.settings.margin_percent;
    let last = trial.steps.last().map_or(1, |step| step.pairs);
    let spread = trial.steps.last().map_or(0.0, |step| 100.0 * step.sd).max(0.1);
    let saved = || trial.pairs.iter().map(|pair| 100.0 * pair.saved);
    let (lowest, highest) = range(saved().chain([0.0, -margin_percent]));
    let mean = trial.steps.last().map_or(0.0, |step| 100.0 * step.mean);
    let (low, high) = (lowest.min(mean - REACH * spread), highest.max(mean + REACH * spread));
    let (left, right, top, bottom) = (56.0, WIDTH - 12.0, 14.0, HEIGHT - 40.0);
    let frame = Frame {
        x: Scale::linear(0.5, last as f64 + 0.5, left, right),
        y: Scale::linear(low, high, bottom, top),
        left,
        right,
        top,
        bottom,
    };
    let mut svg = Svg::new(WIDTH, HEIGHT, "Time saved by the tested policy over pairs, with its interval");
    svg.x_axis(&frame, last.min(12), "pairs", "");
    svg.y_axis(&frame, 6, "time saved", "%");
    let at = |step: &Step, share: f64| (frame.x.at(step.pairs as f64), frame.y.at(100.0 * share));
    let ends = |end: usize| trial.steps.iter().filter_map(move |s| s.interval.map(|ends| (s, ends[end])));
    let lower: Vec<(f64, f64)> = ends(0).map(|(step, share)| at(step, share)).collect();
    let upper = ends(1).map(|(step, share)| at(step, share)).collect::<Vec<_>>().into_iter().rev();
    if lower.len() > 1 {
        svg.polygon(&lower.iter().copied().chain(upper).collect::<Vec<_>>(), "band table");
    }
    for (value, words) in [(0.0, "no difference"), (-margin_percent, "margin")] {
        let y = frame.y.at(value);
        svg.line((left, y), (right, y), "series-0 dashed");
        svg.text((right - 4.0, y - 4.0), Anchor::End, "tick halo", words);
    }
    for pair in &trial.pairs {
        let place = (frame.x.at(f64::from(pair.number)), frame.y.at(100.0 * pair.saved));
        svg.marker(Marker::Ring, place, 3.0, "point series-1");
    }
    let means: Vec<(f64, f64)> = trial.steps.iter().map(|step| at(step, step.mean)).collect();
    svg.polyline(&means, "series-0");
    svg
}
