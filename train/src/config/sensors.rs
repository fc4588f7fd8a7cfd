//! Sensors that a vehicle could have: what `lowgear sensors` compares.

use lowgear_env::config::{Check, ConfigError, KeyError, ParameterDistribution, in_range, parse};
use lowgear_env::vehicle::{
    FeelerConfig, GrassConfig, GyroConfig, OwnTrackConfig, PreviewSensor, RangeConfig, VariationConfig,
    VehicleConfig, WhiskerConfig,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Sensors ahead that a vehicle could have. One that is left out is not compared.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct SensorsConfig {
    /// A trailing roller on an arm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub feeler: Option<FeelerConfig>,
    /// A switch on an arm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub whisker: Option<WhiskerConfig>,
    /// A range sensor aimed at the ground.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub range: Option<RangeConfig>,
    /// A gyroscope about the pitch axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gyro: Option<GyroConfig>,
    /// How each of them differs from part to part.
    pub spread: SpreadsConfig,
}

/// How each sensor differs from part to part.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct SpreadsConfig {
    /// Of the feeler.
    pub feeler: SpreadConfig,
    /// Of the whisker.
    pub whisker: SpreadConfig,
    /// Of the range sensor.
    pub range: SpreadConfig,
    /// Of the gyroscope.
    pub gyro: SpreadConfig,
}

/// How a sensor differs from part to part; what is left out does not.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct SpreadConfig {
    /// Factor on the distance from the front axle, 0.5 to 2.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ahead_factor: Option<ParameterDistribution>,
    /// Offset of the zero, -20 to 20: degrees of a feeler, degrees per second of a gyroscope, mm of the others.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset: Option<ParameterDistribution>,
    /// Factor on missed and false obstacles, 0 to 5.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error_factor: Option<ParameterDistribution>,
}

/// A kind of sensor ahead.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SensorKind {
    /// A trailing roller on an arm.
    Feeler,
    /// A switch on an arm.
    Whisker,
    /// A range sensor.
    Range,
    /// A gyroscope.
    Gyro,
    /// A feeler without error: no part to buy, but the most that a part in its place could be worth to the rule.
    Exact,
}

impl SensorKind {
    /// All kinds.
    pub const ALL: [SensorKind; 5] =
        [SensorKind::Feeler, SensorKind::Whisker, SensorKind::Range, SensorKind::Gyro, SensorKind::Exact];

    /// The name in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            SensorKind::Feeler => "feeler",
            SensorKind::Whisker => "whisker",
            SensorKind::Range => "range sensor",
            SensorKind::Gyro => "gyroscope",
            SensorKind::Exact => "exact preview",
        }
    }
}

impl SensorKind {
    /// The kind of sensor ahead that a vehicle has.
    #[must_use]
    pub fn of(vehicle: &VehicleConfig) -> Option<SensorKind> {
        vehicle.sensors.preview().map(|sensor| match sensor {
            PreviewSensor::Feeler(_) => SensorKind::Feeler,
            PreviewSensor::Whisker(_) => SensorKind::Whisker,
            PreviewSensor::Range(_) => SensorKind::Range,
            PreviewSensor::Gyro(_) => SensorKind::Gyro,
        })
    }
}

impl SensorsConfig {
    /// The shipped sensors for a small cart, assumed; they are part of the program.
    ///
    /// # Errors
    /// None for the shipped file.
    pub fn shipped() -> Result<SensorsConfig, ConfigError> {
        parse(
            include_str!("../../../configs/sensors/small-cart.toml"),
            Path::new("configs/sensors/small-cart.toml"),
        )
    }

    /// The sensor ahead of a vehicle in place of its kind here, and which kind that is.
    pub fn take_from(&mut self, vehicle: &VehicleConfig) -> Option<SensorKind> {
        let v = &vehicle.variation;
        let spread = SpreadConfig {
            ahead_factor: v.preview_ahead_factor,
            offset: v.preview_offset,
            error_factor: v.preview_error_factor,
        };
        let kind = SensorKind::of(vehicle)?;
        let sensors = &vehicle.sensors;
        match kind {
            SensorKind::Feeler | SensorKind::Exact => {
                (self.feeler, self.spread.feeler) = (sensors.feeler, spread);
            }
            SensorKind::Whisker => (self.whisker, self.spread.whisker) = (sensors.whisker, spread),
            SensorKind::Range => (self.range, self.spread.range) = (sensors.range, spread),
            SensorKind::Gyro => (self.gyro, self.spread.gyro) = (sensors.gyro, spread),
        }
        Some(kind)
    }

    /// Whether there is a sensor of this kind.
    #[must_use]
    pub const fn has(&self, kind: SensorKind) -> bool {
        match kind {
            SensorKind::Feeler | SensorKind::Exact => self.feeler.is_some(),
            SensorKind::Whisker => self.whisker.is_some(),
            SensorKind::Range => self.range.is_some(),
            SensorKind::Gyro => self.gyro.is_some(),
        }
    }

    /// The same sensors at another distance ahead of the front axle.
    pub fn mount_at(&mut self, ahead_m: f64) {
        self.feeler.iter_mut().for_each(|feeler| feeler.ahead_m = ahead_m);
        self.whisker.iter_mut().for_each(|whisker| whisker.ahead_m = ahead_m);
        self.range.iter_mut().for_each(|range| range.ahead_m = ahead_m);
    }

    /// The vehicle with the sensor of this kind, and no other; none where there is no such sensor here.
    #[must_use]
    pub fn fitted(&self, vehicle: &VehicleConfig, kind: SensorKind) -> Option<VehicleConfig> {
        let mut fitted = without_preview(vehicle);
        let spread = match kind {
            SensorKind::Feeler => {
                fitted.sensors.feeler = Some(self.feeler?);
                self.spread.feeler
            }
            SensorKind::Whisker => {
                fitted.sensors.whisker = Some(self.whisker?);
                self.spread.whisker
            }
            SensorKind::Range => {
                fitted.sensors.range = Some(self.range?);
                self.spread.range
            }
            SensorKind::Gyro => {
                fitted.sensors.gyro = Some(self.gyro?);
                self.spread.gyro
            }
            SensorKind::Exact => {
                fitted.sensors.feeler = Some(without_error(self.feeler?));
                SpreadConfig::default()
            }
        };
        spread.put_into(&mut fitted.variation);
        Some(fitted)
    }
}

/// The vehicle without a sensor ahead.
#[must_use]
pub fn without_preview(vehicle: &VehicleConfig) -> VehicleConfig {
    let mut vehicle = vehicle.clone();
    let sensors = &mut vehicle.sensors;
    (sensors.feeler, sensors.whisker, sensors.range, sensors.gyro) = (None, None, None, None);
    SpreadConfig::default().put_into(&mut vehicle.variation);
    vehicle
}

/// A feeler in the same place that errs in nothing and drags nothing. What remains is that of the controller: odometry by
/// motor speed, and the pitch of the vehicle.
#[must_use]
pub fn without_error(feeler: FeelerConfig) -> FeelerConfig {
    FeelerConfig {
        roller_radius_m: 0.001,
        resolution_deg: 0.01,
        noise_deg: 0.0,
        hysteresis_deg: 0.0,
        fall_m_s: 5.0,
        bounce_above_m_s: 100.0,
        drag_n: Some(0.0),
        roller: None,
        track: OwnTrackConfig { missed_share: 0.0, false_share: 0.0 },
        grass: GrassConfig { stuck_rate: 0.0, stuck_length_m: 0.0, down_share: 0.0, tuft_m: 0.0 },
        ..feeler
    }
}

impl SpreadConfig {
    fn put_into(self, variation: &mut VariationConfig) {
        variation.preview_ahead_factor = self.ahead_factor;
        variation.preview_offset = self.offset;
        variation.preview_error_factor = self.error_factor;
    }
}

impl Check for SensorsConfig {
    fn check(&self) -> Result<(), KeyError> {
        if !SensorKind::ALL.into_iter().any(|kind| self.has(kind)) {
            let allowed = "one or more of the tables [feeler], [whisker], [range] and [gyro]";
            return Err(KeyError::new("feeler", "no sensor", allowed));
        }
        self.feeler.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("feeler"))?;
        self.whisker.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("whisker"))?;
        self.range.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("range"))?;
        self.gyro.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("gyro"))?;
        let spreads = [
            ("feeler", self.spread.feeler),
            ("whisker", self.spread.whisker),
            ("range", self.spread.range),
            ("gyro", self.spread.gyro),
        ];
        spreads
            .into_iter()
            .try_for_each(|(key, spread)| spread.check().map_err(|e| e.within(key)))
            .map_err(|e| e.within("spread"))
    }
}

impl Check for SpreadConfig {
    fn check(&self) -> Result<(), KeyError> {
        for (key, spread, low, high) in [
            ("ahead-factor", self.ahead_factor, 0.5, 2.0),
            ("offset", self.offset, -20.0, 20.0),
            ("error-factor", self.error_factor, 0.0, 5.0),
        ] {
            spread.map_or(Ok(()), |spread| spread.check_within(key, low, high, ""))?;
        }
        Ok(())
    }
}

/// Checks a distance ahead that all sensors are to be mounted at.
///
/// # Errors
/// What is allowed.
pub fn check_ahead_m(ahead_m: f64) -> Result<(), KeyError> {
    in_range("--ahead", ahead_m, 0.05, 0.6, "m")
}
