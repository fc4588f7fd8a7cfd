//! The vehicle: its file, and the numbers that the motion needs.

mod battery;
mod config;
mod fitted;
mod heat;
mod motor;
mod preview;
mod route;
mod sampled;
mod selector;
mod sensors;
mod variation;

pub use battery::BatteryConfig;
pub use config::{AxleConfig, ChassisConfig, GearboxConfig, StressConfig, VehicleConfig};
pub use fitted::{FittedConfig, FittedParameter};
pub use heat::{COPPER_PER_K, HeatStep, TemperatureRise, time_constants_s};
pub use motor::{Constants, DataSheet, HeatConfig, MotorConfig, MotorLineConfig, TorqueSpeedLine};
pub(crate) use preview::RANGE_MM;
pub use preview::{
    FeelerConfig, GrassConfig, GyroConfig, OwnTrackConfig, PreviewSensor, RangeConfig, RollerConfig,
    RollerLoad, WhiskerConfig,
};
pub use route::LapAdvice;
pub use sampled::{Axle, BATCH, Gear, MAX_AXLES, SampledPreview, Vehicle};
pub use selector::{DogConfig, SelectorConfig};
pub use sensors::{ControllerConfig, EncoderConfig, GuardConfig, NoisyConfig, SensorConfig};
pub use variation::VariationConfig;

/// Standard gravity, m/s² (ISO 80000-3).
pub const GRAVITY_M_S2: f64 = 9.806_65;
