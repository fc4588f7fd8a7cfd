//! Sensors that tell what the axles will meet. A vehicle has one of them at the most.
//!
//! No source gives these figures for a vehicle of this size, so that defaults are assumed unless a doc comment says
//! otherwise; measure an own part before its figures are trusted. Contact sensing ahead of a vehicle as such is
//! published: arXiv 2202.08495 (rover), arXiv 2601.05612 (printed whiskers).

mod gyro;
mod onboard;
mod range;
mod roller;

pub use gyro::GyroConfig;
pub(crate) use onboard::RANGE_MM;
pub use range::RangeConfig;
pub use roller::{RollerConfig, RollerLoad};

use super::SensorConfig;
use crate::config::{Check, KeyError, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A roller that trails at the end of an arm ahead of the front axle, with an angle sensor on the arm. The arm is
/// level where the ground is. The controller takes the highest angle of each tick.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct FeelerConfig {
    /// From the front axle to where the roller touches the ground, m, 0.05 to 0.6.
    pub ahead_m: f64,
    /// Length of the arm, m, 0.02 to 0.5.
    pub arm_m: f64,
    /// Radius of the roller, m, 0.001 to 0.05.
    pub roller_radius_m: f64,
    /// Smallest step of the angle, degrees, 0.01 to 5: a 12-bit magnetic encoder has 0.088. The controller takes
    /// tenths of a degree.
    #[serde(default = "feeler_resolution_deg")]
    pub resolution_deg: f64,
    /// Standard deviation of the noise, degrees, 0 to 10 (assumed: shaking of the arm).
    #[serde(default = "feeler_noise_deg")]
    pub noise_deg: f64,
    /// Width of the hysteresis by friction and play in the bearing, degrees, 0 to 10 (assumed).
    #[serde(default = "feeler_hysteresis_deg")]
    pub hysteresis_deg: f64,
    /// Speed at which the damped arm falls back to the ground, m/s, 0.005 to 5 (assumed).
    #[serde(default = "fall_m_s")]
    pub fall_m_s: f64,
    /// Speed of the vehicle above which an obstacle throws the roller off the ground, m/s, 0.01 to 100 (assumed).
    #[serde(default = "bounce_above_m_s")]
    pub bounce_above_m_s: f64,
    /// Drag of the roller, N, 0 to 20: measured, as by a spring balance. It comes on top of what follows from `roller`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drag_n: Option<f64>,
    /// What presses the roller on the ground: its drag then follows from the surface. Without it `drag-n` is needed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub roller: Option<RollerConfig>,
    /// Height from which an obstacle counts as low, m, 0.0005 to 0.1.
    #[serde(default = "low_m")]
    pub low_m: f64,
    /// Height from which an obstacle counts as high, m: above `low-m`, up to 0.2.
    #[serde(default = "high_m")]
    pub high_m: f64,
    /// Where its track differs from that of the wheels.
    #[serde(default)]
    pub track: OwnTrackConfig,
    /// What grass does to it.
    #[serde(default)]
    pub grass: GrassConfig,
}

/// A feeler with a switch in place of the angle sensor: it says that something was there in a tick.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct WhiskerConfig {
    /// From the front axle to where the tip touches the ground, m, 0.05 to 0.6.
    pub ahead_m: f64,
    /// Radius of the tip, m, 0.001 to 0.05.
    #[serde(default = "tip_radius_m")]
    pub tip_radius_m: f64,
    /// Height of the tip above level ground at which the switch closes, m, 0.0005 to 0.1.
    pub trigger_m: f64,
    /// By how much less it opens again, m, 0 to 0.05 (assumed).
    #[serde(default = "switch_hysteresis_m")]
    pub hysteresis_m: f64,
    /// Standard deviation of the height at which it switches, m, 0 to 0.05 (assumed: shaking).
    #[serde(default = "switch_noise_m")]
    pub noise_m: f64,
    /// Speed at which the tip falls back to the ground, m/s, 0.005 to 5 (assumed).
    #[serde(default = "fall_m_s")]
    pub fall_m_s: f64,
    /// Speed of the vehicle above which an obstacle throws the tip off the ground, m/s, 0.01 to 100 (assumed).
    #[serde(default = "bounce_above_m_s")]
    pub bounce_above_m_s: f64,
    /// Drag of the tip, N, 0 to 20.
    pub drag_n: f64,
    /// Where its track differs from that of the wheels.
    #[serde(default)]
    pub track: OwnTrackConfig,
    /// What grass does to it.
    #[serde(default)]
    pub grass: GrassConfig,
}

/// A contact sensor follows a track of its own, between or outside those of the wheels.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct OwnTrackConfig {
    /// Share of the bumps under the wheels that do not lie on the sensor's track, 0 to 1 (assumed). Edges lie across
    /// both.
    pub missed_share: f64,
    /// Bumps on the sensor's track that no wheel meets, per bump under the wheels, 0 to 1 (assumed).
    pub false_share: f64,
}

/// What grass does to a contact sensor. All of it grows with the grass, for which the drag of the surface stands.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct GrassConfig {
    /// How often the arm gets stuck, per metre and per unit of `drag-s-m`, 0 to 100 (assumed): with 2.0 once in two
    /// metres of long grass of 0.25 s/m.
    pub stuck_rate: f64,
    /// Distance for which it stays stuck, m, 0 to 5 (assumed).
    pub stuck_length_m: f64,
    /// Share of these times in which it is held down on the ground; the rest of the time it is held up, 0 to 1
    /// (assumed).
    pub down_share: f64,
    /// Mean height of tufts that it rides over, m per unit of `drag-s-m`, 0 to 1 (assumed): 0.02 are 5 mm in long
    /// grass of 0.25 s/m.
    pub tuft_m: f64,
}

impl Default for OwnTrackConfig {
    fn default() -> OwnTrackConfig {
        OwnTrackConfig { missed_share: 0.1, false_share: 0.1 }
    }
}

impl Default for GrassConfig {
    fn default() -> GrassConfig {
        GrassConfig { stuck_rate: 2.0, stuck_length_m: 0.4, down_share: 0.5, tuft_m: 0.02 }
    }
}

const fn feeler_resolution_deg() -> f64 {
    0.088
}

const fn feeler_noise_deg() -> f64 {
    0.3
}

const fn feeler_hysteresis_deg() -> f64 {
    0.3
}

const fn fall_m_s() -> f64 {
    0.05
}

const fn bounce_above_m_s() -> f64 {
    0.5
}

const fn low_m() -> f64 {
    0.0025
}

const fn high_m() -> f64 {
    0.006
}

const fn tip_radius_m() -> f64 {
    0.004
}

const fn switch_hysteresis_m() -> f64 {
    0.0005
}

const fn switch_noise_m() -> f64 {
    0.0003
}

/// The sensor ahead that a vehicle has.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PreviewSensor {
    /// `[sensors.feeler]`.
    Feeler(FeelerConfig),
    /// `[sensors.whisker]`.
    Whisker(WhiskerConfig),
    /// `[sensors.range]`.
    Range(RangeConfig),
    /// `[sensors.gyro]`.
    Gyro(GyroConfig),
}

impl PreviewSensor {
    /// From the front axle to the place that it looks at, m; a gyroscope feels the front axle itself.
    #[must_use]
    pub fn ahead_m(&self) -> f64 {
        match self {
            PreviewSensor::Feeler(feeler) => feeler.ahead_m,
            PreviewSensor::Whisker(whisker) => whisker.ahead_m,
            PreviewSensor::Range(range) => range.ahead_m,
            PreviewSensor::Gyro(_) => 0.0,
        }
    }

    /// What it adds to the drag of the vehicle on any surface, N.
    #[must_use]
    pub fn drag_n(&self) -> f64 {
        match self {
            PreviewSensor::Feeler(feeler) => feeler.drag_n.unwrap_or(0.0),
            PreviewSensor::Whisker(whisker) => whisker.drag_n,
            PreviewSensor::Range(_) | PreviewSensor::Gyro(_) => 0.0,
        }
    }
}

impl SensorConfig {
    /// The sensor ahead, if one is fitted.
    #[must_use]
    pub fn preview(&self) -> Option<PreviewSensor> {
        let feeler = self.feeler.map(PreviewSensor::Feeler);
        let whisker = || self.whisker.map(PreviewSensor::Whisker);
        let range = || self.range.map(PreviewSensor::Range);
        feeler.or_else(whisker).or_else(range).or_else(|| self.gyro.map(PreviewSensor::Gyro))
    }

    pub(super) fn check_preview(&self) -> Result<(), KeyError> {
        let fitted = [
            ("feeler", self.feeler.is_some()),
            ("whisker", self.whisker.is_some()),
            ("range", self.range.is_some()),
            ("gyro", self.gyro.is_some()),
        ];
        let mut fitted = fitted.into_iter().filter_map(|(key, fitted)| fitted.then_some(key));
        if let (Some(first), Some(second)) = (fitted.next(), fitted.next()) {
            let allowed = "one sensor ahead; leave out one of the two tables";
            return Err(KeyError::new(second, format!("fitted next to [sensors.{first}]"), allowed));
        }
        self.feeler.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("feeler"))?;
        self.whisker.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("whisker"))?;
        self.range.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("range"))?;
        self.gyro.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("gyro"))
    }
}

impl Check for FeelerConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("ahead-m", self.ahead_m, 0.05, 0.6, "m")?;
        in_range("arm-m", self.arm_m, 0.02, 0.5, "m")?;
        in_range("roller-radius-m", self.roller_radius_m, 0.001, 0.05, "m")?;
        in_range("resolution-deg", self.resolution_deg, 0.01, 5.0, "°")?;
        in_range("noise-deg", self.noise_deg, 0.0, 10.0, "°")?;
        in_range("hysteresis-deg", self.hysteresis_deg, 0.0, 10.0, "°")?;
        check_motion(self.fall_m_s, self.bounce_above_m_s, self.drag_n.unwrap_or(0.0))?;
        if self.drag_n.is_none() && self.roller.is_none() {
            let allowed = "a measured drag, N, or the table `roller`, from which the drag follows";
            return Err(KeyError::new("drag-n", "nothing", allowed));
        }
        self.roller.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("roller"))?;
        let longest_m = 0.9 * self.arm_m;
        in_range("low-m", self.low_m, 0.0005, longest_m.min(0.1), "m (below 0.9 of arm-m)")?;
        in_range(
            "high-m",
            self.high_m,
            self.low_m,
            longest_m.min(0.2),
            "m (low-m or more, below 0.9 of arm-m)",
        )?;
        self.track.check().map_err(|e| e.within("track"))?;
        self.grass.check().map_err(|e| e.within("grass"))
    }
}

impl Check for WhiskerConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("ahead-m", self.ahead_m, 0.05, 0.6, "m")?;
        in_range("tip-radius-m", self.tip_radius_m, 0.001, 0.05, "m")?;
        in_range("trigger-m", self.trigger_m, 0.0005, 0.1, "m")?;
        in_range("hysteresis-m", self.hysteresis_m, 0.0, self.trigger_m.min(0.05), "m (up to trigger-m)")?;
        in_range("noise-m", self.noise_m, 0.0, 0.05, "m")?;
        check_motion(self.fall_m_s, self.bounce_above_m_s, self.drag_n)?;
        self.track.check().map_err(|e| e.within("track"))?;
        self.grass.check().map_err(|e| e.within("grass"))
    }
}

/// What feelers and whiskers have in common.
fn check_motion(fall_m_s: f64, bounce_above_m_s: f64, drag_n: f64) -> Result<(), KeyError> {
    in_range("fall-m-s", fall_m_s, 0.005, 5.0, "m/s")?;
    in_range("bounce-above-m-s", bounce_above_m_s, 0.01, 100.0, "m/s")?;
    in_range("drag-n", drag_n, 0.0, 20.0, "N")
}

impl Check for OwnTrackConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("missed-share", self.missed_share, 0.0, 1.0, "")?;
        in_range("false-share", self.false_share, 0.0, 1.0, "")
    }
}

impl Check for GrassConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("stuck-rate", self.stuck_rate, 0.0, 100.0, "")?;
        in_range("stuck-length-m", self.stuck_length_m, 0.0, 5.0, "m")?;
        in_range("down-share", self.down_share, 0.0, 1.0, "")?;
        in_range("tuft-m", self.tuft_m, 0.0, 1.0, "m")
    }
}
