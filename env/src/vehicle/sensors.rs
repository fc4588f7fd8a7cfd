//! What the controller can measure.

use super::{FeelerConfig, GyroConfig, RangeConfig, WhiskerConfig};
use crate::config::{Check, KeyError, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The sensors and the controller's clocks in a vehicle file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SensorConfig {
    /// Motor encoder, needed.
    pub encoder: EncoderConfig,
    /// Battery voltage, if it is measured; `resolution` and `noise` in V.
    pub battery: Option<NoisyConfig>,
    /// Motor current, if it is measured; `resolution` and `noise` in A.
    pub current: Option<NoisyConfig>,
    /// Tilt by an accelerometer, if there is one; `resolution` and `noise` in degrees.
    pub tilt: Option<NoisyConfig>,
    /// A trailing roller on an arm ahead of the front axle, if there is one. It excludes the others of these four.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feeler: Option<FeelerConfig>,
    /// A switch on an arm ahead of the front axle, if there is one. It excludes the others of these four.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub whisker: Option<WhiskerConfig>,
    /// A range sensor aimed at the ground ahead of the front axle, if there is one. It excludes the others of these four.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub range: Option<RangeConfig>,
    /// A gyroscope about the pitch axis, if there is one. It excludes the others of these four.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gyro: Option<GyroConfig>,
    /// Readings arrive this many ticks late, 0 to 4.
    #[serde(default)]
    pub latency_ticks: u8,
}

/// Pulses counted over one tick.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct EncoderConfig {
    /// Pulses per turn of the motor.
    pub pulses_per_turn: u32,
    /// Share of pulses lost or doubled, standard deviation relative to the count.
    #[serde(default = "usual_encoder_noise")]
    pub noise: f64,
}

const fn usual_encoder_noise() -> f64 {
    0.01
}

/// A sensor with steps and noise.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct NoisyConfig {
    /// Smallest step, in the unit of the sensor.
    pub resolution: f64,
    /// Standard deviation of the noise, in the unit of the sensor.
    pub noise: f64,
}

/// The controller's clocks and feature filters.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct ControllerConfig {
    /// Tick, s.
    pub tick_s: f64,
    /// Ticks between two decisions.
    pub decision_ticks: u16,
    /// Fast speed filter: moves by `2^-shift` a tick.
    pub fast_shift: u8,
    /// Slow load filter: moves by `2^-shift` a tick.
    pub slow_shift: u8,
    /// Tilt filter: moves by `2^-shift` a tick.
    pub tilt_shift: u8,
    /// Decay of the peak load: by `2^-shift` a tick.
    pub peak_shift: u8,
    /// An upshift taken back within this time counts as failed, s.
    pub failed_window_s: f64,
}

impl Default for ControllerConfig {
    fn default() -> ControllerConfig {
        ControllerConfig {
            tick_s: 0.05,
            decision_ticks: 4,
            fast_shift: 1,
            slow_shift: 5,
            tilt_shift: 3,
            peak_shift: 6,
            failed_window_s: 2.5,
        }
    }
}

/// The guard in a vehicle file; see the onboard crate for what each rule does.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct GuardConfig {
    /// Drive cut before the selector moves, ticks.
    pub cut_lead_ticks: u16,
    /// Least time in a gear, s.
    pub min_dwell_s: f64,
    /// Time allowed for a move beyond the servo's own, s.
    pub move_margin_s: f64,
    /// Further tries after a missed engagement.
    pub retries: u8,
    /// Duration of a recalibration, s.
    pub recalibrate_s: f64,
    /// No upshift at or above this tilt, degrees.
    pub tilt_limit_deg: Option<f64>,
    /// Standing still under drive for this long cuts the drive, s.
    pub stall_cut_s: f64,
    /// Rest after such a cut, s.
    pub stall_rest_s: f64,
}

impl Default for GuardConfig {
    fn default() -> GuardConfig {
        GuardConfig {
            cut_lead_ticks: 1,
            min_dwell_s: 0.4,
            move_margin_s: 0.15,
            retries: 4,
            recalibrate_s: 0.8,
            tilt_limit_deg: None,
            stall_cut_s: 4.0,
            stall_rest_s: 3.0,
        }
    }
}

impl Check for SensorConfig {
    fn check(&self) -> Result<(), KeyError> {
        let pulses = f64::from(self.encoder.pulses_per_turn);
        in_range("encoder.pulses-per-turn", pulses, 1.0, 4096.0, "")?;
        in_range("encoder.noise", self.encoder.noise, 0.0, 0.5, "")?;
        for (name, sensor) in [("battery", self.battery), ("current", self.current), ("tilt", self.tilt)] {
            if let Some(sensor) = sensor {
                in_range(&format!("{name}.resolution"), sensor.resolution, 1e-4, 100.0, "")?;
                in_range(&format!("{name}.noise"), sensor.noise, 0.0, 100.0, "")?;
            }
        }
        self.check_preview()?;
        in_range("latency-ticks", f64::from(self.latency_ticks), 0.0, 4.0, "ticks")
    }
}

impl Check for ControllerConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("tick-s", self.tick_s, 0.005, 0.2, "s")?;
        in_range("decision-ticks", f64::from(self.decision_ticks), 1.0, 100.0, "ticks")?;
        for (key, shift) in [
            ("fast-shift", self.fast_shift),
            ("slow-shift", self.slow_shift),
            ("tilt-shift", self.tilt_shift),
            ("peak-shift", self.peak_shift),
        ] {
            in_range(key, f64::from(shift), 0.0, 10.0, "")?;
        }
        in_range("failed-window-s", self.failed_window_s, 0.0, 30.0, "s")
    }
}

impl Check for GuardConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("cut-lead-ticks", f64::from(self.cut_lead_ticks), 0.0, 50.0, "ticks")?;
        in_range("min-dwell-s", self.min_dwell_s, 0.0, 30.0, "s")?;
        in_range("move-margin-s", self.move_margin_s, 0.0, 10.0, "s")?;
        in_range("retries", f64::from(self.retries), 0.0, 50.0, "")?;
        in_range("recalibrate-s", self.recalibrate_s, 0.05, 30.0, "s")?;
        if let Some(limit) = self.tilt_limit_deg {
            in_range("tilt-limit-deg", limit, 0.0, 90.0, "°")?;
        }
        in_range("stall-cut-s", self.stall_cut_s, 0.1, 60.0, "s")?;
        in_range("stall-rest-s", self.stall_rest_s, 0.0, 600.0, "s")
    }
}
