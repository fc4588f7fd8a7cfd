//! One piece of motion: the forces on it, and what ends it.

use super::forces::{Ground, Press, Touch};
use super::supply::{Supply, Thrust, air_drag, hold_when_free, thrust_of};
use super::{Moment, Piece, Plant, Track};
use crate::vehicle::{Gear, Line, Vehicle};

/// What ends a piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Event {
    Clock,
    Stop,
    Finish,
    Stretch { axle: usize },
    Mount { axle: usize },
    Leave { axle: usize },
}

/// The next event on either side, by the position of the front axle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Reach {
    pub(super) ahead_m: f64,
    ahead: Event,
    behind_m: f64,
    behind: Event,
}

impl Reach {
    pub(super) const NONE: Reach = Reach {
        ahead_m: f64::INFINITY,
        ahead: Event::Clock,
        behind_m: f64::NEG_INFINITY,
        behind: Event::Clock,
    };
}

/// Everything that acts over one piece.
pub(super) struct Acting {
    pub(super) press: Press,
    pub(super) thrust: Option<Thrust>,
    /// Motion of the vehicle.
    pub(super) body: Piece,
    /// Motion of the rims while they slip, and which way they turn.
    pub(super) rims: Option<(Piece, f64)>,
}

/// What holds the vehicle back, rolling resistance left out.
struct Resistance {
    /// At standstill, N.
    steady_n: f64,
    /// What speed adds, N·s/m.
    drag_n_s_m: f64,
    /// At the present speed, N.
    now_n: f64,
}

impl Plant {
    /// One piece of motion: returns its length and what ended it.
    pub(super) fn piece(
        &mut self,
        vehicle: &Vehicle,
        track: &Track,
        supply: &Supply,
        left_s: f64,
    ) -> (f64, Event) {
        if self.v_m_s != 0.0 && self.ground.touching {
            self.spots.iter_mut().for_each(|spot| spot.touch = Touch::None);
            self.moved_on = true;
        }
        self.look_around(vehicle, track);
        let gear = self.gear.map(|g| &vehicle.gears[g]);
        let way = if self.v_m_s != 0.0 {
            self.v_m_s.signum()
        } else {
            let way = self.way_from_rest(supply, gear);
            if way == 0.0 {
                self.rest(vehicle, supply, left_s);
                return (left_s, Event::Clock);
            }
            self.set_off(way);
            self.look_around(vehicle, track);
            way
        };
        let acting = self.acting(vehicle, supply, gear, way);
        let (mut used_s, mut event, mut end) = self.next_event(&acting.body, left_s, way);
        let mut rim_end = acting.rims.as_ref().map_or(end, |(rims, _)| rims.moment(used_s));
        if let (Some(g), Some(t)) = (gear, &acting.thrust) {
            let (rim, way) = acting.rims.as_ref().map_or((&acting.body, way), |(rims, way)| (rims, *way));
            if let Some(at_s) = t.reversal_s(rim, g, way, used_s, &rim_end) {
                (used_s, event) = (at_s, Event::Clock);
                (end, rim_end) = (acting.body.moment(at_s), rim.moment(at_s));
            }
        }
        if let (Some(g), Some(t), None) = (gear, &acting.thrust, &acting.rims)
            && let Some(at_s) = self.slips_s(vehicle, g, t, &acting.body, used_s, &end)
        {
            (used_s, event) = (at_s, Event::Clock);
            (end, rim_end) = (acting.body.moment(at_s), acting.body.moment(at_s));
        }
        if let Some((rims, rim_way)) = &acting.rims
            && rim_end.speed_m_s * rim_way < 0.0
            && rims.stop_s() < used_s
        {
            // Friction turns round with the wheels.
            (used_s, event) = (rims.stop_s(), Event::Clock);
            (end, rim_end) = (acting.body.moment(used_s), Moment { speed_m_s: 0.0, ..rims.moment(used_s) });
        }
        if let Some((rims, _)) = &acting.rims
            && rim_end.speed_m_s <= end.speed_m_s
        {
            (used_s, event) = (regrip_s(rims, &acting.body, used_s), Event::Clock);
            (end, rim_end) = (acting.body.moment(used_s), rims.moment(used_s));
            self.slipping = false;
        }
        match (gear, &acting.thrust) {
            (Some(g), Some(t)) => {
                let rim = acting.rims.as_ref().map_or(&acting.body, |(rims, _)| rims);
                self.book_drive(vehicle, supply, g, t, rim, &rim_end, used_s);
                self.ledger.slip_j += acting.press.grip_n * (rim_end.distance_m - end.distance_m);
            }
            _ => self.spin_free(vehicle, supply, used_s),
        }
        self.book_ground(vehicle, &acting.press, &end);
        self.apply(vehicle, track, supply, event, way > 0.0);
        (used_s, event)
    }

    /// Sums up ground and obstacles anew after an axle has met a border or an obstacle.
    pub(super) fn look_around(&mut self, vehicle: &Vehicle, track: &Track) {
        if self.moved_on {
            self.ground = Ground::under(vehicle, track, &self.spots);
            self.reach = self.reach(vehicle, track);
            self.moved_on = false;
        }
    }

    /// Forces and closed-form motion from here on.
    pub(super) fn acting(
        &mut self,
        vehicle: &Vehicle,
        supply: &Supply,
        gear: Option<&Gear>,
        way: f64,
    ) -> Acting {
        let resistance = self.resistance(vehicle);
        let Some(gear) = gear else {
            let mass_kg = vehicle.rolling_mass_kg;
            let press = self.ground.driven(-resistance.now_n, mass_kg, way);
            self.grip_n = press.grip_n;
            let body = self.body(&resistance, &press, way, mass_kg, [0.0, 0.0]);
            return Acting { thrust: None, body, rims: None, press };
        };
        if !self.slipping {
            if let Some((press, thrust, body)) = self.gripping(vehicle, supply, gear, way) {
                self.grip_n = press.grip_n;
                return Acting { thrust: Some(thrust), body, rims: None, press };
            }
            self.slipping = true;
        }
        let press = self.ground.slipping(resistance.now_n, vehicle.mass_kg, way);
        self.grip_n = press.grip_n;
        let rim_way = self.rim_way(&supply.line, gear);
        let thrust = self.spin_thrust(vehicle, &supply.line, gear, rim_way);
        let rims = (self.spin_piece(vehicle, gear, &thrust, rim_way), rim_way);
        let body = self.body(&resistance, &press, way, vehicle.mass_kg, [press.grip_n, 0.0]);
        Acting { thrust: Some(thrust), body, rims: Some(rims), press }
    }

    /// Loads, thrust and motion while the wheels grip; `None` where the contact would have to carry more than the grip.
    #[inline]
    pub(super) fn gripping(
        &self,
        vehicle: &Vehicle,
        supply: &Supply,
        gear: &Gear,
        way: f64,
    ) -> Option<(Press, Thrust, Piece)> {
        let (ground, v_m_s, resistance) = (&self.ground, self.v_m_s, self.resistance(vehicle));
        let lag_kg = ground.rolling_kg * way;
        let steady_n = resistance.now_n + ground.rolling_n * way;
        let thrust = thrust_of(&supply.line, gear, vehicle.rolling_mass_kg + lag_kg, v_m_s, way, steady_n);
        let push_n = thrust.force_n - thrust.damping_n_s_m * v_m_s;
        let mass_kg = thrust.mass_kg - lag_kg;
        let press = ground.driven(push_n - resistance.now_n, mass_kg, way);
        if !ground.carries(vehicle, gear, &thrust, v_m_s, press.acceleration_m_s2) {
            return None;
        }
        let body = self.body(&resistance, &press, way, mass_kg, [thrust.force_n, thrust.damping_n_s_m]);
        Some((press, thrust, body))
    }

    #[inline]
    fn resistance(&self, vehicle: &Vehicle) -> Resistance {
        let (air_n, air_n_s_m) = air_drag(vehicle, self.v_m_s);
        let steady_n = self.ground.grade_n + self.ground.obstacle_n(self.x_m) - air_n;
        let drag_n_s_m = self.ground.drag_n_s_m + air_n_s_m;
        Resistance { steady_n, drag_n_s_m, now_n: steady_n + drag_n_s_m * self.v_m_s }
    }

    /// Motion of the vehicle under a force that falls with the speed.
    #[inline]
    fn body(
        &self,
        resistance: &Resistance,
        press: &Press,
        way: f64,
        mass_kg: f64,
        [force_n, damping_n_s_m]: [f64; 2],
    ) -> Piece {
        Piece::new(
            mass_kg + press.rolling_kg * way,
            force_n - resistance.steady_n - press.rolling_n * way,
            damping_n_s_m + resistance.drag_n_s_m,
            self.ground.fall_n_m,
            self.v_m_s,
        )
    }

    /// Which way a vehicle at rest starts: 1, -1, or 0 when friction and drive hold it.
    fn way_from_rest(&self, supply: &Supply, gear: Option<&Gear>) -> f64 {
        let (ground, press) = (&self.ground, self.ground.steady());
        let pushing_grip_n = press.grip_n - ground.front_lost_n;
        let (push_n, hold_n, free_n) = match gear {
            None => (0.0, 0.0, 0.0),
            // Wheels that spin forward push with all their grip.
            Some(_) if self.slipping && self.motor_rad_s > 0.0 => (pushing_grip_n, press.grip_n, 0.0),
            Some(g) => {
                let push = supply.line.stall_nm() * g.turn_rad_m * g.efficiency;
                let hold = (supply.line.electrical_stall_nm + supply.line.friction_nm) * g.turn_rad_m
                    / g.back_efficiency;
                (push.min(pushing_grip_n), hold.min(press.grip_n), hold_when_free(g, supply))
            }
        };
        let slope_n = ground.grade_n + ground.obstacle_n(self.x_m);
        if push_n - slope_n > press.rolling_n + ground.front_n + free_n {
            1.0
        } else if slope_n - hold_n > press.rolling_n + ground.behind_n {
            -1.0
        } else {
            0.0
        }
    }

    /// Leaves rest: wheels that touch an obstacle in the way mount it.
    pub(super) fn set_off(&mut self, way: f64) {
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
        self.moved_on = true;
    }

    /// When the wheels begin to slip before the moment `late` at `late_s`. Bisection.
    fn slips_s(
        &self,
        vehicle: &Vehicle,
        gear: &Gear,
        thrust: &Thrust,
        body: &Piece,
        late_s: f64,
        late: &Moment,
    ) -> Option<f64> {
        let carries =
            |m: &Moment| self.ground.carries(vehicle, gear, thrust, m.speed_m_s, m.acceleration_m_s2);
        if carries(late) {
            return None;
        }
        let (mut low, mut high) = (0.0, late_s);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if carries(&body.moment(middle)) { low = middle } else { high = middle }
        }
        Some(high).filter(|&at| at < late_s)
    }

    /// Which way slipping wheels turn: 1, -1, or 0 when they are at rest and drive and friction keep them there
    /// against the grip.
    pub(super) fn rim_way(&self, line: &Line, gear: &Gear) -> f64 {
        if self.motor_rad_s != 0.0 {
            return self.motor_rad_s.signum();
        }
        let push_n = line.stall_nm() * gear.turn_rad_m * gear.efficiency;
        let hold_n = (line.electrical_stall_nm + line.friction_nm) * gear.turn_rad_m / gear.back_efficiency;
        if push_n > self.grip_n {
            1.0
        } else if hold_n < self.grip_n {
            -1.0
        } else {
            0.0
        }
    }

    /// How the drive line acts on slipping wheels, which the grip holds back.
    pub(super) fn spin_thrust(&self, vehicle: &Vehicle, line: &Line, gear: &Gear, way: f64) -> Thrust {
        let rim_m_s = self.motor_rad_s / gear.turn_rad_m;
        thrust_of(line, gear, vehicle.wheel_kg, rim_m_s, if way < 0.0 { -1.0 } else { 1.0 }, self.grip_n)
    }

    /// Motion of slipping wheels at the rim.
    pub(super) fn spin_piece(&self, vehicle: &Vehicle, gear: &Gear, thrust: &Thrust, way: f64) -> Piece {
        let mass_kg = vehicle.wheel_kg + thrust.efficiency * gear.rotor_kg;
        if way == 0.0 {
            return Piece::new(mass_kg, 0.0, 0.0, 0.0, 0.0);
        }
        let rim_m_s = self.motor_rad_s / gear.turn_rad_m;
        Piece::new(mass_kg, thrust.force_n - self.grip_n, thrust.damping_n_s_m, 0.0, rim_m_s)
    }

    /// The first event of a piece, within `left_s`.
    fn next_event(&self, motion: &Piece, left_s: f64, way: f64) -> (f64, Event, Moment) {
        let (mut late_s, mut late_event, mut late) = (left_s, Event::Clock, motion.moment(left_s));
        if late.speed_m_s * way <= 0.0 {
            let stop_s = motion.stop_s();
            if stop_s < left_s {
                (late_s, late_event, late) = (stop_s, Event::Stop, motion.moment(stop_s));
            }
        }
        let (distance_m, event) = if way > 0.0 {
            (self.reach.ahead_m - self.x_m, self.reach.ahead)
        } else {
            (self.x_m - self.reach.behind_m, self.reach.behind)
        };
        if late.distance_m * way < distance_m {
            return (late_s, late_event, late);
        }
        let at_s = if distance_m <= 0.0 { 0.0 } else { motion.reach_s(distance_m * way, late_s) };
        (at_s, event, motion.moment(at_s))
    }

    fn reach(&self, vehicle: &Vehicle, track: &Track) -> Reach {
        let mut reach = Reach { ahead_m: track.course.length_m, ahead: Event::Finish, ..Reach::NONE };
        for (i, (axle, spot)) in vehicle.axles[..vehicle.axle_count].iter().zip(&self.spots).enumerate() {
            let stretch = &track.stretches[spot.stretch];
            reach.note_ahead(stretch.end_m + axle.behind_front_m, Event::Stretch { axle: i });
            reach.note_behind(stretch.start_m + axle.behind_front_m, Event::Stretch { axle: i });
            let behind = if spot.on { None } else { spot.ahead.checked_sub(1) };
            if let Some(hurdle) = track.hurdles.get(spot.ahead) {
                let (begin_m, end_m) = (hurdle.begin_m(axle.driven), hurdle.end_m(axle.driven));
                if spot.on {
                    reach.note_ahead(end_m + axle.behind_front_m, Event::Leave { axle: i });
                    reach.note_behind(begin_m + axle.behind_front_m, Event::Leave { axle: i });
                } else {
                    reach.note_ahead(begin_m + axle.behind_front_m, Event::Mount { axle: i });
                }
            }
            if let Some(hurdle) = behind.map(|b| &track.hurdles[b]) {
                reach.note_behind(hurdle.end_m(axle.driven) + axle.behind_front_m, Event::Mount { axle: i });
            }
        }
        reach
    }
}

impl Reach {
    fn note_ahead(&mut self, at_m: f64, event: Event) {
        if at_m < self.ahead_m {
            (self.ahead_m, self.ahead) = (at_m, event);
        }
    }

    fn note_behind(&mut self, at_m: f64, event: Event) {
        if at_m > self.behind_m {
            (self.behind_m, self.behind) = (at_m, event);
        }
    }
}

/// When slipping wheels and vehicle have the same speed again, s; they have by `late_s`. Bisection.
fn regrip_s(wheels: &Piece, motion: &Piece, late_s: f64) -> f64 {
    let (mut low, mut high) = (0.0, late_s);
    for _ in 0..50 {
        let mid = 0.5 * (low + high);
        if wheels.moment(mid).speed_m_s <= motion.moment(mid).speed_m_s { high = mid } else { low = mid }
    }
    high
}
