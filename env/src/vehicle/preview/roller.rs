//! The drag of a roller that trails on an arm.

use super::{FeelerConfig, PreviewSensor};
use crate::config::{Check, KeyError, in_range};
use crate::vehicle::{GRAVITY_M_S2, VehicleConfig};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What presses the roller of a feeler on the ground.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct RollerConfig {
    /// Mass of the roller and its pin, kg, 0.0001 to 1.
    pub roller_kg: f64,
    /// Mass of the arm, kg, 0 to 1; half of it rests on the roller.
    pub arm_kg: f64,
    /// Friction of the hinge, N·m, 0 to 0.1 (assumed): the most by which it presses the roller down.
    pub hinge_nm: f64,
}

impl RollerConfig {
    /// The most that presses a roller at the end of an arm of this length on level ground, N.
    pub(super) fn load_n(&self, arm_m: f64) -> f64 {
        GRAVITY_M_S2 * (self.roller_kg + 0.5 * self.arm_kg) + self.hinge_nm / arm_m
    }
}

/// The roller as the ground under the vehicle meets it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RollerLoad {
    /// Force on the ground, N.
    pub load_n: f64,
    /// Its coefficient of rolling resistance over that of the wheels. The lever arm of rolling resistance is that of the
    /// surface, so that the coefficient goes with one over the radius (Coulomb's law of rolling friction).
    pub rolling_factor: f64,
}

impl RollerLoad {
    /// Drag on a surface, N. A roller that resists rolling more than sliding slides.
    #[must_use]
    pub fn drag_n(&self, wheel_rolling: f64, friction: f64) -> f64 {
        self.load_n * (wheel_rolling * self.rolling_factor).min(friction)
    }
}

impl VehicleConfig {
    /// The roller of the feeler; no load without one whose masses are known.
    pub(in crate::vehicle) fn roller_load(&self) -> RollerLoad {
        match self.sensors.preview() {
            Some(PreviewSensor::Feeler(FeelerConfig {
                roller: Some(roller),
                arm_m,
                roller_radius_m,
                ..
            })) => RollerLoad {
                load_n: roller.load_n(arm_m),
                rolling_factor: self.chassis.wheel_radius_m / roller_radius_m,
            },
            _ => RollerLoad::default(),
        }
    }
}

impl Check for RollerConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("roller-kg", self.roller_kg, 1e-4, 1.0, "kg")?;
        in_range("arm-kg", self.arm_kg, 0.0, 1.0, "kg")?;
        in_range("hinge-nm", self.hinge_nm, 0.0, 0.1, "N·m")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_drag_is_load_times_coefficient_as_worked_by_hand() {
        let roller = RollerConfig { roller_kg: 0.003, arm_kg: 0.002, hinge_nm: 8e-5 };
        // 4 g weigh 39.23 mN; the hinge adds 80 uN m / 80 mm = 1 mN.
        let load_n = roller.load_n(0.08);
        assert!((load_n - 0.040_226_6).abs() < 1e-9, "{load_n}");
        // A roller of 6 mm where a wheel of 30 mm has 0.03: five times that.
        let load = RollerLoad { load_n, rolling_factor: 0.030 / 0.006 };
        assert!((load.drag_n(0.03, 0.8) - 0.15 * load_n).abs() < 1e-12);
        assert!((load.drag_n(0.22, 0.7) - 0.7 * load_n).abs() < 1e-12, "in long grass it slides");
    }
}
