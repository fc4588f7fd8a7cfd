//! An integrator that shares only the vehicle's numbers and the force of an obstacle with the real one: small
//! steps (ten times smaller at obstacles), events at step ends, speeds exact for constant forces (exponential
//! integrator), forces at the middle of the step, heat and charge carried along in every step.

use super::schedule::{Motion, Place, Run, Schedule, run_by_schedule};
use lowgear_env::motion::GRAVITY_M_S2;
use lowgear_env::stress::Stress;
use lowgear_env::terrain::{Contact, Course, ObstacleShape};
use lowgear_env::vehicle::{COPPER_PER_K, Gear, Vehicle};

/// Steps at an obstacle are this many times shorter.
const FINER: f64 = 10.0;

struct ObstacleProfile {
    top_m: f64,
    end_m: f64,
    contact: Contact,
}

/// The vehicle on its course.
pub(super) struct Reference<'a> {
    vehicle: &'a Vehicle,
    course: &'a Course,
    /// Obstacles as each axle meets them.
    obstacles: Vec<Vec<ObstacleProfile>>,
    /// Obstacle that each axle is on.
    on: Vec<Option<usize>>,
    segment: Vec<usize>,
    coarse_s: f64,
    step_s: f64,
    pub(super) x_m: f64,
    pub(super) v_m_s: f64,
    pub(super) motor_rad_s: f64,
    gear: Option<usize>,
    slipping: bool,
    winding_k: f64,
    housing_k: f64,
    charge: f64,
    grip_n: f64,
    /// Acceleration of the step before: the loads on the axles follow it.
    acceleration_m_s2: f64,
    stress: Stress,
    pub(super) output_nm: f64,
}

#[derive(Default)]
struct Forces {
    /// Grade and obstacles, against forward motion.
    slope_n: f64,
    rolling_n: f64,
    drag_n_s_m: f64,
    grip_n: f64,
}

impl<'a> Reference<'a> {
    pub(super) fn new(vehicle: &'a Vehicle, course: &'a Course, step_s: f64) -> Reference<'a> {
        let axles = &vehicle.axles[..vehicle.axle_count];
        let obstacles = axles.iter().map(|axle| {
            let met = course.obstacles.iter().map(|o| {
                let contact = Contact::new(o.shape, o.height_m, vehicle.wheel_radius_m, axle.driven)
                    .expect("low enough");
                let width = if o.shape == ObstacleShape::Bump { contact.width_m } else { 0.0 };
                ObstacleProfile { top_m: o.position_m, end_m: o.position_m + width, contact }
            });
            met.collect()
        });
        Reference {
            vehicle,
            course,
            obstacles: obstacles.collect(),
            on: vec![None; axles.len()],
            segment: axles.iter().map(|a| course.segment_at(-a.behind_front_m)).collect(),
            coarse_s: step_s,
            step_s,
            x_m: 0.0,
            v_m_s: 0.0,
            motor_rad_s: 0.0,
            gear: Some(0),
            slipping: false,
            winding_k: 0.0,
            housing_k: 0.0,
            charge: vehicle.charge,
            grip_n: 0.0,
            acceleration_m_s2: 0.0,
            stress: vehicle.stress(),
            output_nm: 0.0,
        }
    }

    fn forces(&mut self, x_m: f64) -> Forces {
        let weight_n = self.vehicle.mass_kg * GRAVITY_M_S2;
        let mut sum = Forces { rolling_n: self.vehicle.drag_n, ..Forces::default() };
        for (i, axle) in self.vehicle.axles[..self.vehicle.axle_count].iter().enumerate() {
            let at = x_m - axle.behind_front_m;
            let segments = &self.course.segments;
            while segments.get(self.segment[i] + 1).is_some_and(|s| s.start_m <= at) {
                self.segment[i] += 1;
            }
            while self.segment[i] > 0 && segments[self.segment[i]].start_m > at {
                self.segment[i] -= 1;
            }
            let segment = segments[self.segment[i]];
            let surface = &self.course.surfaces[segment.surface];
            let cos = (1.0 - segment.sin_grade * segment.sin_grade).sqrt();
            let load_n = weight_n * axle.load_share;
            sum.slope_n += load_n * segment.sin_grade;
            let normal_force_n = weight_n * (axle.load_share * cos + axle.load_per_grade * segment.sin_grade)
                + self.vehicle.mass_kg * axle.load_per_grade * self.acceleration_m_s2;
            sum.rolling_n += normal_force_n * surface.rolling * self.vehicle.rolling_factor;
            sum.drag_n_s_m += load_n * surface.drag_s_m * self.vehicle.rolling_factor;
            let mut flank_grip = 1.0;
            if let Some(n) = self.on[i] {
                let obstacle = &self.obstacles[i][n];
                sum.slope_n +=
                    load_n * obstacle.contact.slope * (obstacle.top_m - at) / obstacle.contact.width_m;
                flank_grip = obstacle.contact.cosine;
            }
            if axle.driven {
                sum.grip_n += surface.friction * self.vehicle.friction_factor * normal_force_n * flank_grip;
            }
        }
        sum
    }

    /// Torque at the shaft, current and winding resistance at this speed; friction against `direction`.
    fn motor(&self, duty: f64, speed: f64, direction: f64) -> (f64, f64, f64) {
        let motor = &self.vehicle.motor;
        let kelvin = self.vehicle.air_c - 20.0 + self.winding_k;
        let winding_ohm = motor.resistance_ohm * (1.0 + COPPER_PER_K * kelvin);
        let friction_nm = motor.torque_constant_nm_a * motor.no_load_current_a;
        if duty == 0.0 {
            return (-friction_nm * direction, 0.0, winding_ohm);
        }
        let source_ohm = self.vehicle.battery.resistance_ohm;
        let ocv = self.vehicle.battery.open_circuit_v(self.charge);
        let magnets = self.magnets();
        let current = (duty * ocv - magnets * motor.emf_constant_v_s * speed)
            / (winding_ohm + duty * duty * source_ohm);
        (magnets * motor.torque_constant_nm_a * current - friction_nm * direction, current, winding_ohm)
    }

    /// Whether a wheel is on an obstacle or may come to one within `time_s`.
    /// What heat has left of the magnets' strength.
    fn magnets(&self) -> f64 {
        1.0 - self.vehicle.magnet_per_k * (self.vehicle.air_c - 20.0 + self.housing_k)
    }

    fn at_an_obstacle(&self, time_s: f64) -> bool {
        let reach = self.v_m_s.abs() * time_s + 1e-5;
        self.obstacles.iter().enumerate().any(|(i, obstacles)| {
            let at = self.x_m - self.vehicle.axles[i].behind_front_m;
            let near = |h: &ObstacleProfile| at > h.top_m - h.contact.width_m - reach && at < h.end_m + reach;
            self.on[i].is_some() || obstacles.iter().any(near)
        })
    }

    fn step(&mut self, duty: f64) {
        let forces = self.forces(self.x_m + 0.5 * self.step_s * self.v_m_s);
        self.grip_n = forces.grip_n;
        let before_m_s = self.v_m_s;
        match self.gear.map(|g| self.vehicle.gears[g]) {
            Some(gear) if self.slipping => self.step_slipping(duty, &gear, &forces),
            Some(gear) => self.step_in_gear(duty, &gear, &forces),
            None => self.step_in_neutral(duty, &forces),
        }
        self.acceleration_m_s2 = (self.v_m_s - before_m_s) / self.step_s;
        self.warm_and_drain(duty);
        self.cross_obstacles();
    }

    /// `m v' = a - c v` over a step; stops at a change of sign.
    fn move_on(&mut self, mass: f64, a: f64, c: f64) {
        let v = if c > 0.0 {
            a / c + (self.v_m_s - a / c) * (-c / mass * self.step_s).exp()
        } else {
            self.v_m_s + a / mass * self.step_s
        };
        let stopped = v * self.v_m_s < 0.0;
        self.x_m += if stopped { 0.0 } else { 0.5 * self.step_s * (self.v_m_s + v) };
        self.v_m_s = if stopped { 0.0 } else { v };
    }

    fn step_in_neutral(&mut self, duty: f64, forces: &Forces) {
        let direction = self.direction(forces, 0.0, 0.0);
        if direction != 0.0 {
            let rest_n = -forces.slope_n - forces.rolling_n * direction;
            self.move_on(self.vehicle.rolling_mass_kg, rest_n, forces.drag_n_s_m);
        }
        let spin = if self.motor_rad_s >= 0.0 { 1.0 } else { -1.0 };
        let (torque, _, _) = self.motor(duty, self.motor_rad_s, spin);
        let next = self.motor_rad_s + torque / self.vehicle.rotor_kg_m2 * self.step_s;
        self.motor_rad_s = if next * spin < 0.0 { 0.0 } else { next };
    }

    /// Direction of motion; from rest the one that drive and slope overcome, or 0.
    fn direction(&self, forces: &Forces, tractive_n: f64, hold_n: f64) -> f64 {
        if self.v_m_s != 0.0 {
            self.v_m_s.signum()
        } else if tractive_n.min(forces.grip_n) - forces.slope_n > forces.rolling_n {
            1.0
        } else if forces.slope_n - hold_n.min(forces.grip_n) > forces.rolling_n {
            -1.0
        } else {
            0.0
        }
    }

    fn step_in_gear(&mut self, duty: f64, gear: &Gear, forces: &Forces) {
        let stall = self.motor(duty, 0.0, 1.0).0;
        let held = self.motor(duty, 0.0, -1.0).0;
        let tractive_n = if duty > 0.0 { stall.max(0.0) * gear.turn_rad_m * gear.efficiency } else { 0.0 };
        let hold_n = held * gear.turn_rad_m / gear.back_efficiency;
        let free_n = if duty > 0.0 { 0.0 } else { hold_n };
        let direction = self.direction(forces, tractive_n - free_n, hold_n);
        if direction == 0.0 {
            self.motor_rad_s = 0.0;
            // Undriven, rolling resistance holds what it can and the gears carry the rest.
            let rest_n = forces.slope_n - forces.slope_n.clamp(-forces.rolling_n, forces.rolling_n);
            self.push(if duty > 0.0 {
                tractive_n.max(forces.slope_n)
            } else {
                rest_n.clamp(-hold_n, hold_n)
            });
            self.slipping = tractive_n > forces.grip_n;
            return;
        }
        let torque = self.motor(duty, self.v_m_s * gear.turn_rad_m, direction).0;
        let damping = if duty > 0.0 {
            (torque - self.motor(duty, self.v_m_s * gear.turn_rad_m + 1.0, direction).0).max(0.0)
        } else {
            0.0
        };
        let resist_n = forces.slope_n + forces.rolling_n * direction + forces.drag_n_s_m * self.v_m_s;
        let body_kg = self.vehicle.rolling_mass_kg;
        // Torque through the gears with the efficiency of driving; if that comes out against the motion, the
        // wheels drive.
        let with = |e: f64| (e * gear.turn_rad_m * torque - resist_n) / (body_kg + e * gear.rotor_kg);
        let through = |a: f64| gear.turn_rad_m * torque - gear.rotor_kg * a;
        let driving = through(with(gear.efficiency)) * direction >= 0.0;
        let e = if driving { gear.efficiency } else { 1.0 / gear.back_efficiency };
        let contact_n = e * through(with(e)) - self.vehicle.wheel_kg * with(e);
        if contact_n > forces.grip_n {
            self.slipping = true;
        }
        let c = e * gear.turn_rad_m * gear.turn_rad_m * damping;
        let a = e * gear.turn_rad_m * torque + c * self.v_m_s - forces.slope_n - forces.rolling_n * direction;
        self.move_on(body_kg + e * gear.rotor_kg, a, c + forces.drag_n_s_m);
        self.motor_rad_s = self.v_m_s * gear.turn_rad_m;
        self.push(e * through(with(e)));
    }

    fn step_slipping(&mut self, duty: f64, gear: &Gear, forces: &Forces) {
        let torque = self.motor(duty, self.motor_rad_s, 1.0).0;
        let wheel = self.vehicle.wheel_kg;
        let with = |e: f64| (e * gear.turn_rad_m * torque - forces.grip_n) / (wheel + e * gear.rotor_kg);
        let through = |a: f64| gear.turn_rad_m * torque - gear.rotor_kg * a;
        let driving = through(with(gear.efficiency)) >= 0.0;
        let e = if driving { gear.efficiency } else { 1.0 / gear.back_efficiency };
        self.motor_rad_s += with(e) * gear.turn_rad_m * self.step_s;
        let direction = self.direction(forces, forces.grip_n, 0.0);
        if direction != 0.0 {
            let rest_n = forces.grip_n - forces.slope_n - forces.rolling_n * direction;
            self.move_on(self.vehicle.mass_kg, rest_n, forces.drag_n_s_m);
        }
        self.push(e * through(with(e)));
        if self.motor_rad_s <= self.v_m_s * gear.turn_rad_m {
            self.slipping = false;
            self.motor_rad_s = self.v_m_s * gear.turn_rad_m;
        }
    }

    fn push(&mut self, force_n: f64) {
        self.output_nm = force_n * self.vehicle.wheel_radius_m;
        self.stress.push(self.output_nm);
    }

    fn warm_and_drain(&mut self, duty: f64) {
        let (_, current, ohm) = self.motor(duty, self.motor_rad_s, 1.0);
        let (heat, motor, battery) = (&self.vehicle.heat, &self.vehicle.motor, &self.vehicle.battery);
        let link_w = (self.winding_k - self.housing_k) / heat.winding_to_housing_k_w;
        let friction_nm = motor.torque_constant_nm_a * motor.no_load_current_a
            + (motor.emf_constant_v_s - motor.torque_constant_nm_a) * self.magnets() * current;
        let friction_w = friction_nm * self.motor_rad_s.abs();
        self.winding_k += (current * current * ohm - link_w) / heat.winding_j_k * self.step_s;
        self.housing_k +=
            (friction_w + link_w - self.housing_k / heat.housing_to_air_k_w) / heat.housing_j_k * self.step_s;
        self.charge -= duty * current * self.step_s / (3600.0 * battery.capacity_ah);
    }

    /// Wheels that came on or off an obstacle in the last step lose the speed of a plastic strike.
    fn cross_obstacles(&mut self) {
        for i in 0..self.on.len() {
            let at = self.x_m - self.vehicle.axles[i].behind_front_m;
            let obstacles = &self.obstacles[i];
            let begin = |h: &ObstacleProfile| h.top_m - h.contact.width_m;
            let now = obstacles.iter().position(|h| at > begin(h) && at < h.end_m);
            let was = self.on[i];
            if now == was {
                continue;
            }
            self.on[i] = now;
            let obstacle = &obstacles[now.or(was).expect("one of them")];
            let over_an_edge = obstacle.end_m == obstacle.top_m
                && (at - obstacle.top_m).abs() < (at - begin(obstacle)).abs();
            if !over_an_edge {
                let cosine = obstacle.contact.cosine;
                self.strike(i, cosine);
            }
        }
    }

    fn strike(&mut self, axle: usize, cosine: f64) {
        let gear = self.gear.filter(|_| !self.slipping).map(|g| self.vehicle.gears[g]);
        let rotor_kg = gear.map_or(0.0, |g| g.rotor_kg);
        let body_kg = if self.slipping { self.vehicle.mass_kg } else { self.vehicle.rolling_mass_kg };
        let share_kg = self.vehicle.mass_kg * self.vehicle.axles[axle].load_share;
        let lost = self.v_m_s * share_kg * (1.0 - cosine) / (body_kg + rotor_kg);
        self.v_m_s -= lost;
        if let Some(gear) = gear {
            self.motor_rad_s = self.v_m_s * gear.turn_rad_m;
            self.shock(lost / self.vehicle.wheel_radius_m, rotor_kg);
        }
    }

    /// The rotor swings against the vehicle, or beyond the grip of the tyres against the wheels alone.
    fn shock(&mut self, difference: f64, rotor_kg: f64) {
        let radius = self.vehicle.wheel_radius_m;
        let swing = |other_kg: f64| {
            let inertia = other_kg * rotor_kg / (other_kg + rotor_kg) * radius * radius;
            difference.abs() * (self.vehicle.stiffness_nm_rad * inertia).sqrt()
        };
        let most = self.grip_n * radius + swing(self.vehicle.wheel_kg);
        let peak = difference.signum() * swing(self.vehicle.rolling_mass_kg).min(most);
        self.stress.push(self.output_nm + peak);
        self.stress.push(self.output_nm);
    }
}

impl Motion for Reference<'_> {
    fn x_m(&self) -> f64 {
        self.x_m
    }

    fn v_m_s(&self) -> f64 {
        self.v_m_s
    }

    fn motor_rad_s(&self) -> f64 {
        self.motor_rad_s
    }

    fn advance(&mut self, time_s: f64, duty: f64, to: Option<Place>) -> (f64, bool) {
        let mut gone_s = 0.0;
        while time_s - gone_s > 1e-9 {
            let near = self.at_an_obstacle(2.0 * self.coarse_s);
            let step_s = if near { self.coarse_s / FINER } else { self.coarse_s };
            self.step_s = step_s.min(time_s - gone_s);
            let ahead_s = to.map_or(f64::INFINITY, |place| place.ahead_m(self.x_m) / self.v_m_s.abs());
            if ahead_s <= self.step_s {
                self.step_s = ahead_s.max(0.0);
                self.step(duty);
                return (gone_s + self.step_s, false);
            }
            self.step(duty);
            gone_s += self.step_s;
            if self.x_m >= self.course.length_m {
                return (gone_s - (self.x_m - self.course.length_m) / self.v_m_s, true);
            }
        }
        (gone_s, false)
    }

    fn disengage(&mut self) {
        self.gear = None;
        self.slipping = false;
        self.output_nm = 0.0;
        self.stress.push(0.0);
    }

    fn engage(&mut self, gear: usize) {
        let g = self.vehicle.gears[gear];
        let difference_m_s = self.motor_rad_s / g.turn_rad_m - self.v_m_s;
        self.v_m_s += g.rotor_kg / (self.vehicle.rolling_mass_kg + g.rotor_kg) * difference_m_s;
        self.motor_rad_s = self.v_m_s * g.turn_rad_m;
        self.gear = Some(gear);
        self.shock(difference_m_s / self.vehicle.wheel_radius_m, g.rotor_kg);
    }

    fn damage(&self) -> f64 {
        self.stress.total()
    }
}

/// A run by small steps.
pub(super) fn reference_run(vehicle: &Vehicle, course: &Course, step_s: f64, schedule: &Schedule) -> Run {
    run_by_schedule(&mut Reference::new(vehicle, course, step_s), schedule)
}
