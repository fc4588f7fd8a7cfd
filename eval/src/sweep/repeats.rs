//! What repeats of the same points with other seeds show, where the seed is an axis: other courses, other training
//! runs, another search of the rule. Their spread holds the luck of that search, which no interval of one point does.

use super::findings::SweepQuestion;
use super::{SweepPoint, SweepSummary};

/// The key whose axis makes repeats.
const SEED: &str = "seed";

/// One point of the other axes, re-simulated with every seed.
struct Repeated<'a> {
    first: &'a SweepPoint,
    /// Means of the repeats, % of the rule's or s.
    means: Vec<f64>,
    unit: &'static str,
}

impl Repeated<'_> {
    fn mean(&self) -> f64 {
        self.means.iter().sum::<f64>() / self.means.len() as f64
    }

    /// In how many repeats the policy was better; `better` is the sign of a gain.
    fn gains(&self, better: f64) -> usize {
        self.means.iter().filter(|mean| **mean * better > 0.0).count()
    }

    fn losses(&self, better: f64) -> usize {
        self.gains(-better)
    }
}

/// In how many points a policy is better, or worse, in every repeat, and how the repeats of the best point differ;
/// none where nothing was repeated.
pub(super) fn sentence(summary: &SweepSummary, question: &SweepQuestion<'_>) -> Option<String> {
    let SweepQuestion { label, figure, better, .. } = *question;
    let seed = summary.axes.iter().position(|axis| axis.key.as_deref() == Some(SEED))?;
    let repeated = repeated(summary, seed, question);
    let best = repeated.iter().max_by(|a, b| (better * a.mean()).total_cmp(&(better * b.mean())))?;
    let always = repeated.iter().filter(|r| r.gains(better) == r.means.len()).count();
    let never = repeated.iter().filter(|r| r.losses(better) == r.means.len()).count();
    let place = summary.words_without(best.first, Some(seed));
    let place = if place.is_empty() { String::new() } else { format!(" {place},") };
    let show = |value: f64| format!("{value:+.1}").replace('-', "−");
    let [low, high] = [f64::min, f64::max].map(|of| best.means.iter().copied().reduce(of).unwrap_or(0.0));
    Some(format!(
        "{label}, {figure} against the tuned rule, repeated with other seeds: better in every repeat at {always} \
         of {} points, worse in every one at {never}; best at{place} {} repeats: {} {unit} on average, {} to {} \
         {unit}, better in {}.",
        repeated.len(),
        best.means.len(),
        show(best.mean()),
        show(low),
        show(high),
        best.gains(better),
        unit = best.unit,
    ))
}

/// Points with two or more repeats that have the figure, in the order of their first jobs.
fn repeated<'a>(summary: &'a SweepSummary, seed: usize, question: &SweepQuestion<'_>) -> Vec<Repeated<'a>> {
    let others = |point: &SweepPoint| -> Vec<usize> {
        point.place.iter().enumerate().filter(|(axis, _)| *axis != seed).map(|(_, &i)| i).collect()
    };
    let mut found: Vec<Repeated<'a>> = Vec::new();
    for point in &summary.points {
        let Some((shown, unit)) = question.change(point).map(|change| change.display_form()) else {
            continue;
        };
        match found.iter_mut().find(|r| others(r.first) == others(point)) {
            Some(same) if same.unit == unit => same.means.push(shown.mean),
            Some(_) => {}
            None => found.push(Repeated { first: point, means: vec![shown.mean], unit }),
        }
    }
    found.retain(|r| r.means.len() > 1);
    found
}
