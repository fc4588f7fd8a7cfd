//! How much of the plan's lead is knowing what comes: plans that see only so far.
//!
//! A preview knows the vehicle and its state without noise, and the ground up to a distance ahead. What lies beyond is
//! valued as what usually follows on ground like that at the end of its view, the mean over plans of training courses
//! (the QMDP approximation of Littman, Cassandra, Kaelbling 1995, "Learning policies for partially observable
//! environments: scaling up"). It is optimistic about what it will know later, so it is no bound; driven, it shows what a
//! metre of sight is worth.

use super::{GridResolution, Plan, Successor, ThermalProfile};
use lowgear_env::terrain::Course;
use lowgear_env::{Drive, run_episode};
use lowgear_onboard::Request;

/// Grades that part kinds of ground, per cent.
const GRADES: [f64; 4] = [-4.0, 4.0, 8.0, 14.0];
/// A grade is one over this distance, m.
const GRADE_OVER_M: f64 = 0.2;

/// Positions closer than this stand where an axle climbs; they say nothing about ground, m.
const CLOSE_M: f64 = 5e-3;
/// States from which nothing but giving up is left count as so much worse than others, s.
const MOST_S: f64 = 30.0;

/// Kind of the ground at `x_m`: surface and grade.
fn kind(course: &Course, x_m: f64) -> usize {
    let half_m = GRADE_OVER_M / 2.0;
    let rise_m = course.elevation_m(x_m + half_m) - course.elevation_m((x_m - half_m).max(0.0));
    let grade = 100.0 * rise_m / GRADE_OVER_M;
    let steep = GRADES.partition_point(|&limit| limit <= grade);
    course.segments[course.segment_at(x_m)].surface * (GRADES.len() + 1) + steep
}

/// What states are worth in the mean on each kind of ground, against standing still in the lowest gear.
#[derive(Clone, Debug)]
pub struct Typical {
    kinds: Vec<Kind>,
}

#[derive(Clone, Debug)]
struct Kind {
    /// Length of the ground it stems from, m.
    length_m: f64,
    /// Sum by speed and gear, each times the length it holds for.
    worth: Vec<f64>,
    /// Sum of value per metre.
    per_m: f64,
}

impl Typical {
    /// From the plans of courses that are at their start.
    #[must_use]
    pub fn of(drives: &[Drive], resolution: GridResolution) -> Typical {
        let mut kinds: Vec<Kind> = Vec::new();
        for drive in drives {
            let plan = Plan::new(drive, resolution);
            let layer = plan.speeds.len() * plan.gears;
            let course = &drive.track().course;
            for i in 0..plan.positions_m.len() - 2 {
                let here = &plan.values[i * layer..(i + 1) * layer];
                let gap_m = plan.positions_m[i + 1] - plan.positions_m[i];
                if gap_m < CLOSE_M {
                    continue;
                }
                let number = kind(course, plan.positions_m[i]);
                if kinds.len() <= number {
                    kinds.resize(number + 1, Kind { length_m: 0.0, worth: vec![0.0; layer], per_m: 0.0 });
                }
                let kind = &mut kinds[number];
                kind.length_m += gap_m;
                let best = |row: &[f64]| row.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                let next = &plan.values[(i + 1) * layer..(i + 2) * layer];
                kind.per_m += (best(next) - best(here)).clamp(0.0, MOST_S);
                for (sum, value) in kind.worth.iter_mut().zip(here) {
                    *sum += gap_m * (value - here[0]).clamp(-MOST_S, MOST_S);
                }
            }
        }
        Typical { kinds }
    }

    fn nearest(&self, number: usize) -> Option<&Kind> {
        let width = GRADES.len() + 1;
        let surface = number / width * width;
        let mut near: Vec<usize> = (surface..surface + width).collect();
        near.sort_by_key(|n| n.abs_diff(number));
        near.into_iter().filter_map(|n| self.kinds.get(n)).find(|k| k.length_m > 1.0)
    }
}

/// A plan that sees so far ahead. A decision to shift is always valued over its own way, until the next gear has
/// driven for the guard's dwell: some tenths of a metre, which are seen as well.
pub struct Preview<'a> {
    plan: Plan,
    successors: Vec<Vec<Option<Successor>>>,
    typical: &'a Typical,
    sight_m: f64,
}

/// What lies farther beyond the view than this is not looked up in a decision, m.
const BEYOND_M: f64 = 3.0;

impl<'a> Preview<'a> {
    /// For the course of `drive`, which stands at its start.
    #[must_use]
    pub fn new(drive: &Drive, resolution: GridResolution, typical: &'a Typical, sight_m: f64) -> Preview<'a> {
        let (vehicle, track, scenario) = (drive.vehicle(), drive.track(), drive.scenario());
        let thermal_profile = ThermalProfile::of(drive);
        let plan = Plan::with(drive, resolution, &thermal_profile);
        let layers = plan.positions_m.len() - 1;
        let successors =
            (0..layers).map(|i| plan.successors(scenario, vehicle, track, i, &thermal_profile)).collect();
        Preview { plan, successors, typical, sight_m }
    }

    /// As [`Plan::decide`].
    pub fn decide(&mut self, drive: &Drive) -> Request {
        let x_m = drive.plant().x_m.max(0.0);
        let (here, _) = self.plan.position_index(x_m);
        let last = self.plan.positions_m.len() - 1;
        let end = self.plan.positions_m.partition_point(|&p| p < x_m + self.sight_m).clamp(here + 1, last);
        if end < last {
            self.forget(kind(&drive.track().course, self.plan.positions_m[end]), end);
        } else {
            let layer = self.plan.speeds.len() * self.plan.gears;
            self.plan.values[last * layer..].fill(0.0);
        }
        for i in (here..end).rev() {
            self.plan.solve_layer(drive.scenario(), &self.successors[i], i);
        }
        self.plan.decide(drive)
    }

    /// From position `end` on values are those that usually follow on ground of that kind.
    fn forget(&mut self, number: usize, end: usize) {
        let Some(kind) = self.typical.nearest(number) else { return };
        let plan = &mut self.plan;
        let layer = plan.speeds.len() * plan.gears;
        let (from_m, last) = (plan.positions_m[end], plan.positions_m.len() - 1);
        let per_m = kind.per_m / kind.length_m;
        // The level matters against giving up alone.
        let level = per_m * (from_m - plan.positions_m[last]);
        for i in end..=last {
            let beyond_m = plan.positions_m[i] - from_m;
            if beyond_m > BEYOND_M {
                break;
            }
            let values = &mut plan.values[i * layer..(i + 1) * layer];
            for (value, worth) in values.iter_mut().zip(&kind.worth) {
                *value = level + worth / kind.length_m + per_m * beyond_m;
            }
        }
    }
}

/// Drives a preview in the episode that it was made for.
pub fn drive_preview(drive: &mut Drive, preview: &mut Preview<'_>) {
    run_episode(drive, |drive| preview.decide(drive), |_, _, _| {});
}
