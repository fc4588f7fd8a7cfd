//! One episode, driven with a trace, as a run to draw.

use std::sync::Arc;

use lowgear_agents::policy::Policy;
use lowgear_env::events::{ShiftDetector, StallDetector};
use lowgear_env::{Cause, Drive, Outcome, Scenario, Step, TraceRow, World, run_episode};
use lowgear_onboard::Request;

use crate::bound::{GridResolution, Plan};
use crate::figures::{EventKind, RunTrace, TraceEvent, TraceSample};
use crate::summary::Family;

/// Drives `policy` through one episode.
pub fn run_trace(
    scenario: &Arc<Scenario>,
    episode: u64,
    policy: &mut dyn Policy,
    label: &str,
    family: Family,
) -> (RunTrace, Vec<TraceRow>) {
    policy.reset();
    let drive = Drive::new(Arc::clone(scenario), episode);
    watch(drive, label, family, |drive| policy.decide(drive.observation(), drive.mask()))
}

/// Drives the clairvoyant plan through the episode that it is made for.
#[must_use]
pub fn plan_trace(
    scenario: &Arc<Scenario>,
    episode: u64,
    resolution: GridResolution,
    label: &str,
) -> (RunTrace, Vec<TraceRow>) {
    let drive = Drive::new(Arc::clone(scenario), episode);
    let plan = Plan::new(&drive, resolution);
    watch(drive, label, Family::Plan, |drive| plan.decide(drive))
}

/// Drives an episode to its end, whatever the policy. Samples are the decisions, the ticks at which a gear leaves
/// or enters mesh, and the last tick.
pub fn watch(
    drive: Drive,
    label: &str,
    family: Family,
    decide: impl FnMut(&Drive) -> Request,
) -> (RunTrace, Vec<TraceRow>) {
    let mut drive = drive.with_trace();
    let first = drive.ticks();
    let mut steps: Vec<CountedStep> = Vec::new();
    let (mut from, mut before) = (first, drive.outcome());
    let count = |drive: &Drive, _, _: &Step| {
        let (to, after) = (drive.ticks(), drive.outcome());
        steps.push(CountedStep {
            rows: ((from - first) as usize, (to - first) as usize),
            failed: after.failed_upshifts - before.failed_upshifts,
            missed: after.missed_engagements - before.missed_engagements,
        });
        (from, before) = (to, after);
    };
    run_episode(&mut drive, decide, count);
    let outcome = drive.outcome();
    let tick_s = drive.vehicle().tick_s;
    let rows = drive.into_trace();
    let mut events = shifts(&rows);
    events.extend(steps.iter().flat_map(|step| step.events(&rows)));
    events.extend(stalls(&rows, tick_s));
    events.sort_by_key(|(row, _)| *row);
    let run = RunTrace {
        label: label.to_owned(),
        family,
        outcome: in_words(&outcome, rows.last().map_or(0.0, |row| row.time_s)),
        samples: samples(&rows),
        events: events.into_iter().map(|(_, event)| event).collect(),
    };
    (run, rows)
}

/// What was counted from one decision to the next.
struct CountedStep {
    /// First row and the one past the last.
    rows: (usize, usize),
    failed: u32,
    missed: u32,
}

impl CountedStep {
    /// A failed upshift stands where the lower gear is confirmed again, with that gear; a missed engagement
    /// at the last row of the move, with the gear that was left.
    fn events(&self, rows: &[TraceRow]) -> Vec<(usize, TraceEvent)> {
        let (from, to) = (self.rows.0, self.rows.1.min(rows.len()));
        let Some(last) = (from..to).next_back() else { return Vec::new() };
        let mut events = Vec::new();
        if self.failed > 0 {
            let back = (from.max(1)..to).rev().find(|&i| rows[i].gear < rows[i - 1].gear).unwrap_or(last);
            let gear = rows[back].gear.saturating_sub(1);
            events.extend((0..self.failed).map(|_| event(rows, back, gear, EventKind::FailedUpshift)));
        }
        if self.missed > 0 {
            let moving = |row: &TraceRow| row.guard == "moving" || row.guard == "recalibrating";
            let at = (from..to).rev().find(|&i| moving(&rows[i])).unwrap_or(last);
            let gear = rows[at].gear.saturating_sub(1);
            events.extend((0..self.missed).map(|_| event(rows, at, gear, EventKind::MissedEngagement)));
        }
        events
    }
}

fn event(rows: &[TraceRow], at: usize, gear: u8, kind: EventKind) -> (usize, TraceEvent) {
    let row = &rows[at];
    let (surface, grade_deg) = (row.surface.clone(), row.grade_deg);
    (at, TraceEvent { distance_m: row.position_m, surface, grade_deg, gear, kind })
}

/// Requests that the guard accepted, and those among them that close a hunt.
fn shifts(rows: &[TraceRow]) -> Vec<(usize, TraceEvent)> {
    let mut events = Vec::new();
    let mut detector = ShiftDetector::default();
    for (at, row) in rows.iter().enumerate().filter(|(_, row)| row.verdict == "accepted") {
        let (kind, request) = match row.request {
            "up" => (EventKind::Upshift, Request::Up),
            _ => (EventKind::Downshift, Request::Down),
        };
        let gear = row.gear.saturating_sub(1);
        events.push(event(rows, at, gear, kind));
        if detector.shift(row.time_s, request).hunting {
            events.push(event(rows, at, gear, EventKind::Hunting));
        }
    }
    events
}

/// Where the vehicle stopped under drive. One event lasts until it moves again; the time counts only
/// driven ticks, so that the motor's rests are left out, as in [`Outcome::stall_s`].
fn stalls(rows: &[TraceRow], tick_s: f64) -> Vec<(usize, TraceEvent)> {
    let mut events: Vec<(usize, TraceEvent)> = Vec::new();
    let mut detector = StallDetector::default();
    let mut first = 0;
    for (at, row) in rows.iter().enumerate() {
        let stood_before = detector.stood_ticks();
        let begins = detector.tick(row.speed_m_s, row.drive == 1, tick_s);
        if stood_before == 0 && detector.stood_ticks() > 0 {
            first = at;
        }
        if begins {
            events.push(event(rows, first, rows[first].gear.saturating_sub(1), EventKind::Stall(0.0)));
        }
        if let Some((_, stall)) = events.last_mut().filter(|_| detector.is_stall(tick_s)) {
            stall.kind = EventKind::Stall(f64::from(detector.stood_ticks()) * tick_s);
        }
    }
    events
}

fn samples(rows: &[TraceRow]) -> Vec<TraceSample> {
    let mesh_changes = |at: usize| at > 0 && rows[at].gear_in_mesh != rows[at - 1].gear_in_mesh;
    rows.iter()
        .enumerate()
        .filter(|(at, row)| !row.request.is_empty() || mesh_changes(*at) || at + 1 == rows.len())
        .map(|(_, row)| TraceSample {
            time_s: row.time_s,
            distance_m: row.position_m,
            gear: row.gear_in_mesh.checked_sub(1),
            speed_m_per_s: row.speed_m_s,
            load_permille: f64::from(row.load_slow_permille),
            tilt_deg: f64::from(row.tilt_filtered_ddeg) / 10.0,
        })
        .collect()
}

fn in_words(outcome: &Outcome, elapsed_s: f64) -> String {
    match outcome.cause {
        Cause::Finished => format!("finished in {elapsed_s:.1} s"),
        cause => format!("{} at {:.1} m after {elapsed_s:.1} s", cause.words(), outcome.distance_m),
    }
}
