//! A table that differs from the owner's rule in few named situations.

use super::firmware::distil_on;
use super::{Inputs, LEVEL};
use crate::error::StudyError;
use crate::jobs::PolicyInstance;
use crate::progress::Reporter;
use lowgear_agents::table::distil::{Grid, visits};
use lowgear_agents::table::{LookupTable, Situation, TablePolicy};
use lowgear_env::{Outcome, request_name};
use lowgear_eval::aggregate::episode_scores;
use lowgear_eval::statistics::paired_difference;
use lowgear_eval::suite::{TestSuite, TrainingSuite, ValidationSuite, training_world};
use lowgear_eval::summary::{Estimate, Metric};
use rayon::prelude::*;
use std::fmt::Write as _;

/// Situations that are tried in each round, those met most.
const MOST_TRIED: usize = 64;
/// Visits that a situation needs, as a part of all.
const LEAST_PART: f64 = 1e-3;
/// Standard errors by which a gain has to lie above zero, so that the best of all that are tried is no chance: one-sided 5 % over
/// [`MOST_TRIED`] (Bonferroni).
const CLEAR: f64 = 3.2;

/// A change of the rule, measured on the test courses against the rule with the changes before it.
pub struct Change {
    /// Where and what.
    pub situation: Situation,
    /// Gain in return, s per course.
    gain_s: Estimate,
    /// Course time, s.
    time_s: Estimate,
    /// Mean changes per course: failed upshifts, time at standstill under drive in s, shifts.
    failed: f64,
    stall_s: f64,
    shifts: f64,
}

/// The rule as a table, with changes.
pub struct ChangedRule {
    /// The table.
    pub table: LookupTable,
    /// The changes, in the order in which they were chosen.
    pub changes: Vec<Change>,
    /// All of them together against the rule: return in s, and course time in s.
    together: Option<(Estimate, Estimate)>,
    courses: u64,
}

/// Takes from `table` at most `most` changes of `rule`: greedily, each the one with the largest gain on validation courses that is clear.
///
/// # Errors
/// [`StudyError`].
pub fn changed_rule(
    inputs: &Inputs,
    table: &LookupTable,
    rule: &PolicyInstance,
    most: usize,
    reporter: &Reporter,
) -> Result<ChangedRule, StudyError> {
    let grid = Grid::Fixed(table.axes().to_vec());
    let name = format!("hand-rule, changed by {}", table.provenance().teacher);
    let settings = &inputs.study.rule;
    let base = distil_on(grid, inputs, &name, rule, settings, inputs.scenario.seed)?.iteration.table;
    let mut left = candidates(inputs, &base, table);
    let validation = ValidationSuite::new(&inputs.scenario, inputs.study.validation_courses);
    let returns = |table: &LookupTable| validation.returns(&mut TablePolicy::new(table.clone())).0;
    let (mut now, mut chosen): (LookupTable, Vec<Situation>) = (base.clone(), Vec::new());
    let mut before = returns(&now);
    while chosen.len() < most && !left.is_empty() {
        reporter.line(&format!("change {}: {} situations are tried", chosen.len() + 1, left.len()));
        let tried: Vec<(LookupTable, Vec<f64>)> = left
            .par_iter()
            .map(|situation| {
                let changed = now.with_situations([situation])?;
                let returns = returns(&changed);
                Ok((changed, returns))
            })
            .collect::<Result<_, StudyError>>()?;
        let gain = |(_, after): &(LookupTable, Vec<f64>)| clear_gain(&before, after);
        let best = tried
            .iter()
            .enumerate()
            .filter_map(|(at, one)| Some((at, gain(one)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((at, _)) = best else { break };
        (now, before) = tried[at].clone();
        chosen.push(left.remove(at));
        // What is changed already is no situation any more.
        let differs =
            |situation: &Situation| now.with_situations([situation]).is_ok_and(|after| after != now);
        left.retain(differs);
    }
    measured(inputs, &base, now, chosen)
}

/// Situations that are met often enough by rule or table on training courses.
fn candidates(inputs: &Inputs, base: &LookupTable, table: &LookupTable) -> Vec<Situation> {
    let training = TrainingSuite::new(&inputs.scenario);
    let mut met = vec![0_u32; base.count()];
    for driver in [base, table] {
        let cells: Vec<Vec<usize>> = (0..inputs.study.table.courses)
            .into_par_iter()
            .map(|episode| {
                let mut policy = TablePolicy::new(driver.clone());
                let seen = visits(&mut training_world(&training), episode, &mut policy);
                seen.iter().map(|visit| base.cell(&visit.features)).collect()
            })
            .collect();
        cells.into_iter().flatten().for_each(|cell| met[cell] = met[cell].saturating_add(1));
    }
    let least = LEAST_PART * met.iter().map(|&n| f64::from(n)).sum::<f64>();
    let mut found = base.situations(table, &met);
    found.retain(|situation| situation.visits as f64 >= least);
    found.truncate(MOST_TRIED);
    found
}

/// Mean gain where it is clear.
fn clear_gain(before: &[f64], after: &[f64]) -> Option<f64> {
    let n = before.len() as f64;
    let gains: Vec<f64> = after.iter().zip(before).map(|(a, b)| a - b).collect();
    let mean = gains.iter().sum::<f64>() / n;
    let variance = gains.iter().map(|gain| (gain - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    (mean > CLEAR * (variance / n).sqrt() && mean > 0.0).then_some(mean)
}

/// Measures the changes one after the other on the test courses.
fn measured(
    inputs: &Inputs,
    base: &LookupTable,
    table: LookupTable,
    chosen: Vec<Situation>,
) -> Result<ChangedRule, StudyError> {
    let suite = TestSuite::new(&inputs.scenario, inputs.study.test_courses);
    let drive = |table: &LookupTable| suite.outcomes(|| TablePolicy::new(table.clone()));
    let first = drive(base);
    let (mut now, mut before, mut changes) = (base.clone(), first.clone(), Vec::new());
    for situation in chosen {
        now = now.with_situations([&situation])?;
        let after = drive(&now);
        let mean = |of: fn(&Outcome) -> f64| {
            let sum = |rows: &[Outcome]| rows.iter().map(of).sum::<f64>();
            (sum(&after) - sum(&before)) / after.len() as f64
        };
        changes.push(Change {
            situation,
            gain_s: difference(Metric::Return, &after, &before)?,
            time_s: difference(Metric::CourseTime, &after, &before)?,
            failed: mean(|o| f64::from(o.failed_upshifts)),
            stall_s: mean(|o| o.stall_s),
            shifts: mean(|o| f64::from(o.shifts)),
        });
        before = after;
    }
    let together = match changes.len() {
        0 => None,
        _ => Some((
            difference(Metric::Return, &before, &first)?,
            difference(Metric::CourseTime, &before, &first)?,
        )),
    };
    inputs.scenario.check_driven()?;
    Ok(ChangedRule { table, changes, together, courses: suite.courses })
}

fn difference(metric: Metric, after: &[Outcome], before: &[Outcome]) -> Result<Estimate, StudyError> {
    let (after, before) =
        (episode_scores(metric, &[after.to_vec()])?, episode_scores(metric, &[before.to_vec()])?);
    Ok(paired_difference(&after, &before, LEVEL)?.estimate)
}

impl Change {
    /// What it does besides, the largest first: the reason why it gains.
    fn reason(&self) -> String {
        let sized = |value: f64, what: &str| {
            let word = if value < 0.0 { "fewer" } else { "more" };
            (value.abs() >= 0.005).then(|| format!("{:.2} {word} {what}", value.abs()))
        };
        let stall = (self.stall_s.abs() >= 0.005).then(|| {
            let word = if self.stall_s < 0.0 { "less" } else { "more" };
            format!("{:.2} s {word} at standstill", self.stall_s.abs())
        });
        let parts: Vec<String> = [sized(self.failed, "failed upshifts"), stall, sized(self.shifts, "shifts")]
            .into_iter()
            .flatten()
            .collect();
        if parts.is_empty() { "neither shifts nor standstill change".to_owned() } else { parts.join(", ") }
    }
}

fn interval(estimate: &Estimate, unit: &str) -> String {
    format!("{:+.2} {unit} ({:+.2} to {:+.2})", estimate.mean, estimate.low, estimate.high)
}

impl ChangedRule {
    /// In words.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        if self.changes.is_empty() {
            out.push_str("No situation has a clear gain: the table decides as the rule does.\n");
            return out;
        }
        let _ = writeln!(
            out,
            "The table decides as the rule does but for {}. Per course, mean over {} test courses with 95 % interval, each against the \
             rule with the changes above it:",
            match self.changes.len() {
                1 => "one situation".to_owned(),
                n => format!("{n} situations"),
            },
            self.courses
        );
        for (i, change) in self.changes.iter().enumerate() {
            let Change { situation, gain_s, time_s, .. } = change;
            let _ = writeln!(
                out,
                "{}. {}: {} instead of {}. Return {}, course time {}; {}.",
                i + 1,
                situation.name(),
                request_name(situation.table),
                request_name(situation.rule),
                interval(gain_s, "s"),
                interval(time_s, "s"),
                change.reason()
            );
        }
        if let Some((gain_s, time_s)) = &self.together {
            let _ = writeln!(
                out,
                "Together: return {}, course time {}.",
                interval(gain_s, "s"),
                interval(time_s, "s")
            );
        }
        out
    }
}
