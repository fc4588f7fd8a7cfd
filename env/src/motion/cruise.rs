//! Cruising: a phase of steady-state driving that lasts for several controller ticks.
//!
//! While a gear is engaged, the wheels grip and no axle comes to a border or to the edge of an obstacle, nothing
//! happens but the closed-form motion itself. Such a phase is planned once, stays under way over decisions that
//! change nothing, and is accumulated when it is over. Battery voltage and winding resistance are held over it.

use super::forces::NormalLoad;
use super::supply::{Supply, TractiveForce};
use super::{MotionPhase, Plant, Track};
use crate::events::STANDSTILL_M_S;
use crate::vehicle::{BATCH, Vehicle};

/// An affine function: value at 0, and rise per unit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Affine([f64; 2]);

impl Affine {
    /// The same value everywhere.
    pub(crate) const fn level(value: f64) -> Affine {
        Affine([value, 0.0])
    }

    pub(super) const fn new(at_0: f64, slope: f64) -> Affine {
        Affine([at_0, slope])
    }

    /// The value at `x`.
    #[inline]
    pub(crate) fn at(&self, x: f64) -> f64 {
        self.0[0] + self.0[1] * x
    }

    /// What one unit more adds.
    #[inline]
    pub(crate) fn slope(&self) -> f64 {
        self.0[1]
    }

    /// The line in another unit.
    #[inline]
    pub(crate) fn times(&self, factor: f64) -> Affine {
        Affine([self.0[0] * factor, self.0[1] * factor])
    }
}

/// Predicted sensor inputs at the ends of the coming ticks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PredictedInputs<const N: usize> {
    /// Distance from the start of the phase, m.
    pub moved_m: [f64; N],
    /// Speed, m/s.
    pub speed_m_s: [f64; N],
    /// Motor angle turned since the start of the episode, rad, over that distance.
    pub turned_rad: Affine,
    /// Motor current, A, over the speed.
    pub current_a: Affine,
    /// Terminal voltage, V, over the speed.
    pub terminal_v: Affine,
}

/// A phase of steady-state driving. It is under way while `ticks < most`.
#[derive(Clone, Debug)]
pub(super) struct Cruise {
    supply: Supply,
    tractive: TractiveForce,
    normal_load: NormalLoad,
    body: MotionPhase,
    start_x_m: f64,
    turn_rad_m: f64,
    predicted_inputs: PredictedInputs<BATCH>,
    /// Ticks driven.
    ticks: usize,
    /// Ticks planned; 0 where there is no phase.
    most: usize,
}

impl Cruise {
    pub(super) fn none() -> Cruise {
        Cruise {
            supply: Supply::default(),
            tractive: TractiveForce::default(),
            normal_load: NormalLoad::default(),
            body: MotionPhase::default(),
            start_x_m: 0.0,
            turn_rad_m: 0.0,
            predicted_inputs: PredictedInputs {
                moved_m: [0.0; BATCH],
                speed_m_s: [0.0; BATCH],
                turned_rad: Affine::default(),
                current_a: Affine::default(),
                terminal_v: Affine::default(),
            },
            ticks: 0,
            most: 0,
        }
    }
}

/// The least of some numbers, half against half: a chain of comparisons a third as long as one after another.
#[inline]
fn least(values: &[f64; BATCH]) -> f64 {
    let mut least = *values;
    let mut left = BATCH / 2;
    while left > 0 {
        for i in 0..left {
            least[i] = if least[i + left] < least[i] { least[i + left] } else { least[i] };
        }
        left /= 2;
    }
    least[0]
}

impl Plant {
    /// Ticks that the phase under way is still planned to last; 0 where there is none.
    #[inline]
    pub fn ticks_ahead(&self) -> usize {
        self.cruise.most - self.cruise.ticks
    }

    /// Predicted sensor inputs during the phase under way.
    #[inline]
    pub fn predicted_inputs(&self) -> &PredictedInputs<BATCH> {
        &self.cruise.predicted_inputs
    }

    /// Predicted sensor inputs now.
    #[must_use]
    pub fn current_inputs(&self) -> PredictedInputs<1> {
        PredictedInputs {
            moved_m: [0.0],
            speed_m_s: [self.v_m_s],
            turned_rad: Affine::level(self.motor_turned_rad),
            current_a: Affine::level(self.current_a),
            terminal_v: Affine::level(self.terminal_v),
        }
    }

    /// Plans a phase of steady-state driving at `duty` of up to `horizon` ticks, if it is steady-state driving.
    pub fn plan(&mut self, vehicle: &Vehicle, track: &Track, duty: f64, horizon: usize) -> bool {
        let Some(gear) = self.gear.map(|g| &vehicle.gears[g]) else { return false };
        if self.v_m_s < STANDSTILL_M_S || self.slipping {
            return false;
        }
        self.update_contacts(vehicle, track);
        if self.ground.touching {
            return false;
        }
        let room_m = self.next_events.ahead_m - self.x_m;
        if self.v_m_s * vehicle.tick_s >= room_m {
            return false;
        }
        let supply = self.supply(vehicle, duty);
        let Some((normal_load, tractive, body)) = self.gripping(vehicle, &supply, gear, 1.0) else {
            return false;
        };
        let PredictedInputs { moved_m, speed_m_s, .. } = &mut self.cruise.predicted_inputs;
        body.at_steps(vehicle.tick_s, moved_m, speed_m_s);
        let (current_a, terminal_v) = supply.over_speed(gear.turn_rad_m);
        let fits = |tick: usize| {
            let v_m_s = speed_m_s[tick];
            let acceleration_m_s2 = body.acceleration_at(moved_m[tick], v_m_s);
            v_m_s >= STANDSTILL_M_S
                && moved_m[tick] < room_m
                && tractive.keeps_side(1.0, tractive.output_n(gear, v_m_s, acceleration_m_s2))
                && self.ground.carries(vehicle, gear, &tractive, v_m_s, acceleration_m_s2)
        };
        // Close to the limits of winding and battery every tick is a phase of its own, so that none is passed
        // unnoticed.
        let slowest_m_s = least(speed_m_s);
        let close =
            supply.may_overheat(vehicle, self.temperature_rise.winding_k, BATCH as f64 * vehicle.tick_s)
                || terminal_v.at(slowest_m_s) < vehicle.cutoff_voltage_v;
        let mut most = if close { horizon.min(1) } else { horizon.min(BATCH) };
        while most > 0 && !fits(most - 1) {
            most -= 1;
        }
        if most == 0 {
            return false;
        }
        self.grip_n = normal_load.grip_n;
        let (start_m_s, acceleration_m_s2) = body.start();
        self.stress.push(vehicle.wheel_radius_m * tractive.output_n(gear, start_m_s, acceleration_m_s2));
        let cruise = &mut self.cruise;
        cruise.predicted_inputs.turned_rad = Affine::new(self.motor_turned_rad, gear.turn_rad_m);
        cruise.predicted_inputs.current_a = current_a;
        cruise.predicted_inputs.terminal_v = terminal_v;
        cruise.turn_rad_m = gear.turn_rad_m;
        cruise.start_x_m = self.x_m;
        cruise.supply = supply;
        cruise.tractive = tractive;
        cruise.normal_load = normal_load;
        cruise.body = body;
        (cruise.ticks, cruise.most) = (0, most);
        true
    }

    /// Drives on for some ticks of the phase under way. Position, speed and motor are up to date then, energies,
    /// heat and charge only when the phase is over, or in [`Plant::with_energies_accumulated`]; so is the torque history, or
    /// after [`Plant::note_torque`].
    pub fn cruise(&mut self, vehicle: &Vehicle, ticks: usize) {
        let cruise = &mut self.cruise;
        cruise.ticks = (cruise.ticks + ticks).min(cruise.most);
        let at = cruise.ticks.wrapping_sub(1) % BATCH;
        let (moved_m, v_m_s) = (cruise.predicted_inputs.moved_m[at], cruise.predicted_inputs.speed_m_s[at]);
        self.x_m = cruise.start_x_m + moved_m;
        self.v_m_s = v_m_s;
        self.motor_rad_s = v_m_s * cruise.turn_rad_m;
        self.motor_turned_rad = cruise.predicted_inputs.turned_rad.at(moved_m);
        self.current_a = cruise.predicted_inputs.current_a.at(v_m_s);
        self.terminal_v = cruise.predicted_inputs.terminal_v.at(v_m_s);
        if cruise.ticks == cruise.most {
            self.accumulate_energies(vehicle);
        }
    }

    /// Accumulates the phase of steady-state driving under way and ends it: energies, torque history, heat and charge.
    pub fn accumulate_energies(&mut self, vehicle: &Vehicle) {
        let ticks = std::mem::take(&mut self.cruise.ticks);
        self.cruise.most = 0;
        let (1.., Some(gear)) = (ticks, self.gear.map(|g| &vehicle.gears[g])) else { return };
        let before = self.energies.heat();
        let lasted_s = ticks as i32 as f64 * vehicle.tick_s;
        let Cruise { supply, tractive, normal_load, body, start_x_m, predicted_inputs, .. } = &self.cruise;
        let at = (ticks - 1) % BATCH;
        let end = body.state_from(lasted_s, predicted_inputs.moved_m[at], predicted_inputs.speed_m_s[at]);
        self.energies.accumulate_motor(vehicle, supply, gear, tractive, body, &end, lasted_s);
        self.energies.accumulate_ground(
            vehicle,
            &self.ground,
            normal_load,
            (*start_x_m, body.start().0),
            &end,
        );
        let push_mass_kg = tractive.efficiency * gear.rotor_kg;
        if let Some(peak_s) = body.force_reversal_s(tractive.damping_n_s_m, push_mass_kg, lasted_s) {
            self.stress.push(vehicle.wheel_radius_m * tractive.output_at_n(gear, &body.state_at(peak_s)));
        }
        self.output_nm = vehicle.wheel_radius_m * tractive.output_at_n(gear, &end);
        self.stress.push(self.output_nm);
        self.update_thermal(vehicle, before, ticks);
    }

    /// The vehicle with everything up to date: the phase under way is accumulated in this copy.
    #[must_use]
    pub fn with_energies_accumulated(&self, vehicle: &Vehicle) -> Plant {
        let mut plant = self.clone();
        plant.accumulate_energies(vehicle);
        plant
    }

    /// Energy drawn from the battery up to now, the phase under way included, J.
    #[must_use]
    pub fn drawn_j(&self, vehicle: &Vehicle) -> f64 {
        let Cruise { supply, predicted_inputs, turn_rad_m, ticks, .. } = &self.cruise;
        if *ticks == 0 {
            return self.energies.battery_j;
        }
        let lasted_s = *ticks as i32 as f64 * vehicle.tick_s;
        let charge_as =
            supply.charge_as(turn_rad_m * predicted_inputs.moved_m[(ticks - 1) % BATCH], lasted_s);
        self.energies.battery_j + supply.drawn_j(charge_as)
    }

    /// Brings the torque history up to date where a phase is under way whose torque rises or falls all the time: a sample on
    /// the way changes nothing but when cycles close. For decisions alone, which stand at the same ticks however a phase is
    /// driven: at a torque that has become constant, samples differ by rounding.
    pub fn note_torque(&mut self, vehicle: &Vehicle) {
        let Cruise { tractive, body, predicted_inputs, ticks, .. } = &self.cruise;
        if let (1.., Some(gear), false) = (*ticks, self.gear.map(|g| &vehicle.gears[g]), body.may_reverse()) {
            let at = (ticks - 1) % BATCH;
            let (moved_m, v_m_s) = (predicted_inputs.moved_m[at], predicted_inputs.speed_m_s[at]);
            let output_n = tractive.output_n(gear, v_m_s, body.acceleration_at(moved_m, v_m_s));
            self.stress.push(vehicle.wheel_radius_m * output_n);
        }
    }
}
