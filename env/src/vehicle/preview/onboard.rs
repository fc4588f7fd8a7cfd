//! Settings of the sensor ahead in the controller.

use super::PreviewSensor;
use crate::vehicle::{GRAVITY_M_S2, VehicleConfig};
use lowgear_onboard::{MAX_GEARS, PreviewSettings};
use std::f64::consts::TAU;

/// An axle is on an obstacle until this far behind its top, m: half of what a small wheel rolls on it, and the slip of
/// the odometry.
const HOLD_M: f64 = 0.03;
/// A second rise of the reading within this way belongs to the same obstacle, m: a roller that is thrown.
const LOCKOUT_M: f64 = 0.05;
/// A reading stays up by this much longer than an edge takes to the front axle (from there to the last one) before it
/// counts as stuck, m.
const STUCK_M: f64 = 0.06;

/// Heights beyond this tell nothing, mm; a range that failed reads as more.
pub(crate) const RANGE_MM: i16 = 2000;
/// Angles beyond this tell nothing, hundredths of a degree.
const TURN_CDEG: i16 = 9000;
/// Deceleration of a vehicle that rolls in neutral, over gravity: between hard path and lawn (assumed).
const COAST_SHARE: f64 = 0.06;

impl VehicleConfig {
    /// Constants of the preview in the controller that runs on this vehicle.
    pub(in crate::vehicle) fn preview_settings(&self) -> PreviewSettings {
        let Some(sensor) = self.sensors.preview() else { return PreviewSettings::NONE };
        let millimetres = |metres: f64| (1000.0 * metres).round().clamp(0.0, 10_000.0) as u16;
        let (range, low_level, high_level) = match sensor {
            PreviewSensor::Feeler(feeler) => {
                let level = |height_m: f64| (10.0 * arm_angle_deg(height_m, feeler.arm_m)).round() as i16;
                let low = level(feeler.low_m).max(1);
                ([-900, 900], low, level(feeler.high_m).max(low))
            }
            PreviewSensor::Whisker(_) => ([0, 1], 1, i16::MAX),
            PreviewSensor::Range(range) => {
                let level = |height_m: f64| millimetres(height_m).max(1) as i16;
                ([-RANGE_MM, RANGE_MM], level(range.low_m), level(range.high_m))
            }
            PreviewSensor::Gyro(gyro) => {
                let level =
                    |height_m: f64| (100.0 * arm_angle_deg(height_m, self.wheelbase_m())).round() as i16;
                let low = level(gyro.low_m).max(1);
                ([-TURN_CDEG, TURN_CDEG], low, level(gyro.high_m).max(low))
            }
        };
        // An edge lifts the front axle until the last one is up as well.
        let stuck_m = match sensor {
            PreviewSensor::Gyro(_) => self.wheelbase_m(),
            _ => sensor.ahead_m(),
        };
        PreviewSettings {
            fitted: true,
            range,
            low_level,
            high_level,
            ahead_mm: millimetres(sensor.ahead_m()),
            wheelbase_mm: millimetres(self.wheelbase_m()),
            hold_mm: millimetres(HOLD_M),
            lockout_mm: millimetres(LOCKOUT_M),
            coast_q4_mm: (16.0 * 1000.0 * COAST_SHARE * GRAVITY_M_S2 * self.controller.tick_s.powi(2))
                .round()
                .min(60_000.0) as u16,
            stuck_mm: millimetres(stuck_m + STUCK_M),
            count_q12_mm: self.count_q12_mm(),
        }
    }

    /// Way of an encoder count in each gear, mm times 4096.
    #[must_use]
    pub fn count_q12_mm(&self) -> [u32; MAX_GEARS] {
        let turn_m = TAU * self.chassis.wheel_radius_m / f64::from(self.sensors.encoder.pulses_per_turn);
        let mut count_q12_mm = [0; MAX_GEARS];
        for (way, ratio) in count_q12_mm.iter_mut().zip(&self.gearbox.total_ratio) {
            *way = (4096.0 * 1000.0 * turn_m / ratio).round().clamp(0.0, 2_097_151.0) as u32;
        }
        count_q12_mm
    }
}

/// Angle by which an arm that is level on flat ground turns over a height, degrees: `asin(height / arm)`. The level is
/// rounded to tenths, so that the library's function may differ from machine to machine in its last digits.
fn arm_angle_deg(height_m: f64, arm_m: f64) -> f64 {
    (height_m / arm_m).clamp(-1.0, 1.0).asin().to_degrees()
}
