//! What an obstacle that comes into view costs, by the state of the vehicle then: dynamic programming on short pieces of
//! ground with one obstacle, against the same ground without.

use super::super::one_step_model::predict;
use super::super::{COARSE, GridResolution, Plan, Successor, ThermalProfile};
use super::law::{CELL_M, Law};
use super::never_jams;
use lowgear_env::motion::{Plant, Track};
use lowgear_env::terrain::{Course, Obstacle, Segment, Surface};
use lowgear_env::vehicle::{TemperatureRise, Vehicle};
use lowgear_env::{Drive, Scenario};
use lowgear_onboard::Request;

/// Distance between places of the table, m.
const STEP_M: f64 = 0.005;
/// A decision takes the vehicle no farther than this, strides.
const REACH_STRIDES: f64 = 10.0;
/// Ground behind the obstacle on which a loss is made up for, strides.
const TAIL_STRIDES: f64 = 12.0;
/// Ground behind that, which no decision crosses, strides.
const BEYOND_STRIDES: f64 = 40.0;
/// Rounds, in each of which further obstacles cost what the round before has found.
const ROUNDS: usize = 3;
/// No obstacle is taken to cost more than this, s.
const MOST_S: f64 = 30.0;
/// Kinds of ground for which losses are tabulated: resistance above the mean of the course, standard deviations.
const RESISTANCES_SD: [f64; 3] = [-1.2, 0.0, 1.2];
/// The resistance ahead of a place is the mean over so much ground, m.
const AHEAD_M: f64 = 0.4;
/// at points so far apart, m.
const APART_M: f64 = 0.1;
/// A narrower spread of resistances is none.
const LEAST_SD: f64 = 1e-5;

/// Losses by an obstacle, s, negative, less those of a vehicle in its highest gear at its steady speed.
pub(super) struct Exposure {
    /// For each resistance: by the way that is left until the obstacle comes into view, node of speed and gear, request and mark.
    tables: Vec<Table>,
    resistances: Vec<f64>,
}

/// Losses on one kind of ground.
struct Table {
    losses_s: Vec<f64>,
    places: usize,
    nodes: usize,
    marks: usize,
}

/// Resistance over weight of the ground from a place on: rolling and grade.
fn resistance(course: &Course, from_m: f64) -> f64 {
    let points = (AHEAD_M / APART_M) as usize;
    let at = |i: usize| {
        let x_m = from_m + i as f64 * APART_M;
        course.surface_at(x_m).rolling + course.segments[course.segment_at(x_m)].sin_grade
    };
    (0..points).map(at).sum::<f64>() / points as f64
}

impl Exposure {
    /// For the vehicle of `drive` as it is half way along its course, where obstacles are known `ahead_m` before its front
    /// axle touches them.
    pub(super) fn new(
        drive: &Drive,
        law: &Law,
        resolution: GridResolution,
        ahead_m: f64,
        thermal_profile: &ThermalProfile,
    ) -> Exposure {
        let course = &drive.track().course;
        let count = (course.length_m / APART_M) as usize;
        let all: Vec<f64> = (0..count).map(|i| resistance(course, i as f64 * APART_M)).collect();
        let mean = all.iter().sum::<f64>() / count as f64;
        let sd = (all.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / count as f64).sqrt();
        let offsets: &[f64] = if sd > LEAST_SD { &RESISTANCES_SD } else { &[0.0] };
        let resistances: Vec<f64> = offsets.iter().map(|offset| mean + offset * sd).collect();
        let densities = law.densities_per_m();
        let table = |resistance: &f64| {
            let mut piece = Piece::new(drive, law, resolution, ahead_m, thermal_profile, *resistance);
            piece.table(drive.scenario(), &densities)
        };
        Exposure { tables: resistances.iter().map(table).collect(), resistances }
    }

    /// Where the ground from `from_m` on lies between the tables: number of the lower one, and share of the next.
    pub(super) fn ground(&self, course: &Course, from_m: f64) -> (usize, f64) {
        let resistance = resistance(course, from_m);
        let last = self.resistances.len() - 1;
        let above = self.resistances.partition_point(|&r| r <= resistance);
        if above == 0 || above > last {
            return (above.min(last), 0.0);
        }
        let (low, high) = (self.resistances[above - 1], self.resistances[above]);
        (above - 1, (resistance - low) / (high - low))
    }

    /// The sum of `surprises`, each times its loss, where an obstacle comes into view `way_m` further on and `request` is
    /// followed now, s.
    pub(super) fn charge_s(
        &self,
        (table, share): (usize, f64),
        way_m: f64,
        node: usize,
        request: usize,
        surprises: &[f64],
    ) -> f64 {
        let sum = |table: usize| {
            let losses = self.tables[table].losses_s(way_m, node, request).iter();
            losses.zip(surprises).map(|(loss, surprise)| loss * surprise).sum::<f64>()
        };
        if share > 0.0 { (1.0 - share) * sum(table) + share * sum(table + 1) } else { sum(table) }
    }
}

impl Table {
    fn losses_s(&self, way_m: f64, node: usize, request: usize) -> &[f64] {
        let place = ((way_m / STEP_M).round().max(0.0) as usize).min(self.places - 1);
        let from = ((place * self.nodes + node) * Request::ALL.len() + request) * self.marks;
        &self.losses_s[from..from + self.marks]
    }

    fn none(places: usize, nodes: usize, marks: usize) -> Table {
        Table { losses_s: vec![0.0; places * nodes * Request::ALL.len() * marks], places, nodes, marks }
    }

    /// What the obstacles that come into view within a way cost in the mean, s: as the losses, summed over the way.
    fn hazard_s(&self, densities_per_m: &[f64]) -> Vec<f64> {
        let width = self.nodes * Request::ALL.len();
        let mut hazard = vec![0.0; self.places * width];
        for slot in width..self.places * width {
            let losses =
                self.losses_s[slot * self.marks..(slot + 1) * self.marks].iter().zip(densities_per_m);
            hazard[slot] = hazard[slot - width] + STEP_M * losses.map(|(loss, d)| loss * d).sum::<f64>();
        }
        hazard
    }

    /// The same, less the losses of one node that holds its gear.
    fn less(mut self, node: usize) -> Table {
        let usual = self.losses_s(0.0, node, Request::Hold as usize).to_vec();
        for losses in self.losses_s.chunks_mut(self.marks) {
            losses.iter_mut().zip(&usual).for_each(|(loss, usual)| *loss -= usual);
        }
        self
    }
}

/// A short piece of ground, bare and with each obstacle.
struct Piece {
    plan: Plan,
    /// By ground, the bare one first, then position: where each decision leads.
    successors: Vec<Vec<Vec<Option<Successor>>>>,
    /// Where the obstacle comes into view, m.
    shown_m: f64,
    /// Number of the last position.
    end: usize,
    /// Value at the last position, s, and what a metre adds behind it.
    terminal_s: Vec<f64>,
    per_m_s: f64,
}

/// What a piece is made of.
struct Ground<'a> {
    scenario: &'a Scenario,
    vehicle: Vehicle,
    state: (f64, TemperatureRise),
    /// Where the front axle touches the obstacle at the earliest, and the last axle leaves it at the latest, m.
    from_m: f64,
    to_m: f64,
}

impl Ground<'_> {
    /// Where decisions lead from position `i`; as on bare ground where no wheel touches an obstacle.
    fn successors(
        &self,
        plan: &Plan,
        track: &Track,
        i: usize,
        bare: &[Option<Successor>],
    ) -> Vec<Option<Successor>> {
        let x_m = plan.positions_m[i];
        let mut successors = bare.to_vec();
        if x_m > self.to_m {
            return successors;
        }
        for (k, successor) in successors.iter_mut().enumerate() {
            if x_m <= self.from_m && successor.is_none_or(|s| s.x_m <= self.from_m) {
                continue;
            }
            let (node, request) = (k / Request::ALL.len(), Request::ALL[k % Request::ALL.len()]);
            let (speed, gear) = (node / plan.gears, node % plan.gears);
            if speed >= plan.speeds_in_gear[gear] {
                continue;
            }
            let plant = Plant::at(&self.vehicle, track, x_m, plan.speeds[speed], gear).with_thermal_state(
                &self.vehicle,
                self.state.0,
                self.state.1,
            );
            let led = predict(self.scenario, &self.vehicle, track, plant, request, &plan.clocks);
            *successor = led.map(|(successor, _)| successor);
        }
        successors
    }
}

impl Piece {
    fn new(
        drive: &Drive,
        law: &Law,
        resolution: GridResolution,
        ahead_m: f64,
        thermal_profile: &ThermalProfile,
        resistance: f64,
    ) -> Piece {
        let (scenario, vehicle, course) =
            (drive.scenario(), never_jams(drive.vehicle()), &drive.track().course);
        let stride_m = Plan::unsolved(scenario, &vehicle, drive.track(), COARSE).stride_m;
        let widest_m = law.marks.widest_m(vehicle.wheel_radius_m);
        let shown_m = REACH_STRIDES * stride_m;
        let top_m = shown_m + ahead_m + widest_m + 0.5 * CELL_M;
        let axles = vehicle.axles[..vehicle.axle_count].iter();
        let to_m = top_m + widest_m + axles.map(|axle| axle.behind_front_m).fold(0.0, f64::max);
        let end_m = to_m + TAIL_STRIDES * stride_m;
        let surface = Surface { rolling: resistance, ..course.surfaces[course.segments[0].surface].clone() };
        let surface = if resistance > 0.0 { surface } else { Surface { rolling: 0.0, ..surface } };
        let laid = |obstacles: Vec<Obstacle>| {
            let bare = Course {
                name: course.name.clone(),
                length_m: end_m + BEYOND_STRIDES * stride_m,
                surfaces: vec![surface.clone()],
                segments: vec![Segment { start_m: -5.0, sin_grade: resistance.min(0.0), surface: 0 }],
                obstacles,
            };
            Track::new(bare, &vehicle)
        };
        let marked =
            law.marks.list.iter().map(|&(shape, height_m)| Obstacle { position_m: top_m, height_m, shape });
        let marked: Vec<Obstacle> = marked.collect();
        let plan = Plan::unsolved(scenario, &vehicle, &laid(marked.clone()), resolution);
        let end = plan.positions_m.partition_point(|&x| x < end_m);
        let state = thermal_profile.at(0.5 * course.length_m);
        let half_way = ThermalProfile(vec![(0.0, state.0, state.1)]);
        let track = laid(vec![]);
        let bare: Vec<_> =
            (0..end).map(|i| plan.successors(scenario, &vehicle, &track, i, &half_way)).collect();
        let ground = Ground { scenario, vehicle: vehicle.clone(), state, from_m: top_m - widest_m, to_m };
        let mut successors = vec![bare];
        for obstacle in marked {
            let track = laid(vec![obstacle]);
            let one = (0..end).map(|i| ground.successors(&plan, &track, i, &successors[0][i])).collect();
            successors.push(one);
        }
        let nodes = plan.speeds.len() * plan.gears;
        let per_m_s = plan.speeds.last().map_or(1.0, |top_m_s| top_m_s.recip());
        Piece { plan, successors, shown_m, end, terminal_s: vec![0.0; nodes], per_m_s }
    }

    /// The losses on this ground.
    fn table(&mut self, scenario: &Scenario, densities_per_m: &[f64]) -> Table {
        let nodes = self.plan.speeds.len() * self.plan.gears;
        let places = (self.shown_m / STEP_M) as usize + 1;
        let mut table = Table::none(places, nodes, self.successors.len() - 1);
        for _ in 0..ROUNDS {
            let hazard_s = table.hazard_s(densities_per_m);
            self.fill(&mut table, scenario, &hazard_s);
        }
        table.less(self.steady_node())
    }

    /// The node that holding the highest gear on bare ground leads to.
    fn steady_node(&self) -> usize {
        let (plan, gear) = (&self.plan, self.plan.gears - 1);
        let gains = |j: usize| {
            let k = (j * plan.gears + gear) * Request::ALL.len() + Request::Hold as usize;
            self.successors[0][0][k].as_ref().is_some_and(|successor| successor.v_m_s > plan.speeds[j])
        };
        let j = (0..plan.speeds_in_gear[gear]).rfind(|&j| gains(j)).unwrap_or(0);
        j * plan.gears + gear
    }

    /// Writes the losses where further obstacles cost `hazard_s` on the way, and sets the values at the end.
    fn fill(&mut self, table: &mut Table, scenario: &Scenario, hazard_s: &[f64]) {
        let (nodes, marks) = (table.nodes, table.marks);
        let bare = self.solve(scenario, 0, hazard_s);
        let best = |row: &[f64]| row.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let first = &self.plan.values[..nodes];
        let (start_s, end_s) = (best(first), best(&self.terminal_s));
        let per_m_s = (end_s - start_s) / self.plan.positions_m[self.end];
        let next: Vec<f64> = first.iter().map(|value| (value - start_s).max(-MOST_S)).collect();
        let width = nodes * Request::ALL.len();
        for mark in 0..marks {
            let with = self.solve(scenario, mark + 1, hazard_s);
            for place in 0..table.places {
                let (i, share) = self.plan.position_index(self.shown_m - place as f64 * STEP_M);
                for k in 0..width {
                    let at =
                        |all: &[f64]| all[i * width + k] * (1.0 - share) + all[(i + 1) * width + k] * share;
                    let loss_s = at(&with) - at(&bare);
                    let loss_s = if loss_s.is_finite() { loss_s.clamp(-MOST_S, MOST_S) } else { 0.0 };
                    table.losses_s[(place * width + k) * marks + mark] = loss_s;
                }
            }
        }
        (self.terminal_s, self.per_m_s) = (next, per_m_s);
    }

    /// Solves one ground; what each decision is worth, by position, node and request.
    fn solve(&mut self, scenario: &Scenario, ground: usize, hazard_s: &[f64]) -> Vec<f64> {
        let plan = &mut self.plan;
        let nodes = plan.speeds.len() * plan.gears;
        let width = nodes * Request::ALL.len();
        for i in self.end..plan.positions_m.len() {
            let beyond_s = self.per_m_s * (plan.positions_m[i] - plan.positions_m[self.end]);
            let values = plan.values[i * nodes..(i + 1) * nodes].iter_mut().zip(&self.terminal_s);
            values.for_each(|(value, terminal)| *value = terminal + beyond_s);
        }
        let places = hazard_s.len() / width;
        let mut decisions = vec![f64::NEG_INFINITY; self.end * width];
        for i in (0..self.end).rev() {
            let mut successors = self.successors[ground][i].clone();
            for (k, successor) in
                successors.iter_mut().enumerate().filter_map(|(k, s)| Some((k, s.as_mut()?)))
            {
                let way_m = (successor.x_m - plan.positions_m[i]).max(0.0);
                let place = ((way_m / STEP_M).round() as usize).min(places - 1);
                successor.reward += hazard_s[place * width + k];
            }
            plan.solve_layer(scenario, &successors, i);
            let own = &plan.values[i * nodes..(i + 1) * nodes];
            for (k, successor) in successors.iter().enumerate().filter_map(|(k, s)| Some((k, s.as_ref()?))) {
                decisions[i * width + k] = plan.decision_value_from(successor, i).value(own);
            }
        }
        decisions
    }
}
