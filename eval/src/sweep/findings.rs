//! What a sweep shows, in sentences: where a learner is clearly better than the tuned rule, and where not.

use super::{Change, PolicyFigures, SweepPoint, SweepSummary, repeats};
use crate::statistics::Estimate;

/// One sentence per learner and table about course time, one about the return, in the order of
/// [`SweepSummary::learned`], each followed by one about repeats where the seed is an axis; before them how many
/// points there are.
#[must_use]
pub fn findings(summary: &SweepSummary) -> Vec<String> {
    let there = summary.points.iter().filter(|point| point.missing.is_none()).count();
    let mut lines = vec![format!("{there} of {} points have figures.", summary.points.len())];
    for (id, label) in summary.learned() {
        lines.extend(sentence(summary, id, label, "course time", -1.0, |p| p.time_less));
        lines.extend(repeats::sentence(summary, id, label, "course time", -1.0, |p| p.time_less));
        lines.extend(sentence(summary, id, label, "return", 1.0, |p| p.return_less));
        lines.extend(repeats::sentence(summary, id, label, "return", 1.0, |p| p.return_less));
    }
    lines
}

/// How often a policy is clearly better, clearly worse or neither; `better` is the sign of a gain.
fn sentence(
    summary: &SweepSummary,
    id: &str,
    label: &str,
    figure: &str,
    better: f64,
    of: fn(&PolicyFigures) -> Option<Change>,
) -> Option<String> {
    let points = summary.points.iter();
    let found: Vec<(&SweepPoint, Change)> =
        points.filter_map(|point| Some((point, of(point.policy(id)?)?))).collect();
    let clear =
        |sign: f64| found.iter().filter(|(_, c)| c.is_clear() && c.absolute.mean * sign > 0.0).count();
    let (gains, losses) = (clear(better), clear(-better));
    let best = found.iter().max_by(|a, b| {
        let value = |c: &Change| better * c.percent.map_or(c.absolute.mean, |p| p.mean);
        value(&a.1).total_cmp(&value(&b.1))
    })?;
    let shown = best.1.percent.map_or_else(|| in_words(best.1.absolute, "s"), |p| in_words(p, "%"));
    Some(format!(
        "{label}, {figure} against the tuned rule: clearly better at {gains} of {} points, clearly worse at \
         {losses}, not clear at {}; best at {}: {shown}.",
        found.len(),
        found.len() - gains - losses,
        summary.words(best.0),
    ))
}

fn in_words(e: Estimate, unit: &str) -> String {
    let show = |value: f64| format!("{value:+.1}").replace('-', "−");
    format!("{} {unit} ({} to {})", show(e.mean), show(e.low), show(e.high))
}
