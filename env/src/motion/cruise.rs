//! Cruising: a piece of plain driving that lasts for several controller ticks.
//!
//! While a gear is engaged, the wheels grip and no axle comes to a border or to the edge of an obstacle, nothing
//! happens but the closed-form motion itself. Such a piece is planned once, stays under way over decisions that
//! change nothing, and is booked when it is over. Battery voltage and winding resistance are held over it.

use super::forces::Press;
use super::supply::{Supply, Thrust};
use super::{Piece, Plant, Track};
use crate::vehicle::{BATCH, Vehicle};

/// A vehicle slower than this is not driving plainly, m/s.
const LEAST_M_S: f64 = 1e-3;

/// A straight line: value at 0, and rise per unit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Straight([f64; 2]);

impl Straight {
    /// The same value everywhere.
    pub(crate) const fn level(value: f64) -> Straight {
        Straight([value, 0.0])
    }

    pub(super) const fn new(at_0: f64, rise: f64) -> Straight {
        Straight([at_0, rise])
    }

    /// The value at `x`.
    #[inline]
    pub(crate) fn at(&self, x: f64) -> f64 {
        self.0[0] + self.0[1] * x
    }

    /// What one unit more adds.
    #[inline]
    pub(crate) fn rise(&self) -> f64 {
        self.0[1]
    }

    /// The line in another unit.
    #[inline]
    pub(crate) fn times(&self, factor: f64) -> Straight {
        Straight([self.0[0] * factor, self.0[1] * factor])
    }
}

/// What sensors can see at the ends of the coming ticks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outlook<const N: usize> {
    /// Distance from the start of the piece, m.
    pub moved_m: [f64; N],
    /// Speed, m/s.
    pub speed_m_s: [f64; N],
    /// Motor angle turned since the start of the episode, rad, over that distance.
    pub turned_rad: Straight,
    /// Motor current, A, over the speed.
    pub current_a: Straight,
    /// Terminal voltage, V, over the speed.
    pub terminal_v: Straight,
}

/// A piece of plain driving. It is under way while `ticks < most`.
#[derive(Clone, Debug)]
pub(super) struct Cruise {
    supply: Supply,
    thrust: Thrust,
    press: Press,
    body: Piece,
    start_x_m: f64,
    turn_rad_m: f64,
    outlook: Outlook<BATCH>,
    /// Ticks driven.
    ticks: usize,
    /// Ticks planned; 0 where there is no piece.
    most: usize,
}

impl Cruise {
    pub(super) fn none() -> Cruise {
        Cruise {
            supply: Supply::default(),
            thrust: Thrust::default(),
            press: Press::default(),
            body: Piece::default(),
            start_x_m: 0.0,
            turn_rad_m: 0.0,
            outlook: Outlook {
                moved_m: [0.0; BATCH],
                speed_m_s: [0.0; BATCH],
                turned_rad: Straight::default(),
                current_a: Straight::default(),
                terminal_v: Straight::default(),
            },
            ticks: 0,
            most: 0,
        }
    }
}

impl Plant {
    /// Ticks that the piece under way is still planned to last; 0 where there is none.
    #[inline]
    pub fn ticks_ahead(&self) -> usize {
        self.cruise.most - self.cruise.ticks
    }

    /// What sensors can see during the piece under way.
    #[inline]
    pub fn outlook(&self) -> &Outlook<BATCH> {
        &self.cruise.outlook
    }

    /// What sensors can see now.
    #[must_use]
    pub fn present(&self) -> Outlook<1> {
        Outlook {
            moved_m: [0.0],
            speed_m_s: [self.v_m_s],
            turned_rad: Straight::level(self.motor_turned_rad),
            current_a: Straight::level(self.current_a),
            terminal_v: Straight::level(self.terminal_v),
        }
    }

    /// Plans a piece of plain driving at `duty` of up to `horizon` ticks, if it is plain driving.
    pub fn plan(&mut self, vehicle: &Vehicle, track: &Track, duty: f64, horizon: usize) -> bool {
        let Some(gear) = self.gear.map(|g| &vehicle.gears[g]) else { return false };
        if self.v_m_s < LEAST_M_S || self.slipping {
            return false;
        }
        self.look_around(vehicle, track);
        if self.ground.touching {
            return false;
        }
        let room_m = self.reach.ahead_m - self.x_m;
        if self.v_m_s * vehicle.tick_s >= room_m {
            return false;
        }
        let supply = self.supply(vehicle, duty);
        let Some((press, thrust, body)) = self.gripping(vehicle, &supply, gear, 1.0) else { return false };
        let (moved_m, speed_m_s) = body.at_steps(vehicle.tick_s);
        let (current_a, terminal_v) = supply.over_speed(gear.turn_rad_m);
        let fits = |tick: usize| {
            let v_m_s = speed_m_s[tick];
            let acceleration_m_s2 = body.acceleration_at(moved_m[tick], v_m_s);
            v_m_s >= LEAST_M_S
                && moved_m[tick] < room_m
                && thrust.keeps_side(1.0, thrust.output_n(gear, v_m_s, acceleration_m_s2))
                && self.ground.carries(vehicle, gear, &thrust, v_m_s, acceleration_m_s2)
        };
        // Close to the limits of winding and battery every tick is a piece of its own, so that none is passed
        // unnoticed.
        let slowest_m_s = speed_m_s.iter().fold(f64::INFINITY, |least, &v| if v < least { v } else { least });
        let close = supply.may_overheat(vehicle, self.rise.winding_k, BATCH as f64 * vehicle.tick_s)
            || terminal_v.at(slowest_m_s) < vehicle.cutoff_voltage_v;
        let mut most = if close { horizon.min(1) } else { horizon.min(BATCH) };
        while most > 0 && !fits(most - 1) {
            most -= 1;
        }
        if most == 0 {
            return false;
        }
        self.grip_n = press.grip_n;
        let (start_m_s, acceleration_m_s2) = body.start();
        self.stress.push(vehicle.wheel_radius_m * thrust.output_n(gear, start_m_s, acceleration_m_s2));
        let cruise = &mut self.cruise;
        cruise.outlook.moved_m = moved_m;
        cruise.outlook.speed_m_s = speed_m_s;
        cruise.outlook.turned_rad = Straight::new(self.motor_turned_rad, gear.turn_rad_m);
        cruise.outlook.current_a = current_a;
        cruise.outlook.terminal_v = terminal_v;
        cruise.turn_rad_m = gear.turn_rad_m;
        cruise.start_x_m = self.x_m;
        cruise.supply = supply;
        cruise.thrust = thrust;
        cruise.press = press;
        cruise.body = body;
        (cruise.ticks, cruise.most) = (0, most);
        true
    }

    /// Drives on for some ticks of the piece under way. Position, speed and motor are up to date then, energies,
    /// heat and charge only when the piece is over, or in [`Plant::booked`].
    pub fn cruise(&mut self, vehicle: &Vehicle, ticks: usize) {
        let cruise = &mut self.cruise;
        cruise.ticks = (cruise.ticks + ticks).min(cruise.most);
        let at = cruise.ticks.wrapping_sub(1) % BATCH;
        let (moved_m, v_m_s) = (cruise.outlook.moved_m[at], cruise.outlook.speed_m_s[at]);
        self.x_m = cruise.start_x_m + moved_m;
        self.v_m_s = v_m_s;
        self.motor_rad_s = v_m_s * cruise.turn_rad_m;
        self.motor_turned_rad = cruise.outlook.turned_rad.at(moved_m);
        self.current_a = cruise.outlook.current_a.at(v_m_s);
        self.terminal_v = cruise.outlook.terminal_v.at(v_m_s);
        if cruise.ticks == cruise.most {
            self.book(vehicle);
        } else {
            self.note_torque(vehicle);
        }
    }

    /// Books the piece of plain driving under way and ends it: energies, torque history, heat and charge.
    pub fn book(&mut self, vehicle: &Vehicle) {
        let ticks = std::mem::take(&mut self.cruise.ticks);
        self.cruise.most = 0;
        let (1.., Some(gear)) = (ticks, self.gear.map(|g| &vehicle.gears[g])) else { return };
        let before = self.ledger.heat();
        let lasted_s = ticks as f64 * vehicle.tick_s;
        let Cruise { supply, thrust, press, body, start_x_m, outlook, .. } = &self.cruise;
        let at = (ticks - 1) % BATCH;
        let end = body.moment_from(lasted_s, outlook.moved_m[at], outlook.speed_m_s[at]);
        self.ledger.book_motor(vehicle, supply, gear, thrust, body, &end, lasted_s);
        self.ledger.book_ground(vehicle, &self.ground, press, (*start_x_m, body.start().0), &end);
        let push_mass_kg = thrust.efficiency * gear.rotor_kg;
        if let Some(peak_s) = body.turning_s(thrust.damping_n_s_m, push_mass_kg, lasted_s) {
            self.stress.push(vehicle.wheel_radius_m * thrust.output_at_n(gear, &body.moment(peak_s)));
        }
        self.output_nm = vehicle.wheel_radius_m * thrust.output_at_n(gear, &end);
        self.stress.push(self.output_nm);
        self.settle(vehicle, before, ticks);
    }

    /// The vehicle with everything up to date: the piece under way is booked in this copy.
    #[must_use]
    pub fn booked(&self, vehicle: &Vehicle) -> Plant {
        let mut plant = self.clone();
        plant.book(vehicle);
        plant
    }

    /// Energy drawn from the battery up to now, the piece under way included, J.
    #[must_use]
    pub fn drawn_j(&self, vehicle: &Vehicle) -> f64 {
        let Cruise { supply, outlook, turn_rad_m, ticks, .. } = &self.cruise;
        if *ticks == 0 {
            return self.ledger.battery_j;
        }
        let lasted_s = *ticks as f64 * vehicle.tick_s;
        let charge_as = supply.charge_as(turn_rad_m * outlook.moved_m[(ticks - 1) % BATCH], lasted_s);
        self.ledger.battery_j + supply.drawn_j(charge_as)
    }

    /// Brings the torque history up to date where a piece is under way whose torque rises or falls all the time:
    /// a sample on the way changes nothing but when cycles close.
    fn note_torque(&mut self, vehicle: &Vehicle) {
        let Cruise { thrust, body, outlook, ticks, .. } = &self.cruise;
        if let (1.., Some(gear), false) = (*ticks, self.gear.map(|g| &vehicle.gears[g]), body.may_turn()) {
            let at = (ticks - 1) % BATCH;
            let (moved_m, v_m_s) = (outlook.moved_m[at], outlook.speed_m_s[at]);
            let output_n = thrust.output_n(gear, v_m_s, body.acceleration_at(moved_m, v_m_s));
            self.stress.push(vehicle.wheel_radius_m * output_n);
        }
    }
}
