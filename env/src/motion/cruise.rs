//! Cruising: a piece of plain driving that lasts for several controller ticks.
//!
//! While a gear is engaged, the wheels grip and no axle meets a border or an obstacle, nothing happens but the
//! closed-form motion itself. Such a piece is begun once, looked at tick by tick, and booked when it ends or when
//! anybody wants to know the energies. Battery voltage and winding resistance are held over it.

use super::piece::Decay;
use super::step::Acting;
use super::supply::{Supply, Thrust};
use super::{Piece, Plant, Track};
use crate::vehicle::Vehicle;

/// Ticks that a piece may last: battery and heat follow at least that often.
const MOST_TICKS: u32 = 8;

/// A piece of plain driving under way.
#[derive(Clone, Debug)]
pub(super) struct Cruise {
    supply: Supply,
    thrust: Thrust,
    rolling_n: f64,
    body: Piece,
    decay: Option<Decay>,
    start_x_m: f64,
    start_turned_rad: f64,
    turn_rad_m: f64,
    ticks: u32,
    most: u32,
}

impl Plant {
    /// Drives on for one controller tick if it is plain driving at `duty`, as part of a piece of up to `horizon`
    /// ticks. Returns false, and does nothing, when it is not: [`Plant::advance`] can do everything.
    ///
    /// Until [`Plant::book`] is called only position, speed, motor and sensors are up to date.
    pub fn cruise(&mut self, vehicle: &Vehicle, track: &Track, duty: f64, horizon: u32) -> bool {
        match &self.cruise {
            Some(under_way) if under_way.supply.duty == duty && under_way.ticks < under_way.most => {}
            _ => {
                self.book(vehicle);
                self.cruise = self.begin_cruise(vehicle, track, duty, horizon.min(MOST_TICKS));
            }
        }
        let Some(cruise) = &mut self.cruise else { return false };
        cruise.ticks += 1;
        let at_s = f64::from(cruise.ticks) * vehicle.tick_s;
        let (moved_m, speed_m_s) = match &mut cruise.decay {
            Some(decay) => decay.step(at_s),
            None => cruise.body.at(at_s),
        };
        self.x_m = cruise.start_x_m + moved_m;
        self.v_m_s = speed_m_s;
        self.motor_rad_s = speed_m_s * cruise.turn_rad_m;
        self.motor_turned_rad = cruise.start_turned_rad + moved_m * cruise.turn_rad_m;
        (self.current_a, self.terminal_v) = cruise.supply.at_motor(self.motor_rad_s);
        true
    }

    fn begin_cruise(&mut self, vehicle: &Vehicle, track: &Track, duty: f64, horizon: u32) -> Option<Cruise> {
        let gear = self.gear.map(|g| &vehicle.gears[g])?;
        if self.v_m_s <= 0.0 || self.slipping {
            return None;
        }
        self.look_around(vehicle, track);
        if self.ground.touching || self.ground.fall_n_m != 0.0 {
            return None;
        }
        let supply = self.supply(vehicle, duty);
        let Acting { press, thrust: Some(thrust), body, rims: None } =
            self.acting(vehicle, &supply, Some(gear), 1.0)
        else {
            return None;
        };
        let room_m = self.reach.ahead_m - self.x_m;
        let most = (1..=horizon).rev().find(|&ticks| {
            let late = body.moment(f64::from(ticks) * vehicle.tick_s);
            late.speed_m_s > 0.0 && late.distance_m < room_m && thrust.keeps_side(gear, 1.0, &late)
        })?;
        Some(Cruise {
            supply,
            thrust,
            rolling_n: press.rolling_n,
            decay: body.decay(vehicle.tick_s),
            body,
            start_x_m: self.x_m,
            start_turned_rad: self.motor_turned_rad,
            turn_rad_m: gear.turn_rad_m,
            ticks: 0,
            most,
        })
    }

    /// Books the plain driving since the last booking: energies, torque history, heat and charge.
    pub fn book(&mut self, vehicle: &Vehicle) {
        let Some(cruise) = self.cruise.take() else { return };
        let Some(gear) = self.gear.map(|g| &vehicle.gears[g]) else { return };
        let before = self.ledger.heat();
        let lasted_s = f64::from(cruise.ticks) * vehicle.tick_s;
        let end = cruise.body.moment(lasted_s);
        self.x_m = cruise.start_x_m;
        self.v_m_s = cruise.body.start().0;
        self.motor_turned_rad = cruise.start_turned_rad;
        let Cruise { supply, thrust, body, .. } = &cruise;
        self.book_drive(vehicle, supply, gear, thrust, body, &end, lasted_s);
        self.book_ground(vehicle, cruise.rolling_n, &end);
        self.settle(vehicle, before, cruise.ticks);
    }
}
