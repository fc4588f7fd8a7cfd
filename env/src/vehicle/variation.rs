//! What varies from vehicle to vehicle and day to day.

use crate::config::{Check, KeyError, ParameterDistribution};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Distributions of vehicle parameters, drawn for every episode.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct VariationConfig {
    /// Factor on the mass.
    pub mass_factor: ParameterDistribution,
    /// Factor on every efficiency (kept at or below 1).
    pub efficiency_factor: ParameterDistribution,
    /// Factor on the winding resistance.
    pub winding_factor: ParameterDistribution,
    /// Factor on rolling resistance and grass drag.
    pub rolling_factor: ParameterDistribution,
    /// Factor on the friction coefficient of the ground.
    pub friction_factor: ParameterDistribution,
    /// State of charge at the start, 0 to 1.
    pub charge: ParameterDistribution,
    /// Factor on the battery's resistance.
    pub battery_resistance_factor: ParameterDistribution,
    /// Offset of the tilt sensor, degrees.
    pub tilt_bias_deg: ParameterDistribution,
    /// Air temperature, °C.
    pub air_c: ParameterDistribution,
    /// Factor on the noise of every sensor.
    pub sensor_noise_factor: ParameterDistribution,
    /// Ticks by which readings are later than the sensors' own latency, rounded to whole ticks.
    pub latency_ticks: ParameterDistribution,
    /// Factor on the distance from the front axle to the sensor ahead; absent means 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub preview_ahead_factor: Option<ParameterDistribution>,
    /// Offset of the zero of the sensor ahead: degrees of a feeler, degrees per second of a
    /// gyroscope, mm of the others; absent means none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub preview_offset: Option<ParameterDistribution>,
    /// Factor on missed and false obstacles of the sensor ahead; absent means 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub preview_error_factor: Option<ParameterDistribution>,
}

impl Default for VariationConfig {
    fn default() -> VariationConfig {
        let one = ParameterDistribution::Fixed(1.0);
        VariationConfig {
            mass_factor: one,
            efficiency_factor: one,
            winding_factor: one,
            rolling_factor: one,
            friction_factor: one,
            charge: ParameterDistribution::Fixed(0.7),
            battery_resistance_factor: one,
            tilt_bias_deg: ParameterDistribution::Fixed(0.0),
            air_c: ParameterDistribution::Fixed(20.0),
            sensor_noise_factor: one,
            latency_ticks: ParameterDistribution::Fixed(0.0),
            preview_ahead_factor: None,
            preview_offset: None,
            preview_error_factor: None,
        }
    }
}

impl VariationConfig {
    /// Every distribution at its centre: the nominal vehicle.
    #[must_use]
    pub fn nominal(&self) -> VariationConfig {
        let centre = |s: ParameterDistribution| ParameterDistribution::Fixed(s.centre());
        VariationConfig {
            mass_factor: centre(self.mass_factor),
            efficiency_factor: centre(self.efficiency_factor),
            winding_factor: centre(self.winding_factor),
            rolling_factor: centre(self.rolling_factor),
            friction_factor: centre(self.friction_factor),
            charge: centre(self.charge),
            battery_resistance_factor: centre(self.battery_resistance_factor),
            tilt_bias_deg: centre(self.tilt_bias_deg),
            air_c: centre(self.air_c),
            sensor_noise_factor: centre(self.sensor_noise_factor),
            latency_ticks: centre(self.latency_ticks),
            preview_ahead_factor: self.preview_ahead_factor.map(centre),
            preview_offset: self.preview_offset.map(centre),
            preview_error_factor: self.preview_error_factor.map(centre),
        }
    }
}

impl Check for VariationConfig {
    fn check(&self) -> Result<(), KeyError> {
        for (key, spread) in [
            ("mass-factor", self.mass_factor),
            ("efficiency-factor", self.efficiency_factor),
            ("winding-factor", self.winding_factor),
            ("rolling-factor", self.rolling_factor),
            ("friction-factor", self.friction_factor),
            ("battery-resistance-factor", self.battery_resistance_factor),
        ] {
            spread.check_within(key, 0.2, 5.0, "")?;
        }
        self.charge.check_within("charge", 0.0, 1.0, "")?;
        self.tilt_bias_deg.check_within("tilt-bias-deg", -20.0, 20.0, "°")?;
        self.air_c.check_within("air-c", -30.0, 60.0, "°C")?;
        self.sensor_noise_factor.check_within("sensor-noise-factor", 0.0, 20.0, "")?;
        self.latency_ticks.check_within("latency-ticks", 0.0, 4.0, "ticks")?;
        for (key, spread, low, high) in [
            ("preview-ahead-factor", self.preview_ahead_factor, 0.5, 2.0),
            ("preview-offset", self.preview_offset, -20.0, 20.0),
            ("preview-error-factor", self.preview_error_factor, 0.0, 5.0),
        ] {
            spread.map_or(Ok(()), |spread| spread.check_within(key, low, high, ""))?;
        }
        Ok(())
    }
}
