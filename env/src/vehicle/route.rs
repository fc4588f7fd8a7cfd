//! Settings of the localisation on a map of the way.

use super::{GRAVITY_M_S2, VehicleConfig};
use lowgear_onboard::{MAX_GEARS, RouteSettings};

/// The smallest rise of the resistance that is noted, share of the weight: an edge of 3 mm under one axle is more than twice
/// that for small wheels.
const RISE_SHARE: f64 = 0.05;
/// And standard deviations of the resistance of one tick, by the noise of the encoder.
const RISE_SDS: f64 = 5.0;
/// After a contradiction the policy decides alone until the rear axle has passed, and so much farther, m.
const DISTRUST_M: f64 = 0.1;
/// A step of the map's way, m.
const STEP_M: f64 = 0.016;

impl VehicleConfig {
    /// Constants of a map of the way in the controller that runs on this vehicle.
    #[must_use]
    pub fn route_settings(&self) -> RouteSettings {
        let controller = self.controller_settings();
        let count_q12_mm = self.count_q12_mm();
        let gears = self.gearbox.total_ratio.len();
        let radius_m = self.chassis.wheel_radius_m;
        let motor = self.motor.line.constants().without_gain();
        let top_ratio = self.gearbox.total_ratio[gears - 1];
        let stall_a = self.battery.nominal_voltage_v / motor.resistance_ohm - motor.no_load_current_a;
        let stall_nm = motor.torque_constant_nm_a * stall_a;
        let stall_n = stall_nm * top_ratio * self.gearbox.efficiency[gears - 1] / radius_m;
        let rolling_kg = self.chassis.mass_kg + self.chassis.wheel_inertia_kg_m2 / radius_m.powi(2);
        let mut inertia_permille = [0; MAX_GEARS];
        let tick_s = self.controller.tick_s;
        for (gear, inertia) in inertia_permille.iter_mut().enumerate().take(gears) {
            let ratio = self.gearbox.total_ratio[gear];
            let rotor_kg =
                self.gearbox.efficiency[gear] * self.motor.rotor_inertia_kg_m2 * (ratio / radius_m).powi(2);
            let count_m = f64::from(count_q12_mm[gear]) / 4096.0 / 1000.0;
            let force_n = (rolling_kg + rotor_kg) * count_m / tick_s.powi(2);
            *inertia = (1000.0 * force_n / stall_n).round().clamp(0.0, 60_000.0) as u16;
        }
        let full_counts = self.battery.nominal_voltage_v * 1e6 / f64::from(controller.features.speed_gain);
        let noise = 2f64.sqrt() * self.sensors.encoder.noise * full_counts + 0.5;
        let noise_permille = noise * f64::from(inertia_permille[..gears].iter().copied().max().unwrap_or(0));
        let weight_permille = 1000.0 * self.chassis.mass_kg * GRAVITY_M_S2 / stall_n;
        let wheelbase_m = self.chassis.axles.last().map_or(0.0, |axle| axle.behind_front_m);
        RouteSettings {
            count_q12_mm,
            coast_q16_mm: (65_536.0 * stall_n / rolling_kg * tick_s.powi(2)).round().clamp(0.0, 60_000.0)
                as u16,
            inertia_permille,
            rise_permille: (RISE_SHARE * weight_permille).max(RISE_SDS * noise_permille).round().min(15_000.0)
                as i16,
            distrust_steps: ((wheelbase_m + DISTRUST_M) / STEP_M).round().min(255.0) as u8,
        }
    }
}
