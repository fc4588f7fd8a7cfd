//! A range sensor.

use crate::config::{Check, KeyError, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A range sensor (optical time of flight or ultrasonic) at the front axle, whose beam is aimed at the ground ahead. The
/// reading is the height above level ground that the mean range over its cone stands for.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct RangeConfig {
    /// From the front axle to where the middle of the beam meets level ground, m, 0.05 to 2.
    pub ahead_m: f64,
    /// Height of the sensor above the ground, m, 0.02 to 1.
    pub height_m: f64,
    /// Full angle of the cone, degrees, 0.5 to 60: optical sensors of one zone have 15 to 27 (data sheets).
    #[serde(default = "cone_deg")]
    pub cone_deg: f64,
    /// Standard deviation of the noise of the range, m, 0 to 0.5: 0.02 to 0.025 (data sheets).
    #[serde(default = "noise_m")]
    pub noise_m: f64,
    /// Smallest step of the range, m, 0.0001 to 0.1.
    #[serde(default = "resolution_m")]
    pub resolution_m: f64,
    /// A new range every so many ticks, 1 to 20: 15 to 50 ranges a second (data sheets).
    #[serde(default = "period_ticks")]
    pub period_ticks: u8,
    /// Share of the ground that gives no range, 0 to 1 (assumed: wet, black or slanted ground).
    #[serde(default = "dropout_share")]
    pub dropout_share: f64,
    /// Share of the ground that gives a false range with a good status, 0 to 1 (assumed: sunlight).
    #[serde(default = "false_share")]
    pub false_share: f64,
    /// Height that grass shows, m per unit of `drag-s-m`, 0 to 2 (assumed): a mixture of canopy and ground. 0.12 are 30
    /// mm in long grass of 0.25 s/m.
    #[serde(default = "canopy_m")]
    pub canopy_m: f64,
    /// Height from which an obstacle counts as low, m, 0.001 to 0.5.
    #[serde(default = "low_m")]
    pub low_m: f64,
    /// Height from which an obstacle counts as high, m: `low-m` or more, up to 0.5.
    #[serde(default = "high_m")]
    pub high_m: f64,
}

const fn cone_deg() -> f64 {
    25.0
}

const fn noise_m() -> f64 {
    0.02
}

const fn resolution_m() -> f64 {
    0.001
}

const fn period_ticks() -> u8 {
    1
}

const fn dropout_share() -> f64 {
    0.02
}

const fn false_share() -> f64 {
    0.02
}

const fn canopy_m() -> f64 {
    0.12
}

const fn low_m() -> f64 {
    0.02
}

const fn high_m() -> f64 {
    0.04
}

impl Check for RangeConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("ahead-m", self.ahead_m, 0.05, 2.0, "m")?;
        in_range("height-m", self.height_m, 0.02, 1.0, "m")?;
        in_range("cone-deg", self.cone_deg, 0.5, 60.0, "°")?;
        in_range("noise-m", self.noise_m, 0.0, 0.5, "m")?;
        in_range("resolution-m", self.resolution_m, 1e-4, 0.1, "m")?;
        in_range("period-ticks", self.period_ticks, 1, 20, "ticks")?;
        in_range("dropout-share", self.dropout_share, 0.0, 1.0, "")?;
        in_range(
            "false-share",
            self.false_share,
            0.0,
            1.0 - self.dropout_share,
            "(with dropout-share at most 1)",
        )?;
        in_range("canopy-m", self.canopy_m, 0.0, 2.0, "m")?;
        in_range("low-m", self.low_m, 0.001, 0.5, "m")?;
        in_range("high-m", self.high_m, self.low_m, 0.5, "m (low-m or more)")
    }
}
