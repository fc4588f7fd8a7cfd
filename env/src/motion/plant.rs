//! State of the vehicle and how it moves.
//!
//! Drive direction is forward only; the vehicle can roll back. Grade, surface and obstacles act per axle.
//! Not modelled: pitch and suspension, load transfer by acceleration, backlash, tyre slip below the traction
//! limit, spinning wheels under braking.

use super::forces::{Ground, Spot, Touch};
use super::track::Track;
use super::{Ledger, Piece};
use crate::stress::Stress;
use crate::vehicle::{COPPER_PER_K, Gear, Line, MAX_AXLES, Rise, Vehicle};

/// The vehicle's state.
#[derive(Clone, Debug)]
pub struct Plant {
    /// Position of the front axle, m.
    pub x_m: f64,
    /// Speed, m/s.
    pub v_m_s: f64,
    /// Motor speed, rad/s.
    pub motor_rad_s: f64,
    /// Motor angle turned since the start, rad.
    pub motor_turned_rad: f64,
    /// Gear in mesh; `None` in neutral.
    pub gear: Option<usize>,
    /// State of charge.
    pub charge: f64,
    /// Motor temperatures above the air.
    pub rise: Rise,
    /// Damage.
    pub stress: Stress,
    /// Energies.
    pub ledger: Ledger,
    /// Torque through the gearbox output, N·m.
    pub output_nm: f64,
    /// Motor current at the end of the last advance, A.
    pub current_a: f64,
    /// Terminal voltage at the end of the last advance, V.
    pub terminal_v: f64,
    /// Driven wheels are slipping.
    pub slipping: bool,
    spots: [Spot; MAX_AXLES],
}

/// What an advance came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Advance {
    /// Time that passed, s: less than asked for only when the end was reached.
    pub elapsed_s: f64,
    /// The front axle is at the end of the course.
    pub finished: bool,
}

/// What ends a piece.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Event {
    Clock,
    Stop,
    Finish,
    Stretch { axle: usize },
    Mount { axle: usize },
    Leave { axle: usize },
}

/// Pieces in one advance, at the most; after that the vehicle is held for the rest of it.
const MOST_PIECES: usize = 400;

/// The drive as it is over one advance.
struct Supply {
    line: Line,
    duty: f64,
    winding_ohm: f64,
    source_ohm: f64,
    ocv_v: f64,
    driven: bool,
}

/// How the drive line acts on the vehicle in one piece.
struct Thrust {
    force_n: f64,
    damping_n_s_m: f64,
    mass_kg: f64,
    efficiency: f64,
}

/// A wheel that comes back to an obstacle more slowly than this does not bounce, m/s.
const BOUNCE_M_S: f64 = 0.01;
/// A reversal of torque is passed by this, s, so that the next piece begins on its far side.
const PAST_REVERSAL_S: f64 = 1e-7;

impl Thrust {
    /// Force that leaves the gears, at the rim, after `at_s` of rim motion.
    fn output_n(&self, rim: &Piece, gear: &Gear, at_s: f64) -> f64 {
        self.force_n
            - self.damping_n_s_m * rim.at(at_s).1
            - self.efficiency * gear.rotor_kg * rim.acceleration(at_s)
    }

    /// When the torque through the gears changes its direction before `late_s`, and with it their efficiency.
    fn reversal_s(&self, rim: &Piece, gear: &Gear, way: f64, late_s: f64) -> Option<f64> {
        let side = if self.efficiency <= 1.0 { way } else { -way };
        if self.output_n(rim, gear, late_s) * side >= 0.0 {
            return None;
        }
        let (mut low, mut high) = (0.0, late_s);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if self.output_n(rim, gear, middle) * side >= 0.0 { low = middle } else { high = middle }
        }
        Some(high + PAST_REVERSAL_S).filter(|&at| at < late_s)
    }
}

impl Plant {
    /// A vehicle at rest at the start with `gear` engaged.
    #[must_use]
    pub fn new(vehicle: &Vehicle, track: &Track, gear: usize) -> Plant {
        Plant::at(vehicle, track, 0.0, 0.0, gear)
    }

    /// A vehicle at `x_m` with speed `v_m_s` in `gear`, wheels on whatever lies there.
    #[must_use]
    pub fn at(vehicle: &Vehicle, track: &Track, x_m: f64, v_m_s: f64, gear: usize) -> Plant {
        let mut spots = [Spot::default(); MAX_AXLES];
        for (axle, spot) in vehicle.axles[..vehicle.axle_count].iter().zip(&mut spots) {
            let at = x_m - axle.behind_front_m;
            spot.stretch = track.stretches.partition_point(|s| s.start_m <= at).saturating_sub(1);
            spot.ahead = track.hurdles.partition_point(|h| h.end_m(axle.driven) <= at);
            spot.on = track.hurdles.get(spot.ahead).is_some_and(|h| h.begin_m(axle.driven) < at);
        }
        let ocv_v = vehicle.battery.open_circuit_v(vehicle.charge);
        Plant {
            x_m,
            v_m_s,
            motor_rad_s: v_m_s * vehicle.gears[gear].turn_rad_m,
            motor_turned_rad: 0.0,
            gear: Some(gear),
            charge: vehicle.charge,
            rise: Rise::default(),
            stress: vehicle.stress(),
            ledger: Ledger::default(),
            output_nm: 0.0,
            current_a: 0.0,
            terminal_v: ocv_v,
            slipping: false,
            spots,
        }
    }

    /// Kinetic energy, J.
    #[must_use]
    pub fn kinetic_j(&self, vehicle: &Vehicle) -> f64 {
        let wheels = match self.gear {
            Some(gear) => self.motor_rad_s / vehicle.gears[gear].turn_rad_m,
            None => self.v_m_s,
        };
        0.5 * (vehicle.mass_kg * self.v_m_s * self.v_m_s
            + vehicle.wheel_kg * wheels * wheels
            + vehicle.rotor_kg_m2 * self.motor_rad_s * self.motor_rad_s)
    }

    /// Takes the gear out of mesh.
    pub fn disengage(&mut self) {
        self.gear = None;
        self.slipping = false;
        self.output_nm = 0.0;
        self.stress.push(0.0);
    }

    /// Speed difference between motor and wheels in `gear`, at the wheel shaft, rad/s.
    #[must_use]
    pub fn mismatch_rad_s(&self, vehicle: &Vehicle, gear: usize) -> f64 {
        self.motor_rad_s / vehicle.gears[gear].ratio - self.v_m_s / vehicle.wheel_radius_m
    }

    /// Brings `gear` into mesh: both sides take a common speed, the difference is lost, and the shock peaks at
    /// `dw sqrt(k J)` with `J` the two inertias in series (two-mass torsional oscillator, textbook).
    pub fn engage(&mut self, vehicle: &Vehicle, gear: usize) {
        let g = &vehicle.gears[gear];
        let difference = self.mismatch_rad_s(vehicle, gear);
        let radius = vehicle.wheel_radius_m;
        let reduced_kg = vehicle.rolling_mass_kg * g.rotor_kg / (vehicle.rolling_mass_kg + g.rotor_kg);
        let reduced_kg_m2 = reduced_kg * radius * radius;
        self.v_m_s += reduced_kg / vehicle.rolling_mass_kg * difference * radius;
        if self.v_m_s.abs() < 1e-9 {
            self.v_m_s = 0.0;
        }
        self.motor_rad_s = self.v_m_s * g.turn_rad_m;
        self.ledger.engage_j += 0.5 * reduced_kg_m2 * difference * difference;
        self.gear = Some(gear);
        self.shock(difference * (vehicle.stiffness_nm_rad * reduced_kg_m2).sqrt());
    }

    fn shock(&mut self, peak_nm: f64) {
        self.stress.push(self.output_nm + peak_nm);
        self.stress.push(self.output_nm);
    }

    /// Moves on for `dt_s` at `duty` (0 to 1; 0 is drive cut: the motor's circuit is open).
    pub fn advance(&mut self, vehicle: &Vehicle, track: &Track, dt_s: f64, duty: f64) -> Advance {
        let supply = self.supply(vehicle, duty);
        let mut left_s = dt_s;
        let mut finished = false;
        for piece in 0.. {
            if left_s <= 0.0 || finished {
                break;
            }
            if piece == MOST_PIECES {
                self.ledger.strike_j += self.kinetic_j(vehicle);
                self.v_m_s = 0.0;
                self.motor_rad_s = 0.0;
                self.rest(vehicle, &supply, &Ground::under(vehicle, track, &self.spots, self.x_m), left_s);
                break;
            }
            let (used_s, event) = self.piece(vehicle, track, &supply, left_s);
            left_s -= used_s;
            finished = event == Event::Finish;
        }
        self.finish_supply(&supply);
        Advance { elapsed_s: dt_s - left_s.max(0.0), finished }
    }

    fn supply(&self, vehicle: &Vehicle, duty: f64) -> Supply {
        let kelvin = vehicle.air_c - 20.0 + self.rise.winding_k;
        let winding_ohm = vehicle.motor.resistance_ohm * (1.0 + COPPER_PER_K * kelvin);
        let ocv_v = vehicle.battery.open_circuit_v(self.charge);
        let source_ohm = vehicle.battery.resistance_ohm;
        let mut line = vehicle.motor.line(ocv_v, source_ohm, duty, winding_ohm);
        let driven = duty > 0.0;
        if !driven {
            line = Line { electrical_stall_nm: 0.0, slope_nm_s: 0.0, stall_a: 0.0, slope_a_s: 0.0, ..line };
        }
        Supply { line, duty, winding_ohm, source_ohm, ocv_v, driven }
    }

    fn finish_supply(&mut self, supply: &Supply) {
        self.current_a = supply.line.stall_a - supply.line.slope_a_s * self.motor_rad_s;
        self.terminal_v = supply.ocv_v - supply.source_ohm * supply.duty * self.current_a;
    }

    /// Lets heat and charge follow the energies of one tick of `tick_s` that began with `before`.
    pub fn settle_tick(&mut self, vehicle: &Vehicle, before: &Ledger, tick_s: f64) {
        let winding_w = (self.ledger.winding_j - before.winding_j) / tick_s;
        let housing_w = (self.ledger.motor_friction_j - before.motor_friction_j) / tick_s;
        self.rise = vehicle.heat_step.advance(self.rise, winding_w, housing_w);
        let drawn_j = self.ledger.battery_j - before.battery_j;
        let ocv_v = vehicle.battery.open_circuit_v(self.charge);
        self.charge = (self.charge - drawn_j / (ocv_v * 3600.0 * vehicle.battery.capacity_ah)).clamp(0.0, 1.0);
    }

    /// One piece of motion: returns its length and what ended it.
    fn piece(&mut self, vehicle: &Vehicle, track: &Track, supply: &Supply, left_s: f64) -> (f64, Event) {
        if self.v_m_s != 0.0 {
            self.spots.iter_mut().for_each(|spot| spot.touch = Touch::None);
        }
        let ground = Ground::under(vehicle, track, &self.spots, self.x_m);
        let gear = self.gear.map(|g| vehicle.gears[g]);
        let direction = if self.v_m_s != 0.0 {
            self.v_m_s.signum()
        } else {
            let way = Plant::way_from_rest(supply, &ground, gear.as_ref());
            if way == 0.0 {
                self.rest(vehicle, supply, &ground, left_s);
                return (left_s, Event::Clock);
            }
            self.set_off(way);
            way
        };
        let ground = if self.v_m_s == 0.0 { Ground::under(vehicle, track, &self.spots, self.x_m) } else { ground };
        let (air_n, air_n_s_m) = air_drag(vehicle, self.v_m_s);
        let resist_n = ground.grade_n + ground.obstacle_n + ground.rolling_n * direction - air_n;
        let drag_n_s_m = ground.drag_n_s_m + air_n_s_m;
        let thrust = gear.map(|g| {
            if self.slipping {
                self.spin_thrust(vehicle, &supply.line, &g, &ground)
            } else {
                let resist_now_n = resist_n + drag_n_s_m * self.v_m_s;
                thrust_of(&supply.line, &g, vehicle.rolling_mass_kg, self.v_m_s, direction, resist_now_n)
            }
        });
        if let (Some(g), Some(thrust)) = (&gear, &thrust) {
            self.check_grip(vehicle, &ground, g, thrust, direction);
        }
        let (mass_kg, force_n, damping) = match &thrust {
            Some(t) if !self.slipping => (t.mass_kg, t.force_n, t.damping_n_s_m),
            Some(_) => (vehicle.mass_kg, ground.grip_n, 0.0),
            None => (vehicle.rolling_mass_kg, 0.0, 0.0),
        };
        let motion = Piece::new(
            mass_kg,
            force_n - resist_n,
            damping + drag_n_s_m,
            ground.obstacle_n_m,
            self.v_m_s,
        );
        let (mut used_s, mut event) = self.next_event(vehicle, track, &motion, left_s, direction);
        let wheels = match (&gear, &thrust) {
            (Some(g), Some(t)) if self.slipping => Some(self.spin_piece(vehicle, g, t, &ground)),
            _ => None,
        };
        if let (Some(g), Some(t)) = (&gear, &thrust) {
            let (rim, way) = wheels.as_ref().map_or((&motion, direction), |wheels| (wheels, 1.0));
            if let Some(reversal_s) = t.reversal_s(rim, g, way, used_s) {
                (used_s, event) = (reversal_s, Event::Clock);
            }
        }
        if let Some(wheels) = &wheels
            && wheels.at(used_s).1 <= motion.at(used_s).1
        {
            used_s = regrip_s(wheels, &motion, used_s);
            event = Event::Clock;
            self.slipping = false;
        }
        self.book(vehicle, supply, &ground, gear.as_ref(), thrust.as_ref(), &motion, wheels.as_ref(), used_s);
        self.apply(vehicle, track, supply, event, direction > 0.0);
        (used_s, event)
    }

    /// Which way a vehicle at rest starts: 1, -1, or 0 when friction and drive hold it.
    fn way_from_rest(supply: &Supply, ground: &Ground, gear: Option<&Gear>) -> f64 {
        let (push_n, hold_n) = gear.map_or((0.0, 0.0), |g| {
            let push = supply.line.stall_nm() * g.turn_rad_m * g.efficiency;
            let hold = (supply.line.electrical_stall_nm + supply.line.friction_nm) * g.turn_rad_m
                / g.back_efficiency;
            (push.min(ground.grip_n), hold.min(ground.grip_n))
        });
        let slope_n = ground.grade_n + ground.obstacle_n;
        if push_n - slope_n > ground.rolling_n + ground.front_n + hold_when_free(gear, supply) {
            1.0
        } else if slope_n - hold_n > ground.rolling_n + ground.behind_n {
            -1.0
        } else {
            0.0
        }
    }

    /// Leaves rest: wheels that touch an obstacle in the way mount it.
    fn set_off(&mut self, way: f64) {
        for spot in &mut self.spots {
            match spot.touch {
                Touch::Front if way > 0.0 => spot.on = true,
                Touch::Behind if way < 0.0 => {
                    spot.ahead -= 1;
                    spot.on = true;
                }
                _ => {}
            }
            spot.touch = Touch::None;
        }
    }

    /// Stays where it is: the motor stalls, or the wheels spin.
    fn rest(&mut self, vehicle: &Vehicle, supply: &Supply, ground: &Ground, dt_s: f64) {
        let Some(gear) = self.gear.map(|g| vehicle.gears[g]) else {
            self.spin_free(vehicle, supply, dt_s);
            return;
        };
        let thrust = thrust_of(&supply.line, &gear, vehicle.rolling_mass_kg, 0.0, 1.0, 0.0);
        if self.slipping || thrust.force_n > ground.grip_n {
            self.slipping = true;
            let thrust = self.spin_thrust(vehicle, &supply.line, &gear, ground);
            let wheels = self.spin_piece(vehicle, &gear, &thrust, ground);
            let used_s = wheels.stop_s().min(dt_s);
            let (turned_m, end) = wheels.at(used_s);
            self.book_motor(vehicle, supply, &gear, &thrust, &wheels, used_s);
            self.ledger.slip_j += ground.grip_n * turned_m;
            self.motor_rad_s = end.max(0.0) * gear.turn_rad_m;
            self.output_nm = ground.grip_n * vehicle.wheel_radius_m;
            self.stress.push(self.output_nm);
            if used_s < dt_s {
                self.slipping = false;
                self.motor_rad_s = 0.0;
            }
            return;
        }
        self.motor_rad_s = 0.0;
        let stall_a = supply.line.stall_a;
        self.book_current(supply, stall_a * dt_s, stall_a * stall_a * dt_s);
        let load_n = ground.grade_n + ground.obstacle_n;
        self.output_nm = vehicle.wheel_radius_m
            * if supply.driven {
                thrust.force_n.max(load_n)
            } else {
                load_n.clamp(-ground.rolling_n, gear.turn_rad_m * supply.line.friction_nm / gear.back_efficiency)
            };
        self.stress.push(self.output_nm);
    }

    /// Neutral: the motor runs on its own.
    fn spin_free(&mut self, vehicle: &Vehicle, supply: &Supply, dt_s: f64) {
        let inertia = vehicle.rotor_kg_m2;
        let line = &supply.line;
        let way = if self.motor_rad_s < 0.0 { -1.0 } else { 1.0 };
        let piece = Piece::new(
            inertia,
            line.electrical_stall_nm - line.friction_nm * way,
            line.slope_nm_s,
            0.0,
            self.motor_rad_s,
        );
        let at_rest = self.motor_rad_s == 0.0 && line.stall_nm() <= 0.0;
        let used_s = if at_rest { 0.0 } else { piece.stop_s().min(dt_s) };
        let (turned, end) = piece.at(used_s);
        let squared = piece.squared(used_s);
        let slope = line.slope_a_s;
        self.book_current(
            supply,
            line.stall_a * used_s - slope * turned,
            line.stall_a * (line.stall_a * used_s - 2.0 * slope * turned) + slope * slope * squared,
        );
        let electrical_j = line.electrical_stall_nm * turned - line.slope_nm_s * squared;
        self.ledger.motor_friction_j += line.friction_nm * turned.abs() + iron_loss_j(vehicle, electrical_j);
        self.motor_turned_rad += turned;
        self.motor_rad_s = if used_s < dt_s { 0.0 } else { end };
    }

    /// Wheels begin to slip when the contact would have to carry more than the grip.
    fn check_grip(&mut self, vehicle: &Vehicle, ground: &Ground, gear: &Gear, thrust: &Thrust, way: f64) {
        if self.slipping {
            return;
        }
        let push_n = thrust.force_n - thrust.damping_n_s_m * self.v_m_s;
        let resist_n = ground.grade_n + ground.obstacle_n + ground.rolling_n * way;
        let acceleration = (push_n - resist_n) / thrust.mass_kg;
        let spinning_kg = vehicle.wheel_kg + thrust.efficiency * gear.rotor_kg;
        self.slipping = push_n - spinning_kg * acceleration > ground.grip_n;
    }

    /// How the drive line acts on slipping wheels: they turn forward against the grip.
    fn spin_thrust(&self, vehicle: &Vehicle, line: &Line, gear: &Gear, ground: &Ground) -> Thrust {
        thrust_of(line, gear, vehicle.wheel_kg, self.motor_rad_s / gear.turn_rad_m, 1.0, ground.grip_n)
    }

    /// Motion of slipping wheels at the rim.
    fn spin_piece(&self, vehicle: &Vehicle, gear: &Gear, thrust: &Thrust, ground: &Ground) -> Piece {
        let rim_m_s = self.motor_rad_s / gear.turn_rad_m;
        let mass_kg = vehicle.wheel_kg + thrust.efficiency * gear.rotor_kg;
        Piece::new(mass_kg, thrust.force_n - ground.grip_n, thrust.damping_n_s_m, 0.0, rim_m_s)
    }

    /// The first event of a piece, within `left_s`.
    fn next_event(
        &self,
        vehicle: &Vehicle,
        track: &Track,
        motion: &Piece,
        left_s: f64,
        way: f64,
    ) -> (f64, Event) {
        let stop_s = motion.stop_s();
        let (late_s, late_event) = if stop_s < left_s { (stop_s, Event::Stop) } else { (left_s, Event::Clock) };
        let (distance, event) = if way > 0.0 {
            self.nearest_ahead(vehicle, track)
        } else {
            self.nearest_behind(vehicle, track)
        };
        let reached = motion.at(late_s).0 * way >= distance;
        if reached {
            (if distance <= 0.0 { 0.0 } else { motion.reach_s(distance * way, late_s) }, event)
        } else {
            (late_s, late_event)
        }
    }

    fn nearest_ahead(&self, vehicle: &Vehicle, track: &Track) -> (f64, Event) {
        let mut best = (track.course.length_m - self.x_m, Event::Finish);
        for (i, (axle, spot)) in vehicle.axles[..vehicle.axle_count].iter().zip(&self.spots).enumerate() {
            let at = self.x_m - axle.behind_front_m;
            let border = track.stretches[spot.stretch].end_m - at;
            if border < best.0 {
                best = (border, Event::Stretch { axle: i });
            }
            if let Some(hurdle) = track.hurdles.get(spot.ahead) {
                let (to, event) = if spot.on {
                    (hurdle.end_m(axle.driven), Event::Leave { axle: i })
                } else {
                    (hurdle.begin_m(axle.driven), Event::Mount { axle: i })
                };
                if to - at < best.0 {
                    best = (to - at, event);
                }
            }
        }
        best
    }

    fn nearest_behind(&self, vehicle: &Vehicle, track: &Track) -> (f64, Event) {
        let mut best = (f64::INFINITY, Event::Clock);
        for (i, (axle, spot)) in vehicle.axles[..vehicle.axle_count].iter().zip(&self.spots).enumerate() {
            let at = self.x_m - axle.behind_front_m;
            let border = at - track.stretches[spot.stretch].start_m;
            if border < best.0 {
                best = (border, Event::Stretch { axle: i });
            }
            let to = if spot.on {
                Some((track.hurdles[spot.ahead].begin_m(axle.driven), Event::Leave { axle: i }))
            } else {
                spot.ahead.checked_sub(1).map(|b| (track.hurdles[b].end_m(axle.driven), Event::Mount { axle: i }))
            };
            if let Some((to, event)) = to
                && at - to < best.0
            {
                best = (at - to, event);
            }
        }
        best
    }

    /// Moves the state to the end of the piece and books its energies.
    #[expect(clippy::too_many_arguments, reason = "one piece, seen from vehicle, drive and ground")]
    fn book(
        &mut self,
        vehicle: &Vehicle,
        supply: &Supply,
        ground: &Ground,
        gear: Option<&Gear>,
        thrust: Option<&Thrust>,
        motion: &Piece,
        wheels: Option<&Piece>,
        dt_s: f64,
    ) {
        let (moved_m, end_m_s) = motion.at(dt_s);
        let squared = motion.squared(dt_s);
        let (air_n, air_n_s_m) = air_drag(vehicle, self.v_m_s);
        self.ledger.rolling_j += ground.rolling_n * moved_m.abs();
        self.ledger.drag_j += (ground.drag_n_s_m + air_n_s_m) * squared - air_n * moved_m;
        self.ledger.potential_j +=
            (ground.grade_n + ground.obstacle_n) * moved_m - 0.5 * ground.obstacle_n_m * moved_m * moved_m;
        match (gear, thrust) {
            (Some(g), Some(t)) => {
                let rim = wheels.unwrap_or(motion);
                let rim_end = self.book_motor(vehicle, supply, g, t, rim, dt_s);
                if let Some(wheels) = wheels {
                    self.ledger.slip_j += ground.grip_n * (wheels.at(dt_s).0 - moved_m);
                }
                self.motor_rad_s = rim_end * g.turn_rad_m;
                // Torque jumps where a piece begins and falls or rises from there: both ends count.
                for at_s in [0.0, dt_s] {
                    self.output_nm = vehicle.wheel_radius_m * t.output_n(rim, g, at_s);
                    self.stress.push(self.output_nm);
                }
            }
            _ => self.spin_free(vehicle, supply, dt_s),
        }
        self.x_m += moved_m;
        self.v_m_s = end_m_s;
    }

    /// Books current, motor friction and gearing over a piece of rim motion; returns the rim speed at its end.
    fn book_motor(
        &mut self,
        vehicle: &Vehicle,
        supply: &Supply,
        gear: &Gear,
        thrust: &Thrust,
        rim: &Piece,
        dt_s: f64,
    ) -> f64 {
        let (moved_m, end) = rim.at(dt_s);
        let start = rim.at(0.0).1;
        let squared = rim.squared(dt_s);
        let line = &supply.line;
        let slope = line.slope_a_s * gear.turn_rad_m;
        self.book_current(
            supply,
            line.stall_a * dt_s - slope * moved_m,
            line.stall_a * (line.stall_a * dt_s - 2.0 * slope * moved_m) + slope * slope * squared,
        );
        let friction_j = line.friction_nm * gear.turn_rad_m * moved_m.abs();
        self.ledger.motor_friction_j += friction_j;
        let electrical_j = line.electrical_stall_nm * gear.turn_rad_m * moved_m
            - line.slope_nm_s * gear.turn_rad_m * gear.turn_rad_m * squared;
        self.ledger.motor_friction_j += iron_loss_j(vehicle, electrical_j);
        let rotor_j = 0.5 * gear.rotor_kg * (end * end - start * start);
        let into_gears_j = electrical_j - friction_j - rotor_j;
        self.ledger.gearing_j += (1.0 - thrust.efficiency) * into_gears_j;
        self.motor_turned_rad += gear.turn_rad_m * moved_m;
        end
    }

    fn book_current(&mut self, supply: &Supply, charge_as: f64, squared_a2s: f64) {
        if !supply.driven {
            return;
        }
        self.ledger.battery_j += supply.ocv_v * supply.duty * charge_as;
        self.ledger.source_j += supply.source_ohm * supply.duty * supply.duty * squared_a2s;
        self.ledger.winding_j += supply.winding_ohm * squared_a2s;
    }

    /// What happens at the end of a piece.
    fn apply(&mut self, vehicle: &Vehicle, track: &Track, supply: &Supply, event: Event, forward: bool) {
        match event {
            Event::Clock => {}
            Event::Stop => self.come_to_rest(),
            Event::Finish => self.x_m = track.course.length_m,
            Event::Stretch { axle } => {
                let spot = &mut self.spots[axle];
                let from = &track.stretches[spot.stretch];
                let border = if forward { from.end_m } else { from.start_m };
                spot.stretch = if forward { spot.stretch + 1 } else { spot.stretch - 1 };
                self.x_m = border + vehicle.axles[axle].behind_front_m;
            }
            Event::Mount { axle } => self.mount(vehicle, track, axle, forward),
            Event::Leave { axle } => self.leave(vehicle, track, supply, axle, forward),
        }
    }

    fn come_to_rest(&mut self) {
        self.v_m_s = 0.0;
        if self.gear.is_some() && !self.slipping {
            self.motor_rad_s = 0.0;
        }
    }

    fn mount(&mut self, vehicle: &Vehicle, track: &Track, axle: usize, forward: bool) {
        let a = vehicle.axles[axle];
        let spot = &mut self.spots[axle];
        if !forward {
            spot.ahead -= 1;
        }
        spot.on = true;
        let hurdle = &track.hurdles[spot.ahead];
        let at = if forward { hurdle.begin_m(a.driven) } else { hurdle.end_m(a.driven) };
        self.x_m = at + a.behind_front_m;
        if forward || hurdle.both_sides {
            self.strike(vehicle, axle, hurdle.contact(a.driven).cosine);
        }
    }

    fn leave(&mut self, vehicle: &Vehicle, track: &Track, supply: &Supply, axle: usize, forward: bool) {
        let a = vehicle.axles[axle];
        let hurdle = &track.hurdles[self.spots[axle].ahead];
        let at = if forward { hurdle.end_m(a.driven) } else { hurdle.begin_m(a.driven) };
        self.x_m = at + a.behind_front_m;
        if hurdle.both_sides || !forward {
            self.strike(vehicle, axle, hurdle.contact(a.driven).cosine);
        }
        let spot = &mut self.spots[axle];
        spot.on = false;
        if forward {
            spot.ahead += 1;
        }
        if hurdle.both_sides || !forward {
            self.rest_against(vehicle, track, supply, axle, forward);
        }
    }

    /// A wheel that has slowly rolled back off an obstacle and is pushed against it again just rests there:
    /// otherwise it would bounce in ever shorter pieces.
    fn rest_against(&mut self, vehicle: &Vehicle, track: &Track, supply: &Supply, axle: usize, forward: bool) {
        if self.v_m_s.abs() > BOUNCE_M_S {
            return;
        }
        let ground = Ground::under(vehicle, track, &self.spots, self.x_m);
        let gear = self.gear.map(|g| vehicle.gears[g]);
        let push_n = gear.map_or(0.0, |g| supply.line.stall_nm() * g.turn_rad_m * g.efficiency);
        let net_n = push_n.min(ground.grip_n.max(0.0)) - ground.grade_n - ground.obstacle_n;
        let pushed_back = if forward { net_n < -ground.rolling_n } else { net_n > -ground.rolling_n };
        if pushed_back {
            let lost = self.kinetic_j(vehicle);
            self.come_to_rest();
            self.ledger.strike_j += lost - self.kinetic_j(vehicle);
            self.spots[axle].touch = if forward { Touch::Behind } else { Touch::Front };
        }
    }

    /// Plastic strike of one axle: its share of mass keeps `cosine` of its speed.
    fn strike(&mut self, vehicle: &Vehicle, axle: usize, cosine: f64) {
        let rotor_kg = match self.gear {
            Some(gear) if !self.slipping => vehicle.gears[gear].rotor_kg,
            _ => 0.0,
        };
        // Slipping wheels turn on their own and take no part.
        let total_kg = if self.slipping { vehicle.mass_kg } else { vehicle.rolling_mass_kg + rotor_kg };
        let share_kg = vehicle.mass_kg * vehicle.axles[axle].load_share;
        let kept = 1.0 - share_kg * (1.0 - cosine) / total_kg;
        let lost_m_s = self.v_m_s * (1.0 - kept);
        self.ledger.strike_j += 0.5 * total_kg * self.v_m_s * self.v_m_s * (1.0 - kept * kept);
        self.v_m_s *= kept;
        if rotor_kg > 0.0 {
            if let Some(gear) = self.gear {
                self.motor_rad_s = self.v_m_s * vehicle.gears[gear].turn_rad_m;
            }
            let radius = vehicle.wheel_radius_m;
            let reduced_kg = vehicle.rolling_mass_kg * rotor_kg / total_kg;
            self.shock(lost_m_s / radius * (vehicle.stiffness_nm_rad * reduced_kg).sqrt() * radius);
        }
    }
}

/// Friction of an undriven motor in gear that holds a vehicle against a push forward, N; 0 when driven.
fn hold_when_free(gear: Option<&Gear>, supply: &Supply) -> f64 {
    gear.map_or(0.0, |g| {
        let net = supply.line.friction_nm - supply.line.electrical_stall_nm;
        net.max(0.0) * g.turn_rad_m / g.back_efficiency
    })
}

/// Drive force `force - damping v` and moving mass in a gear that carries `carried_kg` against `resist_n` at the
/// speed `v_m_s`. The efficiency acts on the torque that passes the gears, the rotor's inertia torque included;
/// it turns into its reciprocal when the wheels drive. Torque passes from motor to wheels when the motor's
/// `T` and the rotor's share of the deceleration together are positive: `T M + resist m_rotor > 0`.
fn thrust_of(line: &Line, gear: &Gear, carried_kg: f64, v_m_s: f64, way: f64, resist_n: f64) -> Thrust {
    let constant_nm = line.electrical_stall_nm - line.friction_nm * way;
    let torque_nm = constant_nm - line.slope_nm_s * gear.turn_rad_m * v_m_s;
    let passing = torque_nm * gear.turn_rad_m * carried_kg + resist_n * gear.rotor_kg;
    let efficiency = if passing * way >= 0.0 { gear.efficiency } else { 1.0 / gear.back_efficiency };
    Thrust {
        force_n: efficiency * gear.turn_rad_m * constant_nm,
        damping_n_s_m: efficiency * gear.turn_rad_m * gear.turn_rad_m * line.slope_nm_s,
        mass_kg: carried_kg + efficiency * gear.rotor_kg,
        efficiency,
    }
}

/// Torque constant and back-EMF constant of a data sheet differ a little; what the back-EMF takes from the
/// circuit and the torque does not deliver is iron loss, booked as motor friction.
fn iron_loss_j(vehicle: &Vehicle, electrical_j: f64) -> f64 {
    electrical_j * (vehicle.motor.emf_constant_v_s / vehicle.motor.torque_constant_nm_a - 1.0)
}

/// Air drag `0.5 rho c_d A v²` (rho = 1.2 kg/m³), linear about the present speed: `-constant + slope v`.
fn air_drag(vehicle: &Vehicle, v_m_s: f64) -> (f64, f64) {
    let half = 0.6 * vehicle.drag_area_m2;
    (half * v_m_s * v_m_s.abs(), 2.0 * half * v_m_s.abs())
}

/// When slipping wheels and vehicle have the same speed again, s; they have by `late_s`. Bisection.
fn regrip_s(wheels: &Piece, motion: &Piece, late_s: f64) -> f64 {
    let (mut low, mut high) = (0.0, late_s);
    for _ in 0..50 {
        let mid = 0.5 * (low + high);
        if wheels.at(mid).1 <= motion.at(mid).1 { high = mid } else { low = mid }
    }
    high
}

