//! One piece of motion: the forces on it, and what ends it.

use super::forces::{Ground, Touch};
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

impl Plant {
    /// One piece of motion: returns its length and what ended it.
    pub(super) fn piece(
        &mut self,
        vehicle: &Vehicle,
        track: &Track,
        supply: &Supply,
        left_s: f64,
    ) -> (f64, Event) {
        if self.v_m_s != 0.0 {
            self.spots.iter_mut().for_each(|spot| spot.touch = Touch::None);
        }
        let ground = Ground::under(vehicle, track, &self.spots, self.x_m);
        self.grip_n = ground.grip_n;
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
        let ground =
            if self.v_m_s == 0.0 { Ground::under(vehicle, track, &self.spots, self.x_m) } else { ground };
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
        let motion =
            Piece::new(mass_kg, force_n - resist_n, damping + drag_n_s_m, ground.obstacle_n_m, self.v_m_s);
        let (mut used_s, mut event, mut end) = self.next_event(vehicle, track, &motion, left_s, direction);
        let wheels = match (&gear, &thrust) {
            (Some(g), Some(t)) if self.slipping => Some(self.spin_piece(vehicle, g, t, &ground)),
            _ => None,
        };
        let mut rim_end = wheels.as_ref().map_or(end, |wheels| wheels.moment(used_s));
        if let (Some(g), Some(t)) = (&gear, &thrust) {
            let (rim, way) = wheels.as_ref().map_or((&motion, direction), |wheels| (wheels, 1.0));
            if let Some(at_s) = t.reversal_s(rim, g, way, used_s, &rim_end) {
                (used_s, event, end, rim_end) = (at_s, Event::Clock, motion.moment(at_s), rim.moment(at_s));
            }
        }
        if let Some(wheels) = &wheels
            && rim_end.speed_m_s <= end.speed_m_s
        {
            let at_s = regrip_s(wheels, &motion, used_s);
            (used_s, event, end, rim_end) = (at_s, Event::Clock, motion.moment(at_s), wheels.moment(at_s));
            self.slipping = false;
        }
        match (&gear, &thrust) {
            (Some(g), Some(t)) => {
                let rim = wheels.as_ref().unwrap_or(&motion);
                self.book_drive(vehicle, supply, g, t, rim, &rim_end, used_s);
                self.ledger.slip_j += ground.grip_n * (rim_end.distance_m - end.distance_m);
            }
            _ => self.spin_free(vehicle, supply, used_s),
        }
        self.book_ground(vehicle, &ground, &end);
        self.apply(vehicle, track, supply, event, direction > 0.0);
        (used_s, event)
    }

    /// Which way a vehicle at rest starts: 1, -1, or 0 when friction and drive hold it.
    pub(super) fn way_from_rest(supply: &Supply, ground: &Ground, gear: Option<&Gear>) -> f64 {
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
    }

    /// Wheels begin to slip when the contact would have to carry more than the grip.
    pub(super) fn check_grip(
        &mut self,
        vehicle: &Vehicle,
        ground: &Ground,
        gear: &Gear,
        thrust: &Thrust,
        way: f64,
    ) {
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
    pub(super) fn spin_thrust(&self, vehicle: &Vehicle, line: &Line, gear: &Gear, ground: &Ground) -> Thrust {
        thrust_of(line, gear, vehicle.wheel_kg, self.motor_rad_s / gear.turn_rad_m, 1.0, ground.grip_n)
    }

    /// Motion of slipping wheels at the rim.
    pub(super) fn spin_piece(
        &self,
        vehicle: &Vehicle,
        gear: &Gear,
        thrust: &Thrust,
        ground: &Ground,
    ) -> Piece {
        let rim_m_s = self.motor_rad_s / gear.turn_rad_m;
        let mass_kg = vehicle.wheel_kg + thrust.efficiency * gear.rotor_kg;
        Piece::new(mass_kg, thrust.force_n - ground.grip_n, thrust.damping_n_s_m, 0.0, rim_m_s)
    }

    /// The first event of a piece, within `left_s`.
    pub(super) fn next_event(
        &self,
        vehicle: &Vehicle,
        track: &Track,
        motion: &Piece,
        left_s: f64,
        way: f64,
    ) -> (f64, Event, Moment) {
        let stop_s = motion.stop_s();
        let (late_s, late_event) =
            if stop_s < left_s { (stop_s, Event::Stop) } else { (left_s, Event::Clock) };
        let (distance, event) =
            if way > 0.0 { self.nearest_ahead(vehicle, track) } else { self.nearest_behind(vehicle, track) };
        let late = motion.moment(late_s);
        if late.distance_m * way < distance {
            return (late_s, late_event, late);
        }
        let at_s = if distance <= 0.0 { 0.0 } else { motion.reach_s(distance * way, late_s) };
        (at_s, event, motion.moment(at_s))
    }

    pub(super) fn nearest_ahead(&self, vehicle: &Vehicle, track: &Track) -> (f64, Event) {
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

    pub(super) fn nearest_behind(&self, vehicle: &Vehicle, track: &Track) -> (f64, Event) {
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
                spot.ahead
                    .checked_sub(1)
                    .map(|b| (track.hurdles[b].end_m(axle.driven), Event::Mount { axle: i }))
            };
            if let Some((to, event)) = to
                && at - to < best.0
            {
                best = (at - to, event);
            }
        }
        best
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
