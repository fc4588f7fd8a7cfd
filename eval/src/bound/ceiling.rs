//! A ceiling for given sensors: a mean return that no controller exceeds which learns of an obstacle only when it
//! is so far ahead.
//!
//! Everything else is known to it: vehicle, state, surfaces and grades of the whole course, and of a row of obstacles all
//! of it as soon as its first is reported. So the ceiling also holds for every controller that knows less. What is bounded
//! is the return in the plan's own model (its grid, no noise, dogs that always enter, the clairvoyant plan's
//! temperatures), over the law of the course file: rows of each kind start as a Poisson process from the end of the one
//! before. How the bound is made: [`super::penalty`].

use super::penalty::Penalty;
use super::{GridResolution, Plan, ThermalProfile};
use lowgear_env::motion::Track;
use lowgear_env::terrain::{Contact, Course, Obstacle, ObstacleConfig, ObstacleRow, Segment};
use lowgear_env::vehicle::Vehicle;
use lowgear_env::{Drive, Scenario, Stream};
use rayon::prelude::*;

/// Heights of one kind fall into this many classes, equally likely.
const HEIGHTS: usize = 4;
/// Grades that ground is taken to have, degrees.
const GRADES_DEG: [f64; 3] = [-5.0, 0.0, 5.0];
/// Rows drawn for the classes of height, and as many others for their shares.
const DRAWS: usize = 50_000;
/// Number of the seed from which these are drawn.
const MARKS: u64 = 0x6d61_726b_73;
/// Way before the row, m: the longest range.
const LEAD_M: f64 = 1.5;
/// Way behind the row, on which the vehicle is back at speed, m.
const RECOVERY_M: f64 = 2.0;
/// The grid of the plans that value a row.
const RESOLUTION: GridResolution = GridResolution { position_strides: 0.6, speeds: 20 };

/// What it is worth to a vehicle on its way to meet a row of obstacles, in place of free ground: by ground, kind and
/// height, from plans for the nominal vehicle on even ground.
#[derive(Clone, Debug)]
pub struct ObstacleValues {
    kinds: Vec<Kind>,
    surfaces: Vec<String>,
    /// Widest contact of a wheel with an obstacle, m.
    width_m: f64,
}

#[derive(Clone, Debug)]
struct Kind {
    rate_per_m: f64,
    /// Greatest height of each class but the last, m.
    limits_m: Vec<f64>,
    /// Share of each class.
    shares: Vec<f64>,
    /// By surface and grade, then by class: plans with a row at [`LEAD_M`]. Empty where it never lies.
    plans: Vec<Vec<Difference>>,
}

/// Values with a row less values without, by range in steps of the plan's positions.
#[derive(Clone, Debug)]
struct Difference {
    positions_m: Vec<f64>,
    values: Vec<f64>,
}

impl Difference {
    fn new(with: &Plan, without: &Plan) -> Difference {
        let layer = with.speeds.len() * with.gears;
        let ahead = with.positions_m.partition_point(|&x| x <= LEAD_M);
        let mut values = Vec::with_capacity(ahead * layer);
        for i in 0..ahead {
            let (row, share) = without.position_index(with.positions_m[i]);
            for node in 0..layer {
                let free = without.values[row * layer + node] * (1.0 - share)
                    + without.values[(row + 1) * layer + node] * share;
                values.push(with.values[i * layer + node] - free);
            }
        }
        Difference { positions_m: with.positions_m[..ahead].to_vec(), values }
    }

    /// By speed and gear, with the row `ahead_m` ahead of the front axle.
    fn at(&self, ahead_m: f64) -> &[f64] {
        let layer = self.values.len() / self.positions_m.len();
        let i = self.positions_m.partition_point(|&x| x <= LEAD_M - ahead_m).max(1) - 1;
        &self.values[i * layer..(i + 1) * layer]
    }
}

impl Kind {
    /// Classes of height and their shares, from two sets of draws that are independent of each other: so the mean
    /// value of a row has no bias.
    fn new(scenario: &Scenario, number: usize, config: &ObstacleConfig) -> Kind {
        let mut rng = scenario.seed.part(MARKS).stream(Stream::Course, number as u64);
        let mut heights =
            || (0..DRAWS).map(|_| config.row(number, 0.0, &mut rng).height_m).collect::<Vec<f64>>();
        let mut first = heights();
        first.sort_by(f64::total_cmp);
        let mut limits_m: Vec<f64> = (1..HEIGHTS).map(|n| first[n * DRAWS / HEIGHTS]).collect();
        limits_m.dedup();
        let mut kind = Kind {
            rate_per_m: config.rate_per_m,
            shares: vec![0.0; limits_m.len() + 1],
            limits_m,
            plans: Vec::new(),
        };
        for height_m in heights() {
            let class = kind.class(height_m);
            kind.shares[class] += 1.0 / DRAWS as f64;
        }
        kind
    }

    fn class(&self, height_m: f64) -> usize {
        self.limits_m.partition_point(|&limit| limit < height_m)
    }

    /// Value of a row of that height `ahead_m` ahead, by speed and gear; `None` where there is none to it.
    fn value(&self, ground: usize, height_m: f64, ahead_m: f64) -> Option<&[f64]> {
        self.plans.get(ground)?.get(self.class(height_m)).map(|plan| plan.at(ahead_m))
    }
}

impl ObstacleValues {
    /// For the vehicle and the course file of a scenario; `None` where the course is not random.
    #[must_use]
    pub fn new(scenario: &Scenario) -> Option<ObstacleValues> {
        let random = scenario.course.random.as_ref().filter(|_| scenario.measured.is_none())?;
        let mut nominal = scenario.clone();
        nominal.vehicle.variation = nominal.vehicle.variation.nominal();
        let (vehicle, _) = nominal.instantiate(0);
        let surfaces: Vec<String> = scenario.course.surfaces.iter().map(|s| s.name.clone()).collect();
        let mut kinds: Vec<Kind> =
            random.obstacles.iter().enumerate().map(|(n, config)| Kind::new(scenario, n, config)).collect();
        let tallest_m = random.obstacles.iter().enumerate().flat_map(|(number, config)| {
            let mut rng = scenario.seed.part(MARKS).stream(Stream::Vehicle, number as u64);
            (0..DRAWS).map(move |_| config.row(number, 0.0, &mut rng)).map(|row| (config.shape, row.height_m))
        });
        let contacts = tallest_m.filter_map(|(shape, h_m)| {
            Contact::new(shape, h_m, vehicle.wheel_radius_m, vehicle.axles[0].driven)
        });
        let width_m = contacts.map(|contact| contact.width_m).fold(0.0, f64::max);
        let trial = Trial { scenario: &nominal, vehicle: &vehicle };
        let solved: Vec<Vec<Vec<Difference>>> = (0..surfaces.len() * GRADES_DEG.len())
            .into_par_iter()
            .map(|ground| trial.differences(ground, &random.obstacles, &kinds))
            .collect();
        for per_kind in solved {
            for (kind, plans) in kinds.iter_mut().zip(per_kind) {
                kind.plans.push(plans);
            }
        }
        Some(ObstacleValues { kinds, surfaces, width_m })
    }

    /// Surface and grade at `x_m`.
    fn ground(&self, course: &Course, x_m: f64) -> usize {
        let segment = &course.segments[course.segment_at(x_m)];
        let name = &course.surfaces[segment.surface].name;
        let surface = self.surfaces.iter().position(|surface| surface == name).unwrap_or(0);
        let grade_deg = segment.sin_grade.asin().to_degrees();
        let grade = GRADES_DEG.windows(2).filter(|pair| grade_deg > 0.5 * (pair[0] + pair[1])).count();
        surface * GRADES_DEG.len() + grade
    }

    /// What a plan is charged that knows rows before they are `ahead_m` ahead.
    fn penalty(&self, plan: &Plan, course: &Course, rows: &[ObstacleRow], ahead_m: f64) -> Penalty {
        let layer = plan.speeds.len() * plan.gears;
        let mut borders: Vec<f64> = course.segments.iter().map(|segment| segment.start_m).collect();
        borders.extend(rows.iter().flat_map(|row| [row.start_m, row.start_m + row.length_m()]));
        borders.extend([ObstacleConfig::FREE_START_M, course.length_m]);
        borders.sort_by(f64::total_cmp);
        let pieces: Vec<Vec<f64>> = plan
            .positions_m
            .windows(2)
            .map(|pair| {
                let mut charge = vec![0.0; layer];
                let (from_m, to_m) = (pair[0] + ahead_m, pair[1] + ahead_m);
                for row in rows.iter().filter(|row| row.start_m > from_m && row.start_m <= to_m) {
                    let ground = self.ground(course, row.start_m);
                    add(&mut charge, 1.0, self.kinds[row.kind].value(ground, row.height_m, ahead_m));
                }
                let mut left_m = from_m;
                let within = borders.iter().copied().filter(|&x| x > from_m && x < to_m);
                for right_m in within.chain([to_m]) {
                    self.expect(&mut charge, course, rows, (left_m, right_m), ahead_m);
                    left_m = right_m;
                }
                charge
            })
            .collect();
        Penalty::new(&pieces)
    }

    /// Takes off what is expected of a stretch on which neither the ground nor the rows change.
    fn expect(
        &self,
        charge: &mut [f64],
        course: &Course,
        rows: &[ObstacleRow],
        (from_m, to_m): (f64, f64),
        ahead_m: f64,
    ) {
        let middle_m = 0.5 * (from_m + to_m);
        if !(ObstacleConfig::FREE_START_M..course.length_m).contains(&middle_m) {
            return;
        }
        let ground = self.ground(course, middle_m);
        for (number, kind) in self.kinds.iter().enumerate() {
            let inside = |row: &ObstacleRow| {
                row.kind == number && (row.start_m..row.start_m + row.length_m()).contains(&middle_m)
            };
            let Some(plans) = kind.plans.get(ground).filter(|_| !rows.iter().any(inside)) else { continue };
            for (plan, share) in plans.iter().zip(&kind.shares) {
                add(charge, -kind.rate_per_m * share * (to_m - from_m), Some(plan.at(ahead_m)));
            }
        }
    }
}

/// Adds `factor` times the values.
fn add(charge: &mut [f64], factor: f64, values: Option<&[f64]>) {
    for (sum, value) in charge.iter_mut().zip(values.unwrap_or_default()) {
        *sum += factor * value;
    }
}

/// Plans for one row on even ground.
struct Trial<'a> {
    scenario: &'a Scenario,
    vehicle: &'a Vehicle,
}

impl Trial<'_> {
    /// By kind and class, on one ground.
    fn differences(&self, ground: usize, configs: &[ObstacleConfig], kinds: &[Kind]) -> Vec<Vec<Difference>> {
        let surface = ground / GRADES_DEG.len();
        let name = &self.scenario.course.surfaces[surface].name;
        let lies = |config: &ObstacleConfig| {
            self.scenario.course.surfaces[surface].weight > 0.0 && config.lies_on(name)
        };
        configs
            .iter()
            .zip(kinds)
            .map(|(config, kind)| {
                if !lies(config) {
                    return Vec::new();
                }
                let mut rng = self.scenario.seed.part(MARKS).stream(Stream::Selector, 0);
                let typical = config.row(0, LEAD_M, &mut rng);
                let count = config.row_count.centre().round().max(1.0) as usize;
                let spacing_m = config.row_spacing_m.centre();
                let row = ObstacleRow { count, spacing_m, ..typical };
                let free = self.plan(ground, config, &row, None);
                let classes = 0..kind.shares.len();
                classes
                    .map(|class| {
                        let height_m = class_height_m(kind, class, config);
                        Difference::new(&self.plan(ground, config, &row, Some(height_m)), &free)
                    })
                    .collect()
            })
            .collect()
    }

    fn plan(&self, ground: usize, config: &ObstacleConfig, row: &ObstacleRow, height_m: Option<f64>) -> Plan {
        let grade_deg = GRADES_DEG[ground % GRADES_DEG.len()];
        let obstacle = |i: usize, height_m: f64| Obstacle {
            position_m: row.start_m + i as f64 * row.spacing_m,
            height_m,
            shape: config.shape,
        };
        let course = Course {
            name: String::new(),
            length_m: LEAD_M + row.length_m() + RECOVERY_M,
            surfaces: self.scenario.course.plain_surfaces(),
            segments: vec![Segment {
                start_m: -LEAD_M,
                sin_grade: grade_deg.to_radians().sin(),
                surface: ground / GRADES_DEG.len(),
            }],
            obstacles: height_m.map_or(Vec::new(), |h| (0..row.count).map(|i| obstacle(i, h)).collect()),
        };
        let track = Track::new(course, self.vehicle);
        let mut plan = Plan::unsolved(self.scenario, self.vehicle, &track, RESOLUTION);
        plan.solve(self.scenario, self.vehicle, &track, &ThermalProfile::cold(self.vehicle), None);
        plan
    }
}

/// A height that stands for a class, m.
fn class_height_m(kind: &Kind, class: usize, config: &ObstacleConfig) -> f64 {
    let centre_m = config.height_m.centre();
    match (class.checked_sub(1).map(|c| kind.limits_m[c]), kind.limits_m.get(class)) {
        (Some(low_m), Some(high_m)) => 0.5 * (low_m + high_m),
        (None, Some(high_m)) => high_m - 0.5 * (kind.limits_m.last().unwrap_or(high_m) - high_m) / 2.0,
        (Some(low_m), None) => low_m + 0.5 * (low_m - kind.limits_m[0]) / 2.0,
        (None, None) => centre_m,
    }
}

/// The ceiling on one course, the return of which is to be averaged over courses: no controller exceeds the mean that
/// learns of an obstacle only when it is `range_m` ahead of the front axle. `drive` stands at its start. `None` where the
/// course is not random.
#[must_use]
pub fn ceiling(
    drive: &Drive,
    values: &ObstacleValues,
    range_m: f64,
    resolution: GridResolution,
) -> Option<f64> {
    let (scenario, vehicle, track) = (drive.scenario(), drive.vehicle(), drive.track());
    let rows = scenario.obstacle_rows(drive.episode())?;
    let mut plan = Plan::unsolved(scenario, vehicle, track, resolution);
    // Up to a step of the grid more than the range: a decision may look that far when it interpolates.
    let ahead_m = range_m + values.width_m + resolution.position_strides * plan.stride_m;
    let penalty = values.penalty(&plan, &track.course, &rows, ahead_m);
    plan.solve(scenario, vehicle, track, &ThermalProfile::of(drive), Some(&penalty));
    Some(plan.start_value(scenario))
}
