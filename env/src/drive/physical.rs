//! Whether the episode is still physical.

use super::Drive;
use crate::motion::Plant;
use crate::outcome::Cause;
use crate::physical::{Unphysical, farther_back_m_s};

impl Drive {
    /// Whether position, speed and heat are what they can be: four comparisons that no number passes which is not one.
    #[inline]
    pub(super) fn is_physical(&self) -> bool {
        let plant = &self.plant;
        plant.v_m_s.abs() <= self.limits.fastest_m_s
            && plant.x_m.abs() < f64::INFINITY
            && plant.motor_rad_s.abs() < f64::INFINITY
            && plant.temperature_rise.winding_k.abs() < f64::INFINITY
    }

    /// Looks closer at a state that seems not to be physical; ends the episode if it is not.
    #[cold]
    pub(super) fn inspect(&mut self) {
        let plant = &self.plant;
        let fastest_m_s = farther_back_m_s(self.limits.fastest_m_s, &self.track, -plant.x_m);
        let finite = plant.x_m.is_finite()
            && plant.motor_rad_s.is_finite()
            && plant.temperature_rise.winding_k.is_finite();
        if finite && plant.v_m_s.abs() <= fastest_m_s {
            return;
        }
        let what = format!(
            "{:.3e} m/s at {:.3e} m with the motor at {:.3e} rad/s and its winding {:.3e} K above the air, where energy allows \
             {fastest_m_s:.1} m/s at the most",
            plant.v_m_s, plant.x_m, plant.motor_rad_s, plant.temperature_rise.winding_k
        );
        self.leave_physics(what);
    }

    /// Energies and damage are known at the end alone.
    pub(super) fn check_end(&mut self) {
        let plant = &self.plant;
        let (drawn_j, lost_j, damage) =
            (plant.energies.battery_j, plant.energies.losses_j(), plant.stress.total());
        if !(drawn_j + lost_j + damage).is_finite() {
            self.leave_physics(format!("{drawn_j} J drawn, {lost_j} J lost and damage of {damage}"));
        }
    }

    /// Notes the fault and ends the episode with a vehicle that nothing can fail on: at rest at the start.
    fn leave_physics(&mut self, what: String) {
        let course = &self.track.course.name;
        let fault = Unphysical::new(course, self.scenario.seed, self.episode, self.elapsed_s(), what);
        self.scenario.note(fault);
        self.plant = Plant::new(&self.vehicle, &self.track, 0);
        self.end = Some(Cause::OutOfTime);
    }
}
