//! Cruising: a piece of plain driving that lasts for several controller ticks.
//!
//! While a gear is engaged, the wheels grip and no axle comes to a border or to the edge of an obstacle, nothing
//! happens but the closed-form motion itself. Such a piece is begun once, looked at tick by tick, and booked when it ends or when
//! anybody wants to know the energies. Battery voltage and winding resistance are held over it.

use super::forces::Press;
use super::step::Acting;
use super::supply::{Supply, Thrust};
use super::{Piece, Plant, Track};
use crate::vehicle::Vehicle;
use std::array::from_fn;

/// Ticks that a piece may last: battery and heat follow at least that often.
pub const BATCH: usize = 4;

/// A vehicle slower than this is not driving plainly, m/s.
const LEAST_M_S: f64 = 1e-3;

/// What sensors can see at the ends of the coming ticks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outlook<const N: usize> {
    /// Speed, m/s.
    pub speed_m_s: [f64; N],
    /// Motor angle turned since the start, rad.
    pub turned_rad: [f64; N],
    /// Motor current, A.
    pub current_a: [f64; N],
    /// Terminal voltage, V.
    pub terminal_v: [f64; N],
}

/// A piece of plain driving under way.
#[derive(Clone, Debug)]
pub(super) struct Cruise {
    supply: Supply,
    thrust: Thrust,
    press: Press,
    body: Piece,
    start_x_m: f64,
    start_turned_rad: f64,
    turn_rad_m: f64,
    moved_m: [f64; BATCH],
    outlook: Outlook<BATCH>,
    ticks: usize,
    most: usize,
}

/// What became of a tick of plain driving.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cruising {
    /// It is none: [`Plant::advance`] can do everything.
    No,
    /// It is the first of a piece; the outlook is new.
    Begun,
    /// It belongs to the piece under way.
    On,
}

impl Plant {
    /// Drives on for one controller tick if it is plain driving at `duty`, as part of a piece of up to `horizon`
    /// ticks. Until [`Plant::book`] is called only position, speed and motor are up to date.
    #[inline]
    pub fn cruise(&mut self, vehicle: &Vehicle, track: &Track, duty: f64, horizon: usize) -> Cruising {
        let under_way = self.cruise.as_ref().is_some_and(|c| c.ticks < c.most && c.supply.duty == duty);
        if !under_way {
            self.book(vehicle);
            self.cruise = self.begin_cruise(vehicle, track, duty, horizon.min(BATCH));
        }
        let Some(cruise) = &mut self.cruise else { return Cruising::No };
        let at = cruise.ticks % BATCH;
        cruise.ticks += 1;
        self.x_m = cruise.start_x_m + cruise.moved_m[at];
        self.v_m_s = cruise.outlook.speed_m_s[at];
        self.motor_rad_s = self.v_m_s * cruise.turn_rad_m;
        self.motor_turned_rad = cruise.outlook.turned_rad[at];
        self.current_a = cruise.outlook.current_a[at];
        self.terminal_v = cruise.outlook.terminal_v[at];
        if under_way { Cruising::On } else { Cruising::Begun }
    }

    /// What sensors can see during the piece under way.
    #[must_use]
    pub fn outlook(&self) -> Option<&Outlook<BATCH>> {
        self.cruise.as_ref().map(|cruise| &cruise.outlook)
    }

    /// What sensors can see now.
    #[must_use]
    pub fn present(&self) -> Outlook<1> {
        Outlook {
            speed_m_s: [self.v_m_s],
            turned_rad: [self.motor_turned_rad],
            current_a: [self.current_a],
            terminal_v: [self.terminal_v],
        }
    }

    fn begin_cruise(
        &mut self,
        vehicle: &Vehicle,
        track: &Track,
        duty: f64,
        horizon: usize,
    ) -> Option<Cruise> {
        let gear = self.gear.map(|g| &vehicle.gears[g])?;
        if self.v_m_s < LEAST_M_S || self.slipping {
            return None;
        }
        self.look_around(vehicle, track);
        if self.ground.touching {
            return None;
        }
        let supply = self.supply(vehicle, duty);
        let Acting { press, thrust: Some(thrust), body, rims: None } =
            self.acting(vehicle, &supply, Some(gear), 1.0)
        else {
            return None;
        };
        let room_m = self.reach.ahead_m - self.x_m;
        let (moved_m, speed_m_s) = body.at_steps::<BATCH>(vehicle.tick_s);
        let fits = |tick: usize| {
            let v_m_s = speed_m_s[tick];
            let acceleration_m_s2 = body.acceleration_at(moved_m[tick], v_m_s);
            v_m_s >= LEAST_M_S
                && moved_m[tick] < room_m
                && thrust.keeps_side(1.0, thrust.output_n(gear, v_m_s, acceleration_m_s2))
                && self.ground.carries(vehicle, gear, &thrust, v_m_s, acceleration_m_s2)
        };
        let most = (1..=horizon).rev().find(|&ticks| fits(ticks - 1))?;
        let turn_rad_m = gear.turn_rad_m;
        let at_motor = speed_m_s.map(|v| supply.at_motor(v * turn_rad_m));
        let outlook = Outlook {
            speed_m_s,
            turned_rad: from_fn(|i| self.motor_turned_rad + moved_m[i] * turn_rad_m),
            current_a: at_motor.map(|(current_a, _)| current_a),
            terminal_v: at_motor.map(|(_, terminal_v)| terminal_v),
        };
        Some(Cruise {
            supply,
            thrust,
            press,
            body,
            start_x_m: self.x_m,
            start_turned_rad: self.motor_turned_rad,
            turn_rad_m,
            moved_m,
            outlook,
            ticks: 0,
            most,
        })
    }

    /// Books the plain driving since the last booking: energies, torque history, heat and charge.
    pub fn book(&mut self, vehicle: &Vehicle) {
        let Some(cruise) = self.cruise.take() else { return };
        let Some(gear) = self.gear.map(|g| &vehicle.gears[g]) else { return };
        let before = self.ledger.heat();
        let lasted_s = cruise.ticks as f64 * vehicle.tick_s;
        let last = (cruise.ticks - 1) % BATCH;
        let end = cruise.body.moment_from(lasted_s, cruise.moved_m[last], cruise.outlook.speed_m_s[last]);
        self.x_m = cruise.start_x_m;
        self.v_m_s = cruise.body.start().0;
        self.motor_turned_rad = cruise.start_turned_rad;
        let Cruise { supply, thrust, body, .. } = &cruise;
        self.book_drive(vehicle, supply, gear, thrust, body, &end, lasted_s);
        self.book_ground(vehicle, &cruise.press, &end);
        self.settle(vehicle, before, cruise.ticks);
    }
}
