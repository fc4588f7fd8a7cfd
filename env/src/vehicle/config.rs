//! The vehicle file.

use super::{
    BatteryConfig, ControllerConfig, DogConfig, FittedConfig, GuardConfig, MAX_AXLES, MotorConfig,
    SelectorConfig, SensorConfig, VariationConfig,
};
use crate::config::{Check, KeyError, check_name, in_range};
use crate::stress::Miner;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A vehicle file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct VehicleConfig {
    /// Name for reports.
    pub name: String,
    /// Whether the vehicle is invented; reports say so.
    #[serde(default)]
    pub invented: bool,
    /// Body and wheels.
    pub chassis: ChassisConfig,
    /// Motor.
    pub motor: MotorConfig,
    /// Battery.
    pub battery: BatteryConfig,
    /// Gears.
    pub gearbox: GearboxConfig,
    /// Selector servo and drum.
    pub selector: SelectorConfig,
    /// Dogs.
    #[serde(default)]
    pub dogs: DogConfig,
    /// Torque-life curve.
    pub stress: StressConfig,
    /// Sensors.
    pub sensors: SensorConfig,
    /// The controller's clocks and filters.
    #[serde(default)]
    pub controller: ControllerConfig,
    /// The guard.
    #[serde(default)]
    pub guard: GuardConfig,
    /// What varies from episode to episode.
    #[serde(default)]
    pub variation: VariationConfig,
    /// What a fit knows of the vehicle, if it was fitted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fitted: Option<FittedConfig>,
}

/// Body and wheels.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ChassisConfig {
    /// Mass, load included, kg.
    pub mass_kg: f64,
    /// Wheel radius, m.
    pub wheel_radius_m: f64,
    /// Inertia of all wheels together, kg·m².
    pub wheel_inertia_kg_m2: f64,
    /// Centre of gravity: height above ground, m.
    pub cg_height_m: f64,
    /// Centre of gravity: distance behind the front axle, m.
    pub cg_behind_front_m: f64,
    /// Constant drag of bearings and seals at the wheels, N.
    #[serde(default)]
    pub drag_n: f64,
    /// Air drag area `c_d A`, m²; 0 leaves it out.
    #[serde(default)]
    pub drag_area_m2: f64,
    /// Axles from front to rear.
    pub axles: Vec<AxleConfig>,
}

/// An axle.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct AxleConfig {
    /// Distance behind the front axle, m.
    pub behind_front_m: f64,
    /// Whether it is driven.
    pub driven: bool,
}

/// Gears.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct GearboxConfig {
    /// Total ratio from motor to wheel of each gear, falling: first gear first.
    pub total_ratio: Vec<f64>,
    /// Efficiency of each gear when the motor drives.
    pub efficiency: Vec<f64>,
    /// Efficiency of each gear when the wheels drive.
    pub back_efficiency: Vec<f64>,
    /// Torsional stiffness between motor and wheels, at the wheel shaft, N·m/rad.
    pub stiffness_nm_rad: f64,
}

/// Torque-life curve of the gearbox output.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct StressConfig {
    /// Torque range at the knee, N·m at the wheel shaft.
    pub knee_torque_nm: f64,
    /// Cycles at the knee.
    #[serde(default = "usual_cycles")]
    pub knee_cycles: f64,
    /// Slope exponent on torque: about 6 for plastic gears, 8 for steel.
    #[serde(default = "usual_slope")]
    pub slope: f64,
    /// Rule below the knee.
    #[serde(default = "usual_miner")]
    pub miner: Miner,
}

/// A torque-life curve of plastic gears.
const fn usual_cycles() -> f64 {
    1e6
}

const fn usual_slope() -> f64 {
    6.0
}

const fn usual_miner() -> Miner {
    Miner::Haibach
}

impl Check for VehicleConfig {
    fn check(&self) -> Result<(), KeyError> {
        check_name("name", &self.name)?;
        self.chassis.check().map_err(|e| e.within("chassis"))?;
        self.motor.check().map_err(|e| e.within("motor"))?;
        self.battery.check().map_err(|e| e.within("battery"))?;
        self.gearbox.check().map_err(|e| e.within("gearbox"))?;
        let gears = self.gearbox.total_ratio.len();
        self.selector.check_for(gears).map_err(|e| e.within("selector"))?;
        self.dogs.check().map_err(|e| e.within("dogs"))?;
        self.stress.check().map_err(|e| e.within("stress"))?;
        self.check_twist()?;
        self.sensors.check().map_err(|e| e.within("sensors"))?;
        self.check_gyro().map_err(|e| e.within("sensors"))?;
        self.controller.check().map_err(|e| e.within("controller"))?;
        self.guard.check().map_err(|e| e.within("guard"))?;
        self.variation.check().map_err(|e| e.within("variation"))?;
        self.fitted.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("fitted"))
    }
}

/// Least share of the weight on an axle on level ground.
const LEAST_LOAD_SHARE: f64 = 0.02;
/// Most of a gear's ratio over that of the gear below it.
const NEAREST_RATIOS: f64 = 0.98;
/// Least twist between motor and wheels at the knee torque, rad.
const LEAST_TWIST_RAD: f64 = 1e-3;

impl VehicleConfig {
    /// From the first axle to the last one, m.
    #[must_use]
    pub fn wheelbase_m(&self) -> f64 {
        self.chassis.axles.last().map_or(0.0, |axle| axle.behind_front_m)
    }

    /// Stiffness against knee torque: the shock of an engagement grows with the root of the stiffness, and gears that
    /// hardly give would break at the first one.
    fn check_twist(&self) -> Result<(), KeyError> {
        let most = self.stress.knee_torque_nm / LEAST_TWIST_RAD;
        let words = "N·m/rad (a thousandth of a radian of twist or more at stress.knee-torque-nm)";
        in_range("gearbox.stiffness-nm-rad", self.gearbox.stiffness_nm_rad, 0.01, most, words)
    }
}

impl Check for ChassisConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("mass-kg", self.mass_kg, 0.1, 200.0, "kg")?;
        in_range("wheel-radius-m", self.wheel_radius_m, 0.005, 0.5, "m")?;
        in_range("wheel-inertia-kg-m2", self.wheel_inertia_kg_m2, 0.0, 10.0, "kg·m²")?;
        in_range("drag-n", self.drag_n, 0.0, 100.0, "N")?;
        in_range("drag-area-m2", self.drag_area_m2, 0.0, 2.0, "m²")?;
        in_range("cg-height-m", self.cg_height_m, 0.0, 1.0, "m")?;
        if self.axles.is_empty() || self.axles.len() > MAX_AXLES {
            return Err(KeyError::new(
                "axles",
                format!("{} axles", self.axles.len()),
                "1 to 4 [[chassis.axles]]",
            ));
        }
        let mut least = 0.0;
        for (i, axle) in self.axles.iter().enumerate() {
            let most = if i == 0 { 0.0 } else { 3.0 };
            in_range(&format!("axles[{i}].behind-front-m"), axle.behind_front_m, least, most, "m")?;
            least = axle.behind_front_m + 0.01;
        }
        if !self.axles.iter().any(|a| a.driven) {
            return Err(KeyError::new("axles[0].driven", false, "true for at least one axle"));
        }
        let rear = self.axles.last().map_or(0.0, |a| a.behind_front_m);
        in_range("cg-behind-front-m", self.cg_behind_front_m, 0.0, rear, "m (between the axles)")?;
        let lightest = self.load_shares().into_iter().fold(f64::INFINITY, f64::min);
        if lightest < LEAST_LOAD_SHARE {
            return Err(KeyError::new(
                "cg-behind-front-m",
                self.cg_behind_front_m,
                "a place at which every axle carries 2 % of the weight or more: nearer to the middle of the axles",
            ));
        }
        Ok(())
    }
}

impl Check for GearboxConfig {
    fn check(&self) -> Result<(), KeyError> {
        let gears = self.total_ratio.len();
        if !(1..=6).contains(&gears) {
            return Err(KeyError::new(
                "total-ratio",
                format!("{gears} gears"),
                "1 to 6 ratios, first gear first",
            ));
        }
        for (i, &ratio) in self.total_ratio.iter().enumerate() {
            let most = if i == 0 { 5000.0 } else { NEAREST_RATIOS * self.total_ratio[i - 1] };
            in_range(
                &format!("total-ratio[{i}]"),
                ratio,
                0.1,
                most,
                "(falling by 2 % or more from gear to gear)",
            )?;
        }
        for (key, values) in [("efficiency", &self.efficiency), ("back-efficiency", &self.back_efficiency)] {
            if values.len() != gears {
                let allowed = format!("{gears} values, one per gear");
                return Err(KeyError::new(key, format!("{} values", values.len()), allowed));
            }
            for (i, &value) in values.iter().enumerate() {
                in_range(&format!("{key}[{i}]"), value, 0.05, 1.0, "")?;
            }
        }
        in_range("stiffness-nm-rad", self.stiffness_nm_rad, 0.01, 1e6, "N·m/rad")
    }
}

impl Check for StressConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("knee-torque-nm", self.knee_torque_nm, 0.01, 1e5, "N·m")?;
        in_range("knee-cycles", self.knee_cycles, 1e2, 1e9, "")?;
        in_range("slope", self.slope, 1.0, 20.0, "")
    }
}

impl ChassisConfig {
    /// Place of the mean axle, m, and the sum of squared distances from it, m².
    fn axle_mean_and_spread(&self) -> (f64, f64) {
        let mean = self.axles.iter().map(|a| a.behind_front_m).sum::<f64>() / self.axles.len() as f64;
        (mean, self.axles.iter().map(|a| (a.behind_front_m - mean).powi(2)).sum())
    }

    /// Lever of each axle, 1/m: `l_i = (d_i - d) / sum (d_j - d)²`. A moment about the middle presses axle `i` with
    /// `l_i` times itself (rigid body on equally stiff axles; exact for two).
    pub(super) fn levers(&self) -> Vec<f64> {
        let (mean, spread) = self.axle_mean_and_spread();
        let lever = |behind_m: f64| if spread > 0.0 { (behind_m - mean) / spread } else { 0.0 };
        self.axles.iter().map(|a| lever(a.behind_front_m)).collect()
    }

    /// Share of the weight on each axle on level ground: `1/n + (d_cg - d) l_i`.
    pub(super) fn load_shares(&self) -> Vec<f64> {
        let (mean, _) = self.axle_mean_and_spread();
        let even = 1.0 / self.axles.len() as f64;
        self.levers().into_iter().map(|lever| even + (self.cg_behind_front_m - mean) * lever).collect()
    }
}
