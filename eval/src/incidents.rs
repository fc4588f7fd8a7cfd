//! Stalls, failed upshifts and hunting, by kind of place: surface and grade under the front axle.

use std::collections::BTreeMap;
use std::sync::Arc;

use lowgear_agents::policy::Policy;
use lowgear_env::{Drive, Step, World, run_episode};
use rayon::prelude::*;

use crate::suite::TestSuite;
use crate::summary::{GradeClass, PlaceCount};

/// What happened in one kind of place.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct IncidentCounts {
    distance_m: f64,
    stalls: u32,
    stalled_s: f64,
    failed_upshifts: u32,
    hunts: u32,
}

/// By surface and class of grade.
type IncidentCountsByPlace = BTreeMap<(String, GradeClass), IncidentCounts>;

/// Drives every training seed of a policy over all courses of a suite and counts what happened where. Events are
/// placed where the vehicle is at the decision at which they show.
pub fn places<P: Policy + Clone + Sync>(suite: &TestSuite, policy: &str, seeds: &[P]) -> Vec<PlaceCount> {
    let rounds: Vec<(&P, u64)> =
        seeds.iter().flat_map(|seed| (0..suite.courses).map(move |course| (seed, course))).collect();
    let tallies: Vec<IncidentCountsByPlace> = rounds
        .into_par_iter()
        .map(|(seed, course)| count(&mut Drive::new(Arc::clone(suite.scenario()), course), &mut seed.clone()))
        .collect();
    let mut all = IncidentCountsByPlace::new();
    for (place, incident_counts) in tallies.into_iter().flatten() {
        let sum = all.entry(place).or_default();
        sum.distance_m += incident_counts.distance_m;
        sum.stalls += incident_counts.stalls;
        sum.stalled_s += incident_counts.stalled_s;
        sum.failed_upshifts += incident_counts.failed_upshifts;
        sum.hunts += incident_counts.hunts;
    }
    let counted = all.into_iter().map(|((surface, grade), incident_counts)| PlaceCount {
        policy: policy.into(),
        surface,
        grade,
        distance_m: incident_counts.distance_m,
        stalls: incident_counts.stalls,
        stalled_s: incident_counts.stalled_s,
        failed_upshifts: incident_counts.failed_upshifts,
        hunts: incident_counts.hunts,
    });
    counted.collect()
}

fn count(drive: &mut Drive, policy: &mut dyn Policy) -> IncidentCountsByPlace {
    let mut tallies = IncidentCountsByPlace::new();
    policy.reset();
    let (mut before, mut events_before, mut from_m) = (drive.outcome(), drive.events(), drive.plant().x_m);
    let tally = |drive: &Drive, _, _: &Step| {
        let (after, events, x_m) = (drive.outcome(), drive.events(), drive.plant().x_m);
        let incident_counts = tallies.entry(place(drive)).or_default();
        incident_counts.distance_m += (x_m - from_m).max(0.0);
        incident_counts.stalls += events.stalls - events_before.stalls;
        incident_counts.stalled_s += after.stall_s - before.stall_s;
        incident_counts.failed_upshifts += after.failed_upshifts - before.failed_upshifts;
        incident_counts.hunts += events.hunts - events_before.hunts;
        (before, events_before, from_m) = (after, events, x_m);
    };
    run_episode(drive, |drive| policy.decide(drive.observation(), drive.mask()), tally);
    tallies
}

fn place(drive: &Drive) -> (String, GradeClass) {
    let course = &drive.track().course;
    let segment = course.segments[course.segment_at(drive.plant().x_m)];
    let grade = GradeClass::of(segment.sin_grade.asin().to_degrees());
    (course.surfaces[segment.surface].name.clone(), grade)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::aggregate::tests::{rule, scenario};

    #[test]
    fn what_is_counted_by_place_adds_up_to_what_the_outcomes_say() {
        let suite = TestSuite::new(&scenario(), 6);
        let seeds = [rule(700, 500), rule(850, 300)];
        let counts = places(&suite, "rule", &seeds);
        let outcomes: Vec<_> = seeds.iter().flat_map(|seed| suite.outcomes(|| seed.clone())).collect();
        let failed: u32 = outcomes.iter().map(|o| o.failed_upshifts).sum();
        assert!(failed > 0);
        assert_eq!(counts.iter().map(|c| c.failed_upshifts).sum::<u32>(), failed);
        let stalled: f64 = outcomes.iter().map(|o| o.stall_s).sum();
        assert!((counts.iter().map(|c| c.stalled_s).sum::<f64>() - stalled).abs() < 1e-6);
        let driven: f64 = outcomes.iter().map(|o| o.distance_m).sum();
        let counted: f64 = counts.iter().map(|c| c.distance_m).sum();
        assert!(counted > 0.99 * driven && counted < 1.05 * driven, "{counted} of {driven}");
        assert!(counts.iter().any(|c| c.hunts > 0), "a wide step and close thresholds hunt");
        assert!(counts.len() > 4, "several surfaces and grades");
    }

    #[test]
    fn grades_have_classes() {
        let classes = [-9.0, -4.0, -1.0, 1.0, 1.01, 4.1].map(GradeClass::of);
        use GradeClass as G;
        assert_eq!(classes, [G::SteepDown, G::Down, G::Level, G::Level, G::Up, G::SteepUp]);
    }
}
