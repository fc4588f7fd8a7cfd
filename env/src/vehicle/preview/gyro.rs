//! A gyroscope as the sensor that says what the front axle meets, so that the last axle is warned.

use super::PreviewSensor;
use crate::config::{Check, KeyError, in_range};
use crate::vehicle::VehicleConfig;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A gyroscope about the pitch axis, as inertial units have one. While the front axle is on an obstacle the vehicle
/// stands at an angle of the height over the wheelbase. The program that reads the part adds up its rates many times in a
/// tick, lets the angle fade, so that slopes and the drift of its zero go (a high-pass filter of first order), and takes the
/// highest angle of each tick. The part touches nothing and sees nothing ahead of the front axle.
///
/// Not modelled: an error of its scale, 1 to 3 % (from memory), which is 0.2 mm of an obstacle of 6 mm at most; suspension.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct GyroConfig {
    /// Standard deviation of the noise of an angle, degrees, 0 to 10 (assumed: shaking of the vehicle). The noise of a
    /// low-cost part itself adds up to 0.3 degrees in the root of an hour (Greenheck 2009, Marquette University, as quoted
    /// elsewhere): 0.005 degrees in a second.
    #[serde(default = "noise_deg")]
    pub noise_deg: f64,
    /// Time in which the angle fades to 37 %, s, 0.1 to 20.
    #[serde(default = "fade_s")]
    pub fade_s: f64,
    /// Height under the front axle from which an obstacle counts as low, m, 0.0005 to 0.1.
    #[serde(default = "low_m")]
    pub low_m: f64,
    /// Height from which it counts as high, m: `low-m` or more, up to 0.1.
    #[serde(default = "high_m")]
    pub high_m: f64,
}

const fn noise_deg() -> f64 {
    0.1
}

const fn fade_s() -> f64 {
    0.7
}

const fn low_m() -> f64 {
    0.0035
}

const fn high_m() -> f64 {
    0.006
}

impl Check for GyroConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("noise-deg", self.noise_deg, 0.0, 10.0, "°")?;
        in_range("fade-s", self.fade_s, 0.1, 20.0, "s")?;
        in_range("low-m", self.low_m, 0.0005, 0.1, "m")?;
        in_range("high-m", self.high_m, self.low_m, 0.1, "m (low-m or more)")
    }
}

impl VehicleConfig {
    /// A vehicle must be longer than the obstacles are high that a gyroscope is to tell apart.
    pub(in crate::vehicle) fn check_gyro(&self) -> Result<(), KeyError> {
        let Some(PreviewSensor::Gyro(gyro)) = self.sensors.preview() else { return Ok(()) };
        if self.wheelbase_m() >= 2.0 * gyro.high_m {
            return Ok(());
        }
        let allowed = format!("two axles, at least twice high-m ({} m) apart", 2.0 * gyro.high_m);
        Err(KeyError::new("gyro", format!("axles {} m apart", self.wheelbase_m()), allowed))
    }
}
