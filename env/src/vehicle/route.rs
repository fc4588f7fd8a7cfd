//! Settings of the localisation on a map of the way, and of what a vehicle learns of its way by itself.

use super::{GRAVITY_M_S2, VehicleConfig};
use lowgear_onboard::{LapMemorySettings, LapSettings, MAX_GEARS, OdometerSettings, RouteSettings};

/// The smallest rise of the resistance that is noted, share of the weight: an edge of 3 mm under one axle is more than twice
/// that for small wheels.
const RISE_SHARE: f64 = 0.05;
/// And standard deviations of the resistance of one tick, by the noise of the encoder.
const RISE_SDS: f64 = 5.0;
/// After a contradiction the policy decides alone until the rear axle has passed, and so much farther, m.
const DISTRUST_M: f64 = 0.1;
/// A step of the map's way, m.
const STEP_M: f64 = 0.016;
/// A vehicle that learns its way looks so far ahead, m. Measured: 0.3, 0.4 and 0.5 m save the same.
const LOOK_M: f64 = 0.4;
/// The top gear has to be faster by this share of the lower gear's no-load speed before it is worth a shift.
const EARLY_MARGIN: f64 = 0.02;
/// No early upshift for so long after one that was taken back, s: as long as a tuned rule waits.
const RETRY_S: f64 = 1.25;

/// What a vehicle does with what it has learned of its way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LapAdvice {
    /// It holds upshifts back before places where it has stalled.
    Hold,
    /// It also shifts up early where its top gear ran easily.
    #[default]
    Early,
}

impl VehicleConfig {
    /// Constants of what the controller learns of a way that it drives again and again.
    #[must_use]
    pub fn lap_settings(&self, advice: LapAdvice) -> LapSettings {
        let early_permille = match advice {
            // No speed ratio reaches this.
            LapAdvice::Hold => i16::MAX,
            LapAdvice::Early => (1000.0 * (self.equal_speed_ratio() + EARLY_MARGIN)).round() as i16,
        };
        let memory = LapMemorySettings {
            top_gear: self.gearbox.total_ratio.len().saturating_sub(1) as u8,
            look_mm: (1000.0 * LOOK_M) as u16,
            early_permille,
            retry_ticks: (RETRY_S / self.controller.tick_s).round().min(1000.0) as i16,
        };
        LapSettings { odometer: self.route_settings().odometer, memory }
    }

    /// Speed ratio in the gear below the top one at which the top gear drives the same load at the same speed. Torque falls
    /// in proportion to the speed: with `r` the ratio of the gears and `k` of their forces, `x = r (1 - k (1 - x))`.
    fn equal_speed_ratio(&self) -> f64 {
        let [.., low, top] = self.gearbox.total_ratio[..] else { return 1.0 };
        let [.., low_efficiency, top_efficiency] = self.gearbox.efficiency[..] else { return 1.0 };
        let speeds = low / top;
        let forces = speeds * low_efficiency / top_efficiency;
        let denominator = speeds * forces - 1.0;
        if denominator > 0.0 { (speeds * (forces - 1.0) / denominator).clamp(0.0, 1.0) } else { 1.0 }
    }

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
        let wheelbase_m = self.wheelbase_m();
        let coast_q16_mm = 65_536.0 * stall_n / rolling_kg * tick_s.powi(2);
        let coast_q16_mm = coast_q16_mm.round().clamp(0.0, 60_000.0) as u16;
        RouteSettings {
            odometer: OdometerSettings { count_q12_mm, coast_q16_mm, inertia_permille },
            rise_permille: (RISE_SHARE * weight_permille).max(RISE_SDS * noise_permille).round().min(15_000.0)
                as i16,
            distrust_steps: ((wheelbase_m + DISTRUST_M) / STEP_M).round().min(255.0) as u8,
        }
    }
}
