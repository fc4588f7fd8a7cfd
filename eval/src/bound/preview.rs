//! How much of the plan's lead is knowing what comes: plans that see only so far.
//!
//! A preview knows of the ground what its sensor reports up to a distance ahead ([`PreviewSensor`]), and takes the reports
//! at their word. It knows its vehicle and its state without noise, or a part of that ([`Knowledge`]). What lies beyond is
//! valued as what usually follows on ground like that at the end of its view, the mean over plans of training courses (the
//! QMDP approximation of Littman, Cassandra, Kaelbling 1995, "Learning policies for partially observable environments:
//! scaling up"). It is optimistic about what it will know later, so it is no bound; driven, it shows what a
//! metre of sight is worth.

use super::knowledge::Knowledge;
use super::reports::{Belief, PreviewSensor, Reports};
use super::{COARSE, GridResolution, Plan, Successor, ThermalProfile};
use lowgear_env::events::stands_still;
use lowgear_env::motion::Plant;
use lowgear_env::terrain::Course;
use lowgear_env::{Drive, World, run_episode};
use lowgear_onboard::Request;

/// Grades that part kinds of ground, per cent.
const GRADES: [f64; 4] = [-4.0, 4.0, 8.0, 14.0];
/// A grade is one over this distance, m.
const GRADE_OVER_M: f64 = 0.2;

/// Positions closer than this stand where an axle climbs; they say nothing about ground, m.
const CLOSE_M: f64 = 5e-3;
/// A kind of ground is known from this much of it, m.
const LEAST_M: f64 = 1.0;
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
        let known = near.into_iter().filter_map(|n| self.kinds.get(n)).find(|k| k.length_m > LEAST_M);
        known.or_else(|| self.kinds.iter().max_by(|a, b| a.length_m.total_cmp(&b.length_m)))
    }
}

/// A plan that sees so far ahead. A decision to shift is always valued over its own way, until the next gear has
/// driven for the guard's dwell: some tenths of a metre, which are seen as well.
pub struct Preview<'a> {
    sensor: PreviewSensor,
    knowledge: Knowledge,
    /// What the vehicle is taken to be, at the start.
    model: Drive,
    resolution: GridResolution,
    typical: &'a Typical,
    thermal_profile: ThermalProfile,
    margin_s: f64,
    reports: Reports,
    furthest_m: f64,
    believed: Option<Believed>,
}

/// A course that is believed, with the plan for it.
struct Believed {
    belief: Belief,
    plan: Plan,
    /// Per position, once it has come into view.
    successors: Vec<Option<Vec<Option<Successor>>>>,
}

/// A vehicle that an obstacle stops rolls back by less than this in a decision, m: values there count, too.
const BEHIND_M: f64 = 0.15;

/// What lies farther beyond the view than this is not looked up in a decision, m.
const BEYOND_M: f64 = 3.0;

impl<'a> Preview<'a> {
    /// For the course of `drive`, which stands at its start.
    #[must_use]
    pub fn new(
        drive: &Drive,
        resolution: GridResolution,
        typical: &'a Typical,
        sensor: PreviewSensor,
    ) -> Preview<'a> {
        Preview::with(drive, resolution, typical, sensor, Knowledge::ALL)
    }

    /// The same, with less knowledge of vehicle and state.
    #[must_use]
    pub fn with(
        drive: &Drive,
        resolution: GridResolution,
        typical: &'a Typical,
        sensor: PreviewSensor,
        knowledge: Knowledge,
    ) -> Preview<'a> {
        let model = knowledge.model(drive);
        let coarse = ThermalProfile::coarse_plan(&model);
        let (vehicle, course) = (drive.vehicle(), &drive.track().course);
        Preview {
            sensor,
            knowledge,
            resolution,
            typical,
            thermal_profile: ThermalProfile::along(&model, &coarse),
            margin_s: coarse.margin_s * resolution.position_strides / COARSE.position_strides,
            reports: Reports::new(sensor, vehicle, course, drive.scenario().seed, drive.episode()),
            furthest_m: 0.0,
            believed: None,
            model,
        }
    }

    /// As [`Plan::decide`].
    pub fn decide(&mut self, drive: &Drive) -> Request {
        let (vehicle, plant) = (drive.vehicle(), drive.plant());
        self.furthest_m = self.furthest_m.max(plant.x_m);
        let course = self.reports.believed(vehicle, &drive.track().course, self.furthest_m);
        if self.believed.as_ref().is_none_or(|b| b.belief.track.course != course) {
            self.believed = Some(self.unsolved(course));
        }
        let Some(gear) = plant.gear else {
            // Where the dogs missed: a lower gear is asked for then, which tries again.
            return if drive.allowed(Request::Down as usize) { Request::Down } else { Request::Hold };
        };
        let v_m_s = self.knowledge.speed_m_s(drive, &self.model, &plant, gear);
        let x_m = (plant.x_m + self.knowledge.offset_m(drive, v_m_s)).max(0.0);
        let Some(believed) = self.believed.as_mut() else { return Request::Hold };
        believed.solve(&self.model, x_m, &self.sensor, self.typical, &self.thermal_profile);
        let Believed { belief, plan, .. } = believed;
        if belief.exact && self.knowledge == Knowledge::ALL {
            return plan.decide(drive);
        }
        if stands_still(plant.v_m_s) && drive.allowed(Request::Down as usize) {
            // What stops it is not on the course that is believed.
            return Request::Down;
        }
        let (charge, temperature_rise) = if self.knowledge.vehicle {
            (plant.charge, plant.temperature_rise)
        } else {
            self.thermal_profile.at(x_m)
        };
        let vehicle = self.model.vehicle();
        let believed = Plant::at(vehicle, &belief.track, x_m, v_m_s, gear).with_thermal_state(
            vehicle,
            charge,
            temperature_rise,
        );
        plan.decide_on(&self.model, &belief.track, &believed, drive.mask())
    }

    fn unsolved(&self, course: Course) -> Believed {
        let (scenario, vehicle) = (self.model.scenario(), self.model.vehicle());
        let belief = Belief::new(course, vehicle, self.model.track());
        let mut plan = Plan::unsolved(scenario, vehicle, &belief.track, self.resolution);
        plan.margin_s = self.margin_s;
        let successors = vec![None; plan.positions_m.len() - 1];
        Believed { belief, plan, successors }
    }
}

impl Believed {
    /// Values from somewhat behind `x_m` to the end of the view.
    fn solve(
        &mut self,
        drive: &Drive,
        x_m: f64,
        sensor: &PreviewSensor,
        typical: &Typical,
        thermal_profile: &ThermalProfile,
    ) {
        let (scenario, vehicle, track) = (drive.scenario(), drive.vehicle(), &self.belief.track);
        let plan = &mut self.plan;
        let (here, _) = plan.position_index(x_m - BEHIND_M);
        let last = plan.positions_m.len() - 1;
        let end = plan.positions_m.partition_point(|&p| p < x_m + sensor.range_m).clamp(here + 1, last);
        if end < last {
            let number = kind(&track.course, plan.positions_m[end]);
            plan.value_beyond(typical.nearest(number), end);
        } else {
            let layer = plan.speeds.len() * plan.gears;
            plan.values[last * layer..].fill(0.0);
        }
        for i in (here..end).rev() {
            let successors = self.successors[i]
                .get_or_insert_with(|| plan.successors(scenario, vehicle, track, i, thermal_profile));
            plan.solve_layer(scenario, successors, i);
        }
    }
}

impl Plan {
    /// From position `end` on values are those that usually follow on ground of that kind.
    fn value_beyond(&mut self, kind: Option<&Kind>, end: usize) {
        let Some(kind) = kind else { return };
        let layer = self.speeds.len() * self.gears;
        let (from_m, last) = (self.positions_m[end], self.positions_m.len() - 1);
        let per_m = kind.per_m / kind.length_m;
        // The level matters against giving up alone.
        let level = per_m * (from_m - self.positions_m[last]);
        for i in end..=last {
            let beyond_m = self.positions_m[i] - from_m;
            if beyond_m > BEYOND_M {
                break;
            }
            let values = &mut self.values[i * layer..(i + 1) * layer];
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
