//! The vehicle: its file, and the numbers that the motion needs.

mod battery;
mod config;
mod drawn;
mod heat;
mod motor;
mod selector;
mod sensors;
mod variation;

pub use battery::BatteryConfig;
pub use config::{AxleConfig, ChassisConfig, GearboxConfig, StressConfig, VehicleConfig};
pub use drawn::{Axle, BATCH, Gear, MAX_AXLES, Vehicle};
pub use heat::{COPPER_PER_K, HeatStep, Rise, time_constants_s};
pub use motor::{Constants, DataSheet, HeatConfig, Line, MotorConfig, MotorLineConfig};
pub use selector::{DogConfig, SelectorConfig};
pub use sensors::{ControllerConfig, GuardConfig, NoisyConfig, SensorConfig, TachoConfig};
pub use variation::VariationConfig;
