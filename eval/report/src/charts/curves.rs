//! Learning curves of all learners over the same axis of simulated ticks: return gained over the start policy.

use maud::Markup;

use super::{DATA, Figure, Layout};
use crate::scale::{Scale, range};
use crate::svg::{Anchor, Frame, Svg};
use crate::tables::table;
use crate::text::{count, in_sentence, number, plural, shorten, signed};
use lowgear_eval::summary::{Curve, Metric, Summary};

const WIDTH: f64 = 420.0;
const HEIGHT: f64 = 270.0;
const LEFT: f64 = 50.0;
const RIGHT: f64 = WIDTH - 12.0;
/// Points of a mean curve.
const STEPS: usize = 48;
/// Line styles.
const STYLES: usize = 6;

/// Mean, worst and best seed at one number of ticks.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Spread {
    ticks: f64,
    mean: f64,
    low: f64,
    high: f64,
}

/// Validation return over training, if any learner has a curve.
pub(in super::super) fn learning_curves(summary: &Summary) -> Option<Figure> {
    let mut learners: Vec<&str> = Vec::new();
    for curve in summary.curves.iter().filter(|curve| curve.points.len() > 1) {
        if !learners.contains(&curve.learner.as_str()) {
            learners.push(&curve.learner);
        }
    }
    if learners.is_empty() {
        return None;
    }
    let head = ["learner", "seed", "ticks", "last return, s", "interval over courses, s"];
    let body = summary.curves.iter().filter_map(|curve| {
        let last = curve.points.last()?;
        Some(vec![
            summary.label(&curve.learner).to_owned(),
            curve.seed.to_string(),
            count(last.ticks),
            number(last.mean),
            format!("{} to {}", number(last.low), number(last.high)),
        ])
    });
    let kept = kept_start(summary);
    let title = if kept.is_empty() {
        "Learning curves over equal axes".to_owned()
    } else {
        format!("Learning curves: {}", kept.join("; "))
    };
    let rule = in_sentence(summary.label(&summary.roles.tuned_rule));
    Some(Figure {
        title,
        caption: format!(
            "Return gained on the validation courses over the policy that training starts from, against simulated ticks \
             (log scale, the same for all learners). Runs that train from {rule} begin at zero, the line of that rule. \
             Thick lines are means over seeds, bands span the worst to the best seed, between checks interpolated linearly; \
             n = {}, seeds in brackets.{}",
            plural(summary.curves.len(), "training run"),
            plan_gain_s(summary).map_or_else(String::new, |gain| format!(
                " The dotted line is the plan's return beyond that rule's on the test courses, {} s.",
                number(gain)
            )),
        ),
        table: table("Last validation check of each seed", &head, body),
        drawings: vec![draw(summary, &learners)],
        further: Vec::new(),
        fold: DATA,
        layout: Layout::Half,
    })
}

/// "3 of 5 seeds of the neural PPO kept the policy they started from": those that are equal to the tuned rule on every
/// test course.
pub(in super::super) fn kept_start(summary: &Summary) -> Vec<String> {
    let mut found = Vec::new();
    for policy in &summary.policies {
        let is_curved = summary.curves.iter().any(|curve| curve.learner == policy.record.id);
        let kept = policy.kept_start();
        if is_curved && kept > 0 {
            found.push(format!(
                "{kept} of {} of {} kept the policy they started from",
                plural(policy.seeds.len(), "seed"),
                in_sentence(&policy.record.label)
            ));
        }
    }
    found
}

/// Return of the plan beyond the tuned rule on the test courses, s.
fn plan_gain_s(summary: &Summary) -> Option<f64> {
    let mean = |id: &str| Some(summary.policy(id)?.metrics.get(&Metric::Return)?.mean);
    Some(mean(summary.roles.plan.as_deref()?)? - mean(&summary.roles.tuned_rule)?)
}

/// Gain over the start of the run at `ticks`, linear between checks; the ends stay as they are.
fn gain_at(curve: &Curve, ticks: f64) -> f64 {
    let points = &curve.points;
    let start = points.first().map_or(0.0, |point| point.mean);
    let next = points.partition_point(|point| (point.ticks as f64) < ticks);
    let value = match (next.checked_sub(1).and_then(|i| points.get(i)), points.get(next)) {
        (Some(a), Some(b)) if b.ticks > a.ticks => {
            let share = (ticks - a.ticks as f64) / (b.ticks - a.ticks) as f64;
            a.mean + share * (b.mean - a.mean)
        }
        (_, Some(point)) | (Some(point), None) => point.mean,
        (None, None) => 0.0,
    };
    value - start
}

/// Mean and band over seeds: seeds are checked at different ticks, so each is interpolated, as far as all reach.
fn spread(curves: &[&Curve]) -> Vec<Spread> {
    let ends = |pick: fn(&Curve) -> Option<u64>| curves.iter().filter_map(move |curve| pick(curve));
    let first = ends(|c| c.points.iter().map(|p| p.ticks).find(|ticks| *ticks > 0)).max();
    let last = ends(|c| c.points.last().map(|p| p.ticks)).min();
    let (Some(first), Some(last)) = (first, last) else { return Vec::new() };
    if first >= last {
        return Vec::new();
    }
    let ratio = last as f64 / first as f64;
    (0..=STEPS)
        .map(|step| {
            let ticks = first as f64 * ratio.powf(step as f64 / STEPS as f64);
            let gains: Vec<f64> = curves.iter().map(|curve| gain_at(curve, ticks)).collect();
            let (low, high) = range(gains.iter().copied());
            Spread { ticks, mean: gains.iter().sum::<f64>() / gains.len() as f64, low, high }
        })
        .collect()
}

fn draw(summary: &Summary, learners: &[&str]) -> Markup {
    let spreads: Vec<(&str, usize, Vec<Spread>)> = learners
        .iter()
        .map(|learner| {
            let own: Vec<&Curve> =
                summary.curves.iter().filter(|c| c.learner == *learner && c.points.len() > 1).collect();
            (*learner, own.len(), spread(&own))
        })
        .collect();
    let plan = plan_gain_s(summary);
    let frame = frame(&spreads, plan);
    let mut svg =
        Svg::new(WIDTH, HEIGHT, "Learning curves: return gained over the start policy, against ticks");
    svg.x_axis(&frame, 5, "simulated ticks (log scale)", "");
    svg.y_axis(&frame, 5, "return gained", "s");
    let zero = frame.y.at(0.0);
    svg.line((LEFT, zero), (RIGHT, zero), "zero");
    if let Some(y) = plan.filter(|gain| frame.y.holds(*gain)).map(|gain| frame.y.at(gain)) {
        svg.line((LEFT, y), (RIGHT, y), "joint");
        svg.text((RIGHT - 4.0, y - 4.0), Anchor::End, "tick halo", "plan (test courses)");
    }
    svg.text((LEFT + 5.0, zero - 4.0), Anchor::Start, "tick halo", "start policy");
    for (index, (learner, seeds, points)) in spreads.iter().enumerate() {
        let style = index % STYLES;
        key(&mut svg, summary.label(learner), *seeds, index);
        let upper = points.iter().map(|p| (frame.x.at(p.ticks), frame.y.at(p.high)));
        let lower = points.iter().rev().map(|p| (frame.x.at(p.ticks), frame.y.at(p.low)));
        let band: Vec<(f64, f64)> = upper.chain(lower).collect();
        let line: Vec<(f64, f64)> =
            points.iter().map(|p| (frame.x.at(p.ticks), frame.y.at(p.mean))).collect();
        if line.len() > 1 {
            svg.polygon(&band, "band learned");
            svg.polyline(&line, &format!("thick learned style-{style}"));
        }
        for point in points.iter().step_by(STEPS / 8) {
            let words = format!(
                "{}: {} s gained after {} ticks ({} to {})",
                summary.label(learner),
                signed(point.mean),
                number(point.ticks),
                signed(point.low),
                signed(point.high)
            );
            let at = (frame.x.at(point.ticks), frame.y.at(point.mean));
            svg.tipped(&words, |svg| svg.marker(crate::svg::Marker::Circle, at, 2.6, "mark learned"));
        }
    }
    svg.finish()
}

/// Name and line style above the drawing, two in a row.
fn key(svg: &mut Svg, label: &str, seeds: usize, index: usize) {
    let (x, y) = (LEFT + 186.0 * (index % 2) as f64, 10.0 + 15.0 * (index / 2) as f64);
    svg.polyline(&[(x, y), (x + 22.0, y)], &format!("thick learned style-{}", index % STYLES));
    let words = format!("{} ({seeds})", shorten(label, 24));
    svg.text((x + 26.0, y + 4.0), Anchor::Start, "tick", &words);
}

fn frame(spreads: &[(&str, usize, Vec<Spread>)], plan: Option<f64>) -> Frame {
    let points = || spreads.iter().flat_map(|(_, _, points)| points);
    let (first, last) = range(points().map(|p| p.ticks));
    let best = points().map(|p| p.high).chain(plan).fold(0.1, f64::max);
    // What a run loses at first is shown as far as it is no larger than what can be gained.
    let worst = points().map(|p| p.low).fold(0.0, f64::min).max(-best);
    let top = 16.0 + 15.0 * spreads.len().div_ceil(2) as f64;
    Frame {
        x: Scale::log(first, last, LEFT, RIGHT),
        y: Scale::over([worst, best], 0.08, HEIGHT - 36.0, top),
        left: LEFT,
        right: RIGHT,
        top,
        bottom: HEIGHT - 36.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lowgear_eval::summary::CurvePoint;

    fn curve(seed: u64, points: &[(u64, f64)]) -> Curve {
        let point = |&(ticks, mean): &(u64, f64)| CurvePoint { ticks, mean, low: mean, high: mean };
        Curve { learner: "a".into(), seed, points: points.iter().map(point).collect() }
    }

    #[test]
    fn seeds_checked_at_different_ticks_have_a_mean_and_a_band() {
        let a = curve(1, &[(0, -10.0), (100, -8.0), (300, -4.0)]);
        let b = curve(2, &[(0, -10.0), (90, -10.0), (310, -6.0)]);
        let found = spread(&[&a, &b]);
        let (first, last) = (found[0], found[STEPS]);
        assert!((first.ticks - 100.0).abs() < 1e-9 && (last.ticks - 300.0).abs() < 1e-6);
        // At 100 the second run is a tenth of 220 past its check at 90.
        let second = 4.0 * 10.0 / 220.0;
        assert!((first.mean - (2.0 + second) / 2.0).abs() < 1e-9, "{first:?}");
        assert!((first.low - second).abs() < 1e-9 && (first.high - 2.0).abs() < 1e-9);
        assert!((last.high - 6.0).abs() < 1e-9, "{last:?}");
        assert_eq!(spread(&[&curve(1, &[(0, 1.0)])]), []);
    }
}
