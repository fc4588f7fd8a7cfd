//! What a phase of motion does to state, energies and torque history.

use super::forces::{Ground, NormalLoad};
use super::supply::{Supply, TractiveForce, air_drag, iron_loss_j, tractive_force};
use super::{EnergyBalance, MotionPhase, MotionState, Plant};
use crate::vehicle::{Gear, Vehicle};

/// Two events at one place, as when both axles pass a border together, leave a phase of this length between
/// them by rounding; no torque acts in it.
const NO_TIME_S: f64 = 1e-9;

impl Plant {
    /// Stays where it is: the motor stalls, or the wheels spin.
    pub(super) fn rest(&mut self, vehicle: &Vehicle, supply: &Supply, dt_s: f64) {
        let normal_load = self.ground.steady();
        self.grip_n = normal_load.grip_n - self.ground.front_lost_n;
        let Some(gear) = self.gear.map(|g| &vehicle.gears[g]) else {
            self.spin_free(vehicle, supply, dt_s);
            return;
        };
        let tractive = tractive_force(&supply.line, gear, vehicle.rolling_mass_kg, 0.0, 1.0, 0.0);
        if self.slipping && self.motor_rad_s < 0.0 {
            // Wheels that turn back under a vehicle at rest are stopped by the ground.
            let turning_kg_m2 = vehicle.rotor_kg_m2 + vehicle.wheel_kg / (gear.turn_rad_m * gear.turn_rad_m);
            self.energies.slip_j += 0.5 * turning_kg_m2 * self.motor_rad_s * self.motor_rad_s;
            self.motor_rad_s = 0.0;
        }
        if tractive.force_n > self.grip_n || (self.slipping && self.motor_rad_s != 0.0) {
            self.slipping = true;
            let tractive = self.rim_tractive_force(vehicle, &supply.line, gear, 1.0);
            let wheels = self.rim_phase(vehicle, gear, &tractive, 1.0);
            let used_s = wheels.stop_s().min(dt_s);
            let end = wheels.state_at(used_s);
            self.energies.accumulate_motor(vehicle, supply, gear, &tractive, &wheels, &end, used_s);
            self.motor_turned_rad += gear.turn_rad_m * end.distance_m;
            self.energies.slip_j += self.grip_n * end.distance_m;
            self.motor_rad_s = if used_s < dt_s { 0.0 } else { end.speed_m_s * gear.turn_rad_m };
            self.output_nm = self.grip_n * vehicle.wheel_radius_m;
            self.stress.push(self.output_nm);
            if used_s < dt_s {
                self.rest(vehicle, supply, dt_s - used_s);
            }
            return;
        }
        self.slipping = false;
        self.motor_rad_s = 0.0;
        let stall_a = supply.line.stall_a;
        self.energies.accumulate_current(supply, stall_a * dt_s, stall_a * stall_a * dt_s);
        let load_n = self.ground.grade_n + self.ground.obstacle_n(self.x_m);
        self.output_nm = vehicle.wheel_radius_m
            * if supply.driven {
                tractive.force_n.max(load_n)
            } else {
                // Rolling resistance holds what it can; the gears carry the rest.
                let rest_n = load_n - load_n.clamp(-normal_load.rolling_n, normal_load.rolling_n);
                let hold_n = gear.turn_rad_m * supply.line.friction_nm / gear.back_efficiency;
                rest_n.clamp(-hold_n, hold_n)
            };
        self.stress.push(self.output_nm);
    }

    /// Neutral: the motor runs on its own.
    pub(super) fn spin_free(&mut self, vehicle: &Vehicle, supply: &Supply, dt_s: f64) {
        let inertia = vehicle.rotor_kg_m2;
        let line = &supply.line;
        let direction = if self.motor_rad_s < 0.0 { -1.0 } else { 1.0 };
        let phase = MotionPhase::new(
            inertia,
            line.electrical_stall_nm - line.friction_nm * direction,
            line.slope_nm_s,
            0.0,
            self.motor_rad_s,
        );
        let at_rest = self.motor_rad_s == 0.0 && line.stall_nm() <= 0.0;
        let used_s = if at_rest { 0.0 } else { phase.stop_s().min(dt_s) };
        let end = phase.state_at(used_s);
        let (turned, squared) = (end.distance_m, end.squared_m2_s);
        self.energies.accumulate_current(
            supply,
            supply.charge_as(turned, used_s),
            supply.squared_a2s(turned, squared, used_s),
        );
        let electrical_j = line.electrical_stall_nm * turned - line.slope_nm_s * squared;
        self.energies.motor_friction_j +=
            line.friction_nm * turned.abs() + iron_loss_j(vehicle, electrical_j);
        self.motor_turned_rad += turned;
        self.motor_rad_s = if used_s < dt_s { 0.0 } else { end.speed_m_s };
    }

    /// Moves the state to the end of the phase and accumulates what the ground took.
    pub(super) fn accumulate_ground(
        &mut self,
        vehicle: &Vehicle,
        normal_load: &NormalLoad,
        end: &MotionState,
    ) {
        self.energies.accumulate_ground(vehicle, &self.ground, normal_load, (self.x_m, self.v_m_s), end);
        self.x_m += end.distance_m;
        self.v_m_s = end.speed_m_s;
    }

    /// Accumulates the drive line over a phase of rim motion that ends at `end`: energies and torque history.
    pub(super) fn accumulate_drive(
        &mut self,
        vehicle: &Vehicle,
        supply: &Supply,
        gear: &Gear,
        tractive: &TractiveForce,
        rim: &MotionPhase,
        end: &MotionState,
        dt_s: f64,
    ) {
        self.energies.accumulate_motor(vehicle, supply, gear, tractive, rim, end, dt_s);
        self.motor_turned_rad += gear.turn_rad_m * end.distance_m;
        self.motor_rad_s = end.speed_m_s * gear.turn_rad_m;
        if dt_s < NO_TIME_S {
            return;
        }
        // Torque jumps where a phase begins, and on an obstacle it peaks on the way: all of it counts.
        let radius = vehicle.wheel_radius_m;
        let (speed_m_s, acceleration_m_s2) = rim.start();
        self.stress.push(radius * tractive.output_n(gear, speed_m_s, acceleration_m_s2));
        if let Some(peak_s) =
            rim.force_reversal_s(tractive.damping_n_s_m, tractive.efficiency * gear.rotor_kg, dt_s)
        {
            self.stress.push(radius * tractive.output_at_n(gear, &rim.state_at(peak_s)));
        }
        self.output_nm = radius * tractive.output_at_n(gear, end);
        self.stress.push(self.output_nm);
    }
}

impl EnergyBalance {
    /// Accumulates what the ground takes over a phase from position and speed `from`.
    pub(super) fn accumulate_ground(
        &mut self,
        vehicle: &Vehicle,
        ground: &Ground,
        normal_load: &NormalLoad,
        (from_m, from_m_s): (f64, f64),
        end: &MotionState,
    ) {
        let moved_m = end.distance_m;
        let (air_n, air_n_s_m) = air_drag(vehicle, from_m_s);
        let kinetic_m2_s2 = 0.5 * (end.speed_m_s * end.speed_m_s - from_m_s * from_m_s);
        let transfer_j =
            normal_load.rolling_transfer_kg * kinetic_m2_s2 * if moved_m < 0.0 { -1.0 } else { 1.0 };
        self.rolling_j += normal_load.rolling_n * moved_m.abs() + transfer_j;
        self.drag_j += (ground.drag_n_s_m + air_n_s_m) * end.squared_m2_s - air_n * moved_m;
        self.potential_j += (ground.grade_n + ground.obstacle_n(from_m)) * moved_m
            - 0.5 * ground.fall_n_m * moved_m * moved_m;
    }

    /// Accumulates current, motor friction and gearing over a phase of rim motion that ends at `end`.
    pub(super) fn accumulate_motor(
        &mut self,
        vehicle: &Vehicle,
        supply: &Supply,
        gear: &Gear,
        tractive: &TractiveForce,
        rim: &MotionPhase,
        end: &MotionState,
        dt_s: f64,
    ) {
        let (moved_m, squared) = (end.distance_m, end.squared_m2_s);
        let (start, _) = rim.start();
        let line = &supply.line;
        let turned_rad = gear.turn_rad_m * moved_m;
        let squared_rad2_s = gear.turn_rad_m * gear.turn_rad_m * squared;
        self.accumulate_current(
            supply,
            supply.charge_as(turned_rad, dt_s),
            supply.squared_a2s(turned_rad, squared_rad2_s, dt_s),
        );
        let friction_j = line.friction_nm * turned_rad.abs();
        let electrical_j = line.electrical_stall_nm * turned_rad - line.slope_nm_s * squared_rad2_s;
        self.motor_friction_j += friction_j + iron_loss_j(vehicle, electrical_j);
        let rotor_j = 0.5 * gear.rotor_kg * (end.speed_m_s * end.speed_m_s - start * start);
        let into_gears_j = electrical_j - friction_j - rotor_j;
        self.gearing_j += (1.0 - tractive.efficiency) * into_gears_j;
    }

    pub(super) fn accumulate_current(&mut self, supply: &Supply, charge_as: f64, squared_a2s: f64) {
        if !supply.driven {
            return;
        }
        self.battery_j += supply.drawn_j(charge_as);
        self.source_j += supply.source_ohm * supply.duty * supply.duty * squared_a2s;
        self.winding_j += supply.winding_ohm * squared_a2s;
    }
}
