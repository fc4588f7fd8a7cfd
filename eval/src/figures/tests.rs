use std::sync::Arc;

use lowgear_agents::policy::{Mask, Policy};
use lowgear_onboard::{Feature, Features, Request};

use super::*;
use crate::aggregate::tests::{rule, scenario};
use crate::bound::GridResolution;
use crate::figures::{EventKind, RunTrace, Support};
use crate::suite::play;
use crate::summary::Family;

fn count(run: &RunTrace, wanted: fn(&EventKind) -> bool) -> u32 {
    run.events.iter().filter(|event| wanted(&event.kind)).count() as u32
}

fn assert_orderly(run: &RunTrace) {
    assert!(run.samples.len() > 50, "{}", run.samples.len());
    assert!(run.samples.is_sorted_by(|a, b| a.time_s < b.time_s));
    assert!(run.samples.iter().any(|sample| sample.gear.is_none()), "a shift passes neutral");
}

#[test]
fn a_trace_tells_what_the_outcome_counts() {
    let scenario = Arc::new(scenario());
    let mut seen = (0, 0);
    for episode in 0..6 {
        let mut policy = rule(700, 500);
        let (run, rows) = run_trace(&scenario, episode, &mut policy, "Rule", Family::Rule);
        let (outcome, ticks) = play(&scenario, &mut policy, episode);
        assert_eq!(rows.len() as u64, ticks);
        assert_orderly(&run);
        let shifts = |kind: &EventKind| matches!(kind, EventKind::Upshift | EventKind::Downshift);
        assert_eq!(count(&run, shifts), outcome.shifts);
        assert_eq!(count(&run, |k| matches!(k, EventKind::FailedUpshift)), outcome.failed_upshifts);
        assert_eq!(count(&run, |k| matches!(k, EventKind::MissedEngagement)), outcome.missed_engagements);
        let stalled: f64 =
            run.events.iter().map(|e| if let EventKind::Stall(s) = e.kind { s } else { 0.0 }).sum();
        assert!(stalled <= outcome.stall_s + 1e-6 && stalled > outcome.stall_s - 2.0, "{stalled}");
        for event in run.events.iter().filter(|e| matches!(e.kind, EventKind::FailedUpshift)) {
            assert!(event.gear < 2, "the gear before the upshift");
        }
        seen = (seen.0 + outcome.failed_upshifts, seen.1 + outcome.missed_engagements);
    }
    assert!(seen.0 > 0 && seen.1 > 0, "{seen:?}: the episodes show both kinds");
}

#[test]
fn an_episode_that_ends_early_says_so() {
    let mut short = scenario();
    short.episode.time_limit_s = 5.0;
    let (run, rows) = run_trace(&Arc::new(short), 0, &mut rule(850, 300), "Rule", Family::Rule);
    assert!(run.outcome.starts_with("out of time at "), "{}", run.outcome);
    assert_eq!(run.samples.last().map(|s| s.time_s), rows.last().map(|row| row.time_s));
}

#[test]
fn rules_and_the_plan_are_drawn_on_one_course() {
    let scenario = Arc::new(scenario());
    let mut drivers: Vec<Driver> = vec![
        ("Early".into(), Family::Rule, Box::new(rule(700, 400))),
        ("Late".into(), Family::Rule, Box::new(rule(850, 300))),
    ];
    let resolution = GridResolution { position_strides: 3.5, speeds: 6 };
    let picture = episode_picture(&scenario, 2, "A course", &mut drivers, Some(("Plan", resolution)));
    assert_eq!(picture.runs.len(), 3);
    picture.runs.iter().for_each(assert_orderly);
    let course = &picture.course;
    assert!(course.profile.is_sorted_by(|a, b| a.0 < b.0));
    assert!((course.profile.last().unwrap().0 - 15.0).abs() < 0.5);
    assert!(course.surfaces.windows(2).all(|two| two[0].to_m == two[1].from_m && two[0].name != two[1].name));
    let track = scenario.instantiate(2).1;
    for band in &course.surfaces {
        assert_eq!(track.course.surface_at(0.5 * (band.from_m + band.to_m)).name, band.name);
    }
}

#[test]
fn a_rule_shifts_up_at_speed_and_down_under_load() {
    let settings = scenario().settings;
    let uphill = |features: &Features| match features.get(Feature::Tilt) {
        ..=0 => Support::Enough,
        1..=50 => Support::Few,
        _ => Support::None,
    };
    let support = CellSupport { of: &uphill, few_visits: Some(5) };
    let map = shift_map(&mut rule(800, 300), "Rule", "Note.", &settings, &support);
    let columns = map.x_edges.len() - 1;
    assert_eq!((columns, map.y_edges.len() - 1, map.gears.len()), (40, 21, 3));
    for gear in &map.gears {
        for (row, cells) in gear.cells.chunks_exact(columns).enumerate() {
            let slow = if gear.gear > 0 { Request::Down } else { Request::Hold };
            let fast = if gear.gear < 2 { Request::Up } else { Request::Hold };
            assert_eq!((cells[11].decision, cells[12].decision), (slow, Request::Hold));
            assert_eq!((cells[31].decision, cells[32].decision), (Request::Hold, fast));
            let expected = [Support::Enough, Support::Few, Support::None];
            assert_eq!(cells[0].support, expected[usize::from(row > 10) + usize::from(row > 15)]);
        }
    }
}

#[test]
fn shift_lines_lie_where_the_rule_says_in_wheel_load() {
    let settings = scenario().settings;
    let map = shift_map(&mut rule(803, 311), "Rule", "", &settings, &CellSupport::NONE);
    let load = |gear: usize, permille: i32| {
        f64::from((1000 - permille) * i32::from(settings.features.gear_scale_permille[gear]) / 1000)
    };
    for row in [0, 10, 20] {
        assert_eq!(map.gears[0].up[row], [(0.0, load(0, 803))]);
        assert_eq!(map.gears[1].up[row], [(0.0, load(1, 803))]);
        assert_eq!(map.gears[1].down[row], [(load(1, 311), load(1, 0))]);
        assert_eq!((map.gears[0].down[row].len(), map.gears[2].up[row].len()), (0, 0));
    }
}

/// Asks up between two speed ratios alone, as a table may whose fastest cells were never visited.
struct UpBetween(i16, i16);

impl Policy for UpBetween {
    fn reset(&mut self) {}

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        let up = (self.0..self.1).contains(&features.get(Feature::SpeedRatio))
            && mask.allows(Request::Up as usize);
        if up { Request::Up } else { Request::Hold }
    }
}

#[test]
fn a_request_that_ends_again_at_high_speed_has_both_its_borders() {
    let settings = scenario().settings;
    let map = shift_map(&mut UpBetween(698, 955), "Table", "", &settings, &CellSupport::NONE);
    let load = |permille: i32| {
        f64::from((1000 - permille) * i32::from(settings.features.gear_scale_permille[1]) / 1000)
    };
    assert_eq!(map.gears[1].up[10], [(load(955), load(698))]);
}

#[test]
fn probes_agree_with_what_the_controller_would_compute() {
    let settings = scenario().settings;
    let features = probe_features(&settings, 0, 600, -30);
    let scale = i32::from(settings.features.gear_scale_permille[0]);
    assert_eq!(i32::from(features.get(Feature::LoadSlow)), 400 * scale / 1000);
    assert_eq!(features.get(Feature::LoadPeak), features.get(Feature::LoadSlow));
    assert_eq!((features.get(Feature::MotorSpeed), features.get(Feature::Tilt)), (600, -30));
}
