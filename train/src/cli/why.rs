//! `lowgear drive --why`: what was known, weighed and allowed at some ticks of a run.

use crate::error::StudyError;
use crate::jobs::{PolicyFile, PolicyInstance, SavedPolicy};
use crate::store::StoreError;
use lowgear_agents::policy::explain::Explain;
use lowgear_agents::table::LookupTable;
use lowgear_env::config::KeyError;
use lowgear_env::{Drive, Mask, TraceRow, World, request_name};
use lowgear_onboard::{Feature, Features, Request};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// A moment, or a span of time, s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct TimeSpan {
    from_s: f64,
    to_s: f64,
}

impl std::str::FromStr for TimeSpan {
    type Err = String;

    fn from_str(text: &str) -> Result<TimeSpan, String> {
        let (from, to) = text.split_once("..").unwrap_or((text, text));
        let number = |word: &str| word.trim().parse::<f64>().ok().filter(|s| s.is_finite() && *s >= 0.0);
        match (number(from), number(to)) {
            (Some(from_s), Some(to_s)) if from_s <= to_s => Ok(TimeSpan { from_s, to_s }),
            _ => Err("allowed is a time in s, as 12.5, or two, as 12..13.5, from 0 on".to_owned()),
        }
    }
}

/// Notes what a policy is asked and why it answers as it does.
pub(super) struct DecisionNotes {
    span: TimeSpan,
    asked: Vec<DecisionQuery>,
    visits: Option<(LookupTable, Vec<u32>)>,
}

struct DecisionQuery {
    /// Tick that the answer held for.
    tick: usize,
    features: Features,
    mask: Mask,
    lines: Vec<String>,
}

impl DecisionNotes {
    /// Notes over `span`. For a table the visits of its cells are read from next to its file, if they are there.
    ///
    /// # Errors
    /// [`StudyError`] when they are there and do not fit the table.
    pub(super) fn new(span: TimeSpan, policy: &PolicyFile, word: &str) -> Result<DecisionNotes, StudyError> {
        let visits = match &policy.policy {
            SavedPolicy::Table(text) => {
                let table = LookupTable::from_json(text)?;
                read_visits(Path::new(word), table.count())?.map(|visits| (table, visits))
            }
            _ => None,
        };
        Ok(DecisionNotes { span, asked: Vec::new(), visits })
    }

    /// Notes the decision that `instance` is about to take.
    pub(super) fn ask(&mut self, drive: &Drive, instance: &PolicyInstance) {
        let tick = drive.ticks() as usize;
        let tick_s = drive.vehicle().tick_s;
        let (begins_s, ends_s) = (tick as f64 * tick_s, (tick + 1) as f64 * tick_s);
        if begins_s > self.span.to_s {
            return;
        }
        if ends_s < self.span.from_s {
            // Only the decision that is still in force when the span begins.
            self.asked.clear();
        }
        let (features, mask) = (*drive.observation(), drive.mask());
        let mut lines = instance.clone().explain(&features, mask);
        if let Some((table, visits)) = &self.visits {
            let cell = table.cell(&features);
            lines.push(match visits[cell] {
                0 => format!("cell {cell} was never visited: it is filled from the rule"),
                n => format!("cell {cell} was visited {n} times when the table was made"),
            });
        }
        self.asked.push(DecisionQuery { tick, features, mask, lines });
    }

    /// Everything about the ticks of the span.
    ///
    /// # Errors
    /// When the run was over before the span.
    pub(super) fn text(&self, rows: &[TraceRow]) -> Result<String, StudyError> {
        let first = rows.iter().position(|row| row.time_s >= self.span.from_s - 1e-9);
        let Some(first) = first else {
            let end_s = rows.last().map_or(0.0, |row| row.time_s);
            let allowed = format!("0 to {end_s:.2} s, when this run ends");
            return Err(KeyError::new("--why", format!("{} s", self.span.from_s), allowed).into());
        };
        let within = |(at, row): &(usize, &TraceRow)| *at == first || row.time_s <= self.span.to_s + 1e-9;
        let mut out = String::new();
        let in_force = self.asked.iter().rev().find(|asked| asked.tick <= first);
        if let Some(asked) = in_force.filter(|asked| asked.tick < first) {
            out.push_str("in force: ");
            tick(&mut out, &rows[asked.tick], Some(asked));
        }
        for (at, row) in rows.iter().enumerate().skip(first).take_while(within) {
            tick(&mut out, row, self.asked.iter().find(|asked| asked.tick == at));
        }
        Ok(out)
    }
}

fn tick(out: &mut String, row: &TraceRow, asked: Option<&DecisionQuery>) {
    let _ = write!(
        out,
        "{:.2} s at {:.3} m, {}, grade {:.1} degrees, gear {}: ",
        row.time_s, row.position_m, row.surface, row.grade_deg, row.gear
    );
    let Some(asked) = asked else {
        let _ = writeln!(out, "the policy is not asked; guard {}", row.guard);
        return;
    };
    let _ = writeln!(out, "asks for {}; guard {}, then {}", row.request, row.verdict, row.guard);
    let features: Vec<String> =
        Feature::ALL.iter().map(|f| format!("{} {}", f.name(), asked.features.get(*f))).collect();
    let _ = writeln!(out, "  features (gears from 0): {}", features.join(", "));
    let possible = Request::ALL.into_iter().filter(|request| asked.mask.allows(*request as usize));
    let _ = writeln!(out, "  possible: {}", possible.map(request_name).collect::<Vec<_>>().join(", "));
    for line in &asked.lines {
        let _ = writeln!(out, "  {line}");
    }
}

/// The visits of each cell, from `visits.csv` next to the file or in the folder of a policy.
fn read_visits(policy: &Path, cells: usize) -> Result<Option<Vec<u32>>, StudyError> {
    let folder = if policy.is_dir() { policy } else { policy.parent().unwrap_or(Path::new(".")) };
    let file: PathBuf = folder.join("visits.csv");
    if !file.exists() {
        return Ok(None);
    }
    let text = std::fs::read_to_string(&file).map_err(StoreError::io(&file))?;
    let visits: Option<Vec<u32>> =
        text.lines().skip(1).map(|line| line.split(',').nth(1)?.parse().ok()).collect();
    match visits.filter(|visits| visits.len() == cells) {
        Some(visits) => Ok(Some(visits)),
        None => {
            let problem = format!("not the visits of the {cells} cells of the table next to it; remove it");
            Err(StoreError::Content { file, problem }.into())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_span_is_a_time_or_two_in_order() {
        let span = |text: &str| text.parse::<TimeSpan>();
        assert_eq!(span("12.5"), Ok(TimeSpan { from_s: 12.5, to_s: 12.5 }));
        assert_eq!(span("3..4.5"), Ok(TimeSpan { from_s: 3.0, to_s: 4.5 }));
        for wrong in ["", "..", "4..3", "-1", "nan", "1..inf", "soon"] {
            assert!(span(wrong).is_err(), "{wrong}");
        }
    }
}
