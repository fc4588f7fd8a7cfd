//! Stalls, reversals and hunting are the same for the simulator, its trace, the report's table of places and the replay
//! of a log.

use super::replayed::{cart, log_of};
use crate::sandbox::repository;
use lowgear_agents::policy::{Mask, Policy};
use lowgear_env::events::{EventCounts, ShiftDetector};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, TraceRow, World, load_course};
use lowgear_eval::figures::{EventKind, RunTrace, run_trace};
use lowgear_eval::incidents::places;
use lowgear_eval::replay::Replay;
use lowgear_eval::suite::TestSuite;
use lowgear_eval::summary::Family;
use lowgear_onboard::{Feature, Features, Request};
use lowgear_sysid::log::{LogError, LogReader, Mapping};
use std::path::Path;
use std::sync::Arc;

const COURSES: u64 = 3;
/// Decisions from one shift to the next, over and over: from well below the limits to well above.
const GAPS: [u32; 7] = [4, 6, 26, 8, 40, 12, 4];

/// Shifts between the two lowest gears at fixed times, whatever the ground.
#[derive(Clone, Default)]
struct Script {
    shifts: usize,
    held: u32,
}

impl Policy for Script {
    fn reset(&mut self) {
        *self = Script::default();
    }

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        let request = if features.get(Feature::Gear) == 0 { Request::Up } else { Request::Down };
        self.held += 1;
        if self.held < GAPS[self.shifts % GAPS.len()] || !mask.allows(request as usize) {
            return Request::Hold;
        }
        (self.held, self.shifts) = (0, self.shifts + 1);
        request
    }
}

/// A cart whose dogs always let go and always enter: a log shows every shift that the guard accepts.
fn sure_cart() -> VehicleConfig {
    let mut cart = cart();
    cart.selector.arrival_error_deg = 0.1;
    cart.selector.release_torque_nm = 1e3;
    cart.dogs.gap_deg = 60.0;
    cart.dogs.axial_speed_mm_s = 1e6;
    cart
}

fn scenario() -> Arc<Scenario> {
    let course = load_course(&repository().join("configs/courses/garden-mix.toml")).unwrap();
    Arc::new(Scenario::new(sure_cart(), course, EpisodeConfig::default(), Seed(5)))
}

fn simulated(scenario: &Arc<Scenario>, episode: u64) -> EventCounts {
    let mut drive = Drive::new(Arc::clone(scenario), episode);
    let mut script = Script::default();
    while drive.step(script.decide(drive.observation(), drive.mask()) as usize).end.is_none() {}
    let outcome = drive.outcome();
    assert_eq!((outcome.missed_engagements, outcome.reversals), (0, drive.events().reversals));
    drive.events()
}

/// Stalls and hunting from the picture of a trace, reversals from its rows.
fn traced(trace: &RunTrace, rows: &[TraceRow]) -> EventCounts {
    let count =
        |wanted: fn(&EventKind) -> bool| trace.events.iter().filter(|e| wanted(&e.kind)).count() as u32;
    let mut detector = ShiftDetector::default();
    let accepted = rows.iter().filter(|row| row.verdict == "accepted");
    let reversals = accepted.filter(|row| {
        let request = if row.request == "up" { Request::Up } else { Request::Down };
        detector.shift(row.time_s, request).reversal
    });
    EventCounts {
        reversals: reversals.count() as u32,
        stalls: count(|kind| matches!(kind, EventKind::Stall(_))),
        hunts: count(|kind| matches!(kind, EventKind::Hunting)),
    }
}

/// Reversals and hunting in the log of an episode. Its gear is left when the shift is accepted, and the last shift arrives
/// even where the course ends before.
fn replayed(rows: &[TraceRow]) -> (u64, u64) {
    let engaged = |row: &TraceRow| matches!(row.guard, "driving" | "resting");
    let mut timed: Vec<TraceRow> = rows
        .iter()
        .map(|row| TraceRow { gear_in_mesh: if engaged(row) { row.gear } else { 0 }, ..row.clone() })
        .collect();
    if let Some(last) = timed.last_mut().filter(|last| last.gear_in_mesh == 0) {
        let shift = rows.iter().rfind(|row| row.verdict == "accepted");
        let up = shift.is_some_and(|row| row.request == "up");
        last.gear_in_mesh = if up { last.gear + 1 } else { last.gear - 1 };
    }
    let log = log_of(&timed);
    let mut reader = LogReader::new(log.as_bytes(), Path::new("log.csv"), &Mapping::default()).unwrap();
    let mut replay = Replay::new(&sure_cart(), |_: &Features, _| Request::Hold, None);
    replay.run(&mut reader, |_| Ok::<(), LogError>(())).unwrap();
    (replay.summary().reversals, replay.summary().hunting)
}

#[test]
fn simulator_trace_places_and_replay_count_the_same_events() {
    let scenario = scenario();
    let mut sum = EventCounts::default();
    for episode in 0..COURSES {
        let counted = simulated(&scenario, episode);
        let (trace, rows) = run_trace(&scenario, episode, &mut Script::default(), "script", Family::Rule);
        assert_eq!(traced(&trace, &rows), counted, "trace of episode {episode}");
        let in_log = (u64::from(counted.reversals), u64::from(counted.hunts));
        assert_eq!(replayed(&rows), in_log, "log of episode {episode}");
        sum.stalls += counted.stalls;
        sum.reversals += counted.reversals;
        sum.hunts += counted.hunts;
    }
    let suite = TestSuite::of(Scenario::clone(&scenario), COURSES);
    let places = places(&suite, "script", &[Script::default()]);
    assert_eq!(places.iter().map(|p| p.hunts).sum::<u32>(), sum.hunts);
    assert_eq!(places.iter().map(|p| p.stalls).sum::<u32>(), sum.stalls);
    assert!(sum.hunts > 0 && sum.reversals > sum.hunts && sum.stalls > 0, "{sum:?}");
}
