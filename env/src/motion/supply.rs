//! The drive line: what motor, battery and gears do to the vehicle.

use super::crossing::crossing_s;
use super::{GRAVITY_M_S2, MotionPhase, MotionState, Plant};
use crate::vehicle::{COPPER_PER_K, Gear, TorqueSpeedLine, Vehicle};

/// The drive as it is over one advance.
#[derive(Clone, Debug, Default)]
pub(super) struct Supply {
    pub(super) line: TorqueSpeedLine,
    pub(super) duty: f64,
    pub(super) winding_ohm: f64,
    pub(super) source_ohm: f64,
    pub(super) ocv_v: f64,
    pub(super) driven: bool,
}

/// How the drive line acts on the vehicle in one phase.
#[derive(Clone, Debug, Default)]
pub(super) struct TractiveForce {
    pub(super) force_n: f64,
    pub(super) damping_n_s_m: f64,
    pub(super) mass_kg: f64,
    pub(super) efficiency: f64,
    /// The motor drives the wheels, not they the motor: where an efficiency is 1 its value does not tell.
    pub(super) driving: bool,
}

/// A reversal of torque is passed by this, s, so that the next phase begins on its far side.
const PAST_REVERSAL_S: f64 = 1e-7;
/// What rounding may do to the torque through the gears, as a part of what acts on it.
const ROUNDING: f64 = 1e-12;

impl TractiveForce {
    /// Force that leaves the gears, at the rim, at a speed and acceleration of the rim.
    pub(super) fn output_n(&self, gear: &Gear, speed_m_s: f64, acceleration_m_s2: f64) -> f64 {
        self.force_n - self.damping_n_s_m * speed_m_s - self.efficiency * gear.rotor_kg * acceleration_m_s2
    }

    /// The same at a state of the rim's motion.
    pub(super) fn output_at_n(&self, gear: &Gear, rim: &MotionState) -> f64 {
        self.output_n(gear, rim.speed_m_s, rim.acceleration_m_s2)
    }

    /// The sign of the torque through the gears at which this efficiency holds.
    fn side(&self, direction: f64) -> f64 {
        if self.driving { direction } else { -direction }
    }

    /// Whether a force that leaves the gears has the direction for which this efficiency holds.
    pub(super) fn keeps_side(&self, direction: f64, output_n: f64) -> bool {
        output_n * self.side(direction) >= 0.0
    }

    /// When the torque through the gears changes its direction before the state `late` at `late_s`, and with
    /// it their efficiency. It has changed once it is on the other side by more than rounding: a torque that stays
    /// at zero has no reversal, and the next phase begins where its side is clear. There is none either where the start
    /// is on the other side already (a wheel lifts off): every phase would end where it begins.
    pub(super) fn reversal_s(
        &self,
        rim: &MotionPhase,
        gear: &Gear,
        direction: f64,
        late_s: f64,
        late: &MotionState,
    ) -> Option<f64> {
        let clear_n = ROUNDING * (self.force_n.abs() + self.efficiency * gear.rotor_kg * GRAVITY_M_S2);
        // Below zero once the torque is on the other side.
        let kept_n = |output_n: f64| output_n * self.side(direction) + clear_n;
        let late_n = kept_n(self.output_at_n(gear, late));
        let (start_m_s, start_m_s2) = rim.start();
        let start_n = kept_n(self.output_n(gear, start_m_s, start_m_s2));
        if late_n >= 0.0 || start_n < 0.0 {
            return None;
        }
        // The torque is a sum of a constant and two exponentials and crosses zero twice at the most: here once.
        let high = crossing_s(late_s, [start_n, late_n], clear_n, |at_s| {
            let progress = rim.progress(at_s);
            kept_n(self.output_n(gear, progress.speed_m_s, rim.acceleration_of(&progress)))
        });
        Some(high + PAST_REVERSAL_S).filter(|&at| at < late_s)
    }
}

impl Plant {
    pub(super) fn supply(&self, vehicle: &Vehicle, duty: f64) -> Supply {
        let kelvin = vehicle.air_c - 20.0 + self.temperature_rise.winding_k;
        let winding_ohm = vehicle.motor.resistance_ohm * (1.0 + COPPER_PER_K * kelvin);
        let ocv_v = self.ocv_v;
        let source_ohm = vehicle.battery.resistance_ohm;
        let housing_k = vehicle.air_c - 20.0 + self.temperature_rise.housing_k;
        let magnets = 1.0 - vehicle.magnet_per_k * housing_k;
        let mut line = vehicle.motor.weakened(magnets).line(ocv_v, source_ohm, duty, winding_ohm);
        let driven = duty > 0.0;
        if !driven {
            line = TorqueSpeedLine {
                electrical_stall_nm: 0.0,
                slope_nm_s: 0.0,
                stall_a: 0.0,
                slope_a_s: 0.0,
                ..line
            };
        }
        Supply { line, duty, winding_ohm, source_ohm, ocv_v, driven }
    }

    pub(super) fn finish_supply(&mut self, supply: &Supply) {
        (self.current_a, self.terminal_v) = supply.at_motor(self.motor_rad_s);
    }
}

impl Supply {
    /// Motor current, A, and terminal voltage of the battery, V, at a motor speed.
    pub(super) fn at_motor(&self, motor_rad_s: f64) -> (f64, f64) {
        let current_a = self.line.stall_a - self.line.slope_a_s * motor_rad_s;
        (current_a, self.ocv_v - self.source_ohm * self.duty * current_a)
    }

    /// The same two over the speed of the vehicle in a gear, m/s.
    pub(super) fn over_speed(&self, turn_rad_m: f64) -> (super::Affine, super::Affine) {
        let (drop_ohm, fall) = (self.source_ohm * self.duty, self.line.slope_a_s * turn_rad_m);
        (
            super::Affine::new(self.line.stall_a, -fall),
            super::Affine::new(self.ocv_v - drop_ohm * self.line.stall_a, drop_ohm * fall),
        )
    }

    /// Charge through the motor over a time in which it turns by `turned_rad`, A·s.
    pub(super) fn charge_as(&self, turned_rad: f64, dt_s: f64) -> f64 {
        self.line.stall_a * dt_s - self.line.slope_a_s * turned_rad
    }

    /// Integral of its squared current, A²·s, by that of the squared motor speed.
    pub(super) fn squared_a2s(&self, turned_rad: f64, squared_rad2_s: f64, dt_s: f64) -> f64 {
        let (stall, slope) = (self.line.stall_a, self.line.slope_a_s);
        stall * (stall * dt_s - 2.0 * slope * turned_rad) + slope * slope * squared_rad2_s
    }

    /// What a charge through the motor takes from the battery's chemistry, J.
    pub(super) fn drawn_j(&self, charge_as: f64) -> f64 {
        self.ocv_v * self.duty * charge_as
    }

    /// Whether the winding could pass its limit within `within_s`, were all that time spent at standstill.
    pub(super) fn may_overheat(&self, vehicle: &Vehicle, winding_k: f64, within_s: f64) -> bool {
        let heat_j = self.line.stall_a * self.line.stall_a * self.winding_ohm * within_s;
        let room_k = vehicle.heat.winding_limit_c - vehicle.air_c - winding_k;
        heat_j > room_k * vehicle.heat.winding_j_k
    }
}

/// Friction of an undriven motor in gear that holds a vehicle against a push forward, N; 0 when driven.
pub(super) fn hold_when_free(gear: &Gear, supply: &Supply) -> f64 {
    let net_nm = supply.line.friction_nm - supply.line.electrical_stall_nm;
    net_nm.max(0.0) * gear.turn_rad_m / gear.back_efficiency
}

/// Drive force `force - damping v` and moving mass in a gear that carries `carried_kg` against `resist_n` at the
/// speed `v_m_s`. The efficiency acts on the torque that passes the gears, the rotor's inertia torque included;
/// it turns into its reciprocal when the wheels drive. Torque passes from motor to wheels when the motor's
/// `T` and the rotor's share of the deceleration together are positive: `T M + resist m_rotor > 0`.
pub(super) fn tractive_force(
    line: &TorqueSpeedLine,
    gear: &Gear,
    carried_kg: f64,
    v_m_s: f64,
    direction: f64,
    resist_n: f64,
) -> TractiveForce {
    let constant_nm = line.electrical_stall_nm - line.friction_nm * direction;
    let torque_nm = constant_nm - line.slope_nm_s * gear.turn_rad_m * v_m_s;
    let passing = torque_nm * gear.turn_rad_m * carried_kg + resist_n * gear.rotor_kg;
    let driving = passing * direction >= 0.0;
    let efficiency = if driving { gear.efficiency } else { 1.0 / gear.back_efficiency };
    TractiveForce {
        force_n: efficiency * gear.turn_rad_m * constant_nm,
        damping_n_s_m: efficiency * gear.turn_rad_m * gear.turn_rad_m * line.slope_nm_s,
        mass_kg: carried_kg + efficiency * gear.rotor_kg,
        efficiency,
        driving,
    }
}

/// Air drag `0.5 rho c_d A v²` (rho = 1.2 kg/m³), linear about the present speed: `-constant + slope v`.
pub(super) fn air_drag(vehicle: &Vehicle, v_m_s: f64) -> (f64, f64) {
    let half = 0.6 * vehicle.drag_area_m2;
    (half * v_m_s * v_m_s.abs(), 2.0 * half * v_m_s.abs())
}

/// The torque constant of a data sheet lies a little below the back-EMF constant; what the back-EMF takes from the
/// circuit and the torque does not deliver is iron loss, accumulated as motor friction.
pub(super) fn iron_loss_j(vehicle: &Vehicle, electrical_j: f64) -> f64 {
    electrical_j * vehicle.iron_share
}
