//! One phase of motion: the forces on it, and what ends it.

use super::forces::{Ground, NormalLoad, Touch};
use super::next_events::Event;
use super::supply::{Supply, TractiveForce, air_drag, hold_when_free, tractive_force};
use super::{MotionPhase, MotionState, Plant, Track};
use crate::vehicle::{Gear, TorqueSpeedLine, Vehicle};

/// Force balance over one phase.
pub(super) struct ForceBalance {
    pub(super) normal_load: NormalLoad,
    pub(super) tractive: Option<TractiveForce>,
    /// Motion of the vehicle.
    pub(super) body: MotionPhase,
    /// Motion of the rims while they slip, and which way they turn.
    pub(super) rims: Option<(MotionPhase, f64)>,
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
    /// One phase of motion: returns its length and what ended it.
    pub(super) fn advance_phase(
        &mut self,
        vehicle: &Vehicle,
        track: &Track,
        supply: &Supply,
        left_s: f64,
    ) -> (f64, Event) {
        if self.v_m_s != 0.0 && self.ground.touching {
            self.axle_contacts.iter_mut().for_each(|axle_contact| axle_contact.touch = Touch::None);
            self.contacts_dirty = true;
        }
        self.update_contacts(vehicle, track);
        let gear = self.gear.map(|g| &vehicle.gears[g]);
        let direction = if self.v_m_s != 0.0 {
            self.v_m_s.signum()
        } else {
            let direction = self.breakaway_direction(supply, gear);
            if direction == 0.0 {
                self.rest(vehicle, supply, left_s);
                return (left_s, Event::Clock);
            }
            self.start_moving(direction);
            self.update_contacts(vehicle, track);
            direction
        };
        let forces = self.force_balance(vehicle, supply, gear, direction);
        let (mut used_s, mut event, mut end) = self.next_event(&forces.body, left_s, direction);
        let mut rim_end = forces.rims.as_ref().map_or(end, |(rims, _)| rims.state_at(used_s));
        if let (Some(g), Some(t)) = (gear, &forces.tractive) {
            let (rim, direction) = forces
                .rims
                .as_ref()
                .map_or((&forces.body, direction), |(rims, direction)| (rims, *direction));
            if let Some(at_s) = t.reversal_s(rim, g, direction, used_s, &rim_end) {
                (used_s, event) = (at_s, Event::Clock);
                (end, rim_end) = (forces.body.state_at(at_s), rim.state_at(at_s));
            }
        }
        if let (Some(g), Some(t), None) = (gear, &forces.tractive, &forces.rims)
            && let Some(at_s) = self.slip_onset_s(vehicle, g, t, &forces.body, used_s, &end)
        {
            (used_s, event) = (at_s, Event::Clock);
            (end, rim_end) = (forces.body.state_at(at_s), forces.body.state_at(at_s));
        }
        if let Some((rims, rim_direction)) = &forces.rims
            && rim_end.speed_m_s * rim_direction < 0.0
            && rims.stop_s() < used_s
        {
            // Friction turns round with the wheels.
            (used_s, event) = (rims.stop_s(), Event::Clock);
            (end, rim_end) =
                (forces.body.state_at(used_s), MotionState { speed_m_s: 0.0, ..rims.state_at(used_s) });
        }
        if let Some((rims, _)) = &forces.rims
            && rim_end.speed_m_s <= end.speed_m_s
        {
            (used_s, event) = (regrip_s(rims, &forces.body, used_s), Event::Clock);
            (end, rim_end) = (forces.body.state_at(used_s), rims.state_at(used_s));
            self.slipping = false;
        }
        match (gear, &forces.tractive) {
            (Some(g), Some(t)) => {
                let rim = forces.rims.as_ref().map_or(&forces.body, |(rims, _)| rims);
                self.accumulate_drive(vehicle, supply, g, t, rim, &rim_end, used_s);
                self.energies.slip_j += forces.normal_load.grip_n * (rim_end.distance_m - end.distance_m);
            }
            _ => self.spin_free(vehicle, supply, used_s),
        }
        self.accumulate_ground(vehicle, &forces.normal_load, &end);
        self.apply(vehicle, track, supply, event, direction > 0.0);
        (used_s, event)
    }

    /// Recomputes the sums over ground and obstacles after an axle has met a border or an obstacle.
    pub(super) fn update_contacts(&mut self, vehicle: &Vehicle, track: &Track) {
        if self.contacts_dirty {
            self.ground = Ground::under(vehicle, track, &self.axle_contacts);
            self.next_events = self.next_events(vehicle, track);
            self.contacts_dirty = false;
        }
    }

    /// Forces and closed-form motion from here on.
    pub(super) fn force_balance(
        &mut self,
        vehicle: &Vehicle,
        supply: &Supply,
        gear: Option<&Gear>,
        direction: f64,
    ) -> ForceBalance {
        let resistance = self.resistance(vehicle);
        let Some(gear) = gear else {
            let mass_kg = vehicle.rolling_mass_kg;
            let normal_load = self.ground.driven(-resistance.now_n, mass_kg, direction);
            self.grip_n = normal_load.grip_n;
            let body = self.body(&resistance, &normal_load, direction, mass_kg, [0.0, 0.0]);
            return ForceBalance { tractive: None, body, rims: None, normal_load };
        };
        if !self.slipping {
            if let Some((normal_load, tractive, body)) = self.gripping(vehicle, supply, gear, direction) {
                self.grip_n = normal_load.grip_n;
                return ForceBalance { tractive: Some(tractive), body, rims: None, normal_load };
            }
            self.slipping = true;
        }
        let normal_load = self.ground.slipping(resistance.now_n, vehicle.mass_kg, direction);
        self.grip_n = normal_load.grip_n;
        let rim_direction = self.rim_direction(&supply.line, gear);
        let tractive = self.rim_tractive_force(vehicle, &supply.line, gear, rim_direction);
        let rims = (self.rim_phase(vehicle, gear, &tractive, rim_direction), rim_direction);
        let body =
            self.body(&resistance, &normal_load, direction, vehicle.mass_kg, [normal_load.grip_n, 0.0]);
        ForceBalance { tractive: Some(tractive), body, rims: Some(rims), normal_load }
    }

    /// Loads, tractive force and motion while the wheels grip; `None` where the contact would have to carry more than the grip.
    ///
    /// Inlined, since what it returns would go through memory, written one number at a time and read two at a time: the
    /// processor waits for that.
    #[inline(always)]
    pub(super) fn gripping(
        &self,
        vehicle: &Vehicle,
        supply: &Supply,
        gear: &Gear,
        direction: f64,
    ) -> Option<(NormalLoad, TractiveForce, MotionPhase)> {
        let (ground, v_m_s, resistance) = (&self.ground, self.v_m_s, self.resistance(vehicle));
        let lag_kg = ground.rolling_transfer_kg * direction;
        let steady_n = resistance.now_n + ground.rolling_n * direction;
        let tractive =
            tractive_force(&supply.line, gear, vehicle.rolling_mass_kg + lag_kg, v_m_s, direction, steady_n);
        let tractive_n = tractive.force_n - tractive.damping_n_s_m * v_m_s;
        let mass_kg = tractive.mass_kg - lag_kg;
        let normal_load = ground.driven(tractive_n - resistance.now_n, mass_kg, direction);
        if !ground.carries(vehicle, gear, &tractive, v_m_s, normal_load.acceleration_m_s2) {
            return None;
        }
        let body = self.body(
            &resistance,
            &normal_load,
            direction,
            mass_kg,
            [tractive.force_n, tractive.damping_n_s_m],
        );
        Some((normal_load, tractive, body))
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
        normal_load: &NormalLoad,
        direction: f64,
        mass_kg: f64,
        [force_n, damping_n_s_m]: [f64; 2],
    ) -> MotionPhase {
        MotionPhase::new(
            mass_kg + normal_load.rolling_transfer_kg * direction,
            force_n - resistance.steady_n - normal_load.rolling_n * direction,
            damping_n_s_m + resistance.drag_n_s_m,
            self.ground.fall_n_m,
            self.v_m_s,
        )
    }

    /// Which way a vehicle at rest starts: 1, -1, or 0 when friction and drive hold it.
    fn breakaway_direction(&self, supply: &Supply, gear: Option<&Gear>) -> f64 {
        let (ground, normal_load) = (&self.ground, self.ground.steady());
        let available_grip_n = normal_load.grip_n - ground.front_lost_n;
        let (tractive_n, hold_n, free_n) = match gear {
            None => (0.0, 0.0, 0.0),
            // Wheels that spin forward push with all their grip.
            Some(_) if self.slipping && self.motor_rad_s > 0.0 => (available_grip_n, normal_load.grip_n, 0.0),
            Some(g) => {
                let push = supply.line.stall_nm() * g.turn_rad_m * g.efficiency;
                let hold = (supply.line.electrical_stall_nm + supply.line.friction_nm) * g.turn_rad_m
                    / g.back_efficiency;
                (push.min(available_grip_n), hold.min(normal_load.grip_n), hold_when_free(g, supply))
            }
        };
        let slope_n = ground.grade_n + ground.obstacle_n(self.x_m);
        if tractive_n - slope_n > normal_load.rolling_n + ground.front_n + free_n {
            1.0
        } else if slope_n - hold_n > normal_load.rolling_n + ground.behind_n {
            -1.0
        } else {
            0.0
        }
    }

    /// Starts to move: wheels that touch an obstacle in the way mount it.
    pub(super) fn start_moving(&mut self, direction: f64) {
        for axle_contact in &mut self.axle_contacts {
            match axle_contact.touch {
                Touch::Front if direction > 0.0 => axle_contact.on = true,
                Touch::Behind if direction < 0.0 => {
                    axle_contact.ahead -= 1;
                    axle_contact.on = true;
                }
                _ => {}
            }
            axle_contact.touch = Touch::None;
        }
        self.contacts_dirty = true;
    }

    /// When the wheels begin to slip before the state `late` at `late_s`. Bisection.
    fn slip_onset_s(
        &self,
        vehicle: &Vehicle,
        gear: &Gear,
        tractive: &TractiveForce,
        body: &MotionPhase,
        late_s: f64,
        late: &MotionState,
    ) -> Option<f64> {
        let carries = |speed_m_s: f64, acceleration_m_s2: f64| {
            self.ground.carries(vehicle, gear, tractive, speed_m_s, acceleration_m_s2)
        };
        if carries(late.speed_m_s, late.acceleration_m_s2) {
            return None;
        }
        let (mut low, mut high) = (0.0, late_s);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            let state = body.progress(middle);
            if carries(state.speed_m_s, body.acceleration_of(&state)) { low = middle } else { high = middle }
        }
        Some(high).filter(|&at| at < late_s)
    }

    /// Which way slipping wheels turn: 1, -1, or 0 when they are at rest and drive and friction keep them there
    /// against the grip.
    pub(super) fn rim_direction(&self, line: &TorqueSpeedLine, gear: &Gear) -> f64 {
        if self.motor_rad_s != 0.0 {
            return self.motor_rad_s.signum();
        }
        let tractive_n = line.stall_nm() * gear.turn_rad_m * gear.efficiency;
        let hold_n = (line.electrical_stall_nm + line.friction_nm) * gear.turn_rad_m / gear.back_efficiency;
        if tractive_n > self.grip_n {
            1.0
        } else if hold_n < self.grip_n {
            -1.0
        } else {
            0.0
        }
    }

    /// How the drive line acts on slipping wheels, which the grip holds back.
    pub(super) fn rim_tractive_force(
        &self,
        vehicle: &Vehicle,
        line: &TorqueSpeedLine,
        gear: &Gear,
        direction: f64,
    ) -> TractiveForce {
        let rim_m_s = self.motor_rad_s / gear.turn_rad_m;
        tractive_force(
            line,
            gear,
            vehicle.wheel_kg,
            rim_m_s,
            if direction < 0.0 { -1.0 } else { 1.0 },
            self.grip_n,
        )
    }

    /// Motion of slipping wheels at the rim.
    pub(super) fn rim_phase(
        &self,
        vehicle: &Vehicle,
        gear: &Gear,
        tractive: &TractiveForce,
        direction: f64,
    ) -> MotionPhase {
        let mass_kg = vehicle.wheel_kg + tractive.efficiency * gear.rotor_kg;
        if direction == 0.0 {
            return MotionPhase::new(mass_kg, 0.0, 0.0, 0.0, 0.0);
        }
        let rim_m_s = self.motor_rad_s / gear.turn_rad_m;
        MotionPhase::new(mass_kg, tractive.force_n - self.grip_n, tractive.damping_n_s_m, 0.0, rim_m_s)
    }
}

/// When slipping wheels and vehicle have the same speed again, s; they have by `late_s`. Bisection.
fn regrip_s(wheels: &MotionPhase, motion: &MotionPhase, late_s: f64) -> f64 {
    let (mut low, mut high) = (0.0, late_s);
    for _ in 0..50 {
        let mid = 0.5 * (low + high);
        if wheels.progress(mid).speed_m_s <= motion.progress(mid).speed_m_s { high = mid } else { low = mid }
    }
    high
}
