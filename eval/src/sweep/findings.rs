//! What a sweep shows, in sentences: where a learner is clearly better than the tuned rule, and where not.

use super::{DifferenceToRule, PolicyFigures, SweepPoint, SweepSummary, repeats};
use crate::statistics::Estimate;

/// What is asked of every point: one figure of one policy against the tuned rule.
pub(super) struct SweepQuestion<'a> {
    /// Id of the policy.
    pub(super) id: &'a str,
    /// Its name.
    pub(super) label: &'a str,
    /// The figure in words.
    pub(super) figure: &'static str,
    /// Sign of a gain.
    pub(super) better: f64,
    /// Where it stands.
    pub(super) of: fn(&PolicyFigures) -> Option<DifferenceToRule>,
}

impl SweepQuestion<'_> {
    /// The answer of one point, if it has one.
    pub(super) fn change(&self, point: &SweepPoint) -> Option<DifferenceToRule> {
        (self.of)(point.policy(self.id)?)
    }
}

/// One sentence per learner and table about course time, one about the return, in the order of
/// [`SweepSummary::learned`], each followed by one about repeats where the seed is an axis; before them how many
/// points there are.
#[must_use]
pub fn findings(summary: &SweepSummary) -> Vec<String> {
    let there = summary.points.iter().filter(|point| point.missing.is_none()).count();
    let mut lines = vec![format!("{there} of {} points have figures.", summary.points.len())];
    for (id, label) in summary.learned() {
        let time =
            SweepQuestion { id, label, figure: "course time", better: -1.0, of: |p| p.time_difference };
        let sum = SweepQuestion { id, label, figure: "return", better: 1.0, of: |p| p.return_difference };
        for question in [time, sum] {
            lines.extend(sentence(summary, &question));
            lines.extend(repeats::sentence(summary, &question));
        }
    }
    lines
}

/// How often a policy is clearly better, clearly worse or neither.
fn sentence(summary: &SweepSummary, question: &SweepQuestion<'_>) -> Option<String> {
    let SweepQuestion { label, figure, better, .. } = *question;
    let points = summary.points.iter();
    let found: Vec<(&SweepPoint, DifferenceToRule)> =
        points.filter_map(|point| Some((point, question.change(point)?))).collect();
    let clear =
        |sign: f64| found.iter().filter(|(_, c)| c.is_clear() && c.absolute.mean * sign > 0.0).count();
    let (gains, losses) = (clear(better), clear(-better));
    let gain = |change: &DifferenceToRule| better * change.display_form().0.mean;
    let best = found.iter().max_by(|a, b| gain(&a.1).total_cmp(&gain(&b.1)))?;
    let (shown, unit) = best.1.display_form();
    Some(format!(
        "{label}, {figure} against the tuned rule: clearly better at {gains} of {} points, clearly worse at \
         {losses}, not clear at {}; best at {}: {}.",
        found.len(),
        found.len() - gains - losses,
        summary.words(best.0),
        in_words(shown, unit),
    ))
}

fn in_words(e: Estimate, unit: &str) -> String {
    let show = |value: f64| format!("{value:+.1}").replace('-', "−");
    format!("{} {unit} ({} to {})", show(e.mean), show(e.low), show(e.high))
}
