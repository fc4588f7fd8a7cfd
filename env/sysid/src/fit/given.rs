//! Values that the runs are not asked for: how far off they may be, and what that does to the fitted ones.
//!
//! What was measured (mass, wheel radius, teeth, the torque constant next to the back-EMF constant) stays as given; its
//! error goes into the standard errors by the slope of the solution over it, `-A^-1 J'W dr/dg` with `A` as in `uncertainty.rs` ("consider
//! parameters": Schmidt 1966; Bierman 1977, from memory). What was assumed (wheel inertia, heat constants) may be off by factors: it is fitted
//! with the others, held to its start by a residual of its logarithm, where the runs say something about it, else it is treated as measured. So
//! is the grade of a ramp, held to its label: readings say much of it, and it stands in no vehicle file.

use super::parameters::Parameter;
use super::problem::{Problem, Variable};
use nalgebra::DMatrix;

/// How far given values may be off: one standard deviation, relative where nothing else is said.
///
/// The usual values are conventions, not measured: scales and rulers to a percent, teeth counted, a board's grade by its height over its
/// length, motor constants of a data sheet to a few percent next to each other, heat constants by rules of thumb.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GivenErrors {
    /// Mass.
    pub mass: f64,
    /// Wheel radius.
    pub wheel_radius: f64,
    /// Ratio of each gear.
    pub ratio: f64,
    /// Torque constant over back-EMF constant.
    pub torque_ratio: f64,
    /// Grade of ramps, degrees.
    pub grade_deg: f64,
    /// Wheel inertia, of its logarithm.
    pub wheel_inertia: f64,
    /// Heat capacities of winding and housing, of their logarithms.
    pub heat_capacity: f64,
    /// Thermal resistances, of their logarithms.
    pub heat_path: f64,
    /// Loss of the magnets per kelvin, of its logarithm.
    pub magnet: f64,
}

impl Default for GivenErrors {
    fn default() -> GivenErrors {
        GivenErrors {
            mass: 0.01,
            wheel_radius: 0.01,
            ratio: 0.002,
            torque_ratio: 0.03,
            grade_deg: 0.2,
            wheel_inertia: 0.5,
            heat_capacity: 0.4,
            heat_path: 1.0,
            magnet: 0.3,
        }
    }
}

impl GivenErrors {
    /// Everything given is exact.
    pub const EXACT: GivenErrors = GivenErrors {
        mass: 0.0,
        wheel_radius: 0.0,
        ratio: 0.0,
        torque_ratio: 0.0,
        grade_deg: 0.0,
        wheel_inertia: 0.0,
        heat_capacity: 0.0,
        heat_path: 0.0,
        magnet: 0.0,
    };

    /// Of the logarithm of an assumed value; 0 for one that is not assumed.
    pub(super) const fn of_assumed(&self, parameter: &Parameter) -> f64 {
        match parameter {
            Parameter::WheelInertia => self.wheel_inertia,
            Parameter::WindingHeat | Parameter::HousingHeat => self.heat_capacity,
            Parameter::WindingPath | Parameter::HousingPath => self.heat_path,
            Parameter::Magnet => self.magnet,
            _ => 0.0,
        }
    }
}

/// A value that stays as given.
#[derive(Clone, Debug, PartialEq)]
pub enum GivenValue {
    /// Mass.
    Mass,
    /// Wheel radius.
    WheelRadius,
    /// Ratio of a gear, 0 is the lowest.
    Ratio(usize),
    /// Torque constant over back-EMF constant.
    TorqueRatio,
    /// An assumed value that the runs say nothing about.
    Assumed(Parameter),
}

impl GivenValue {
    /// All that has an error, with its standard deviation.
    pub(super) fn all(problem: &Problem<'_>) -> Vec<(GivenValue, f64)> {
        let errors = problem.given;
        let mut all = vec![
            (GivenValue::Mass, errors.mass),
            (GivenValue::WheelRadius, errors.wheel_radius),
            (GivenValue::TorqueRatio, errors.torque_ratio),
        ];
        let gears = problem.shared.config.gearbox.total_ratio.len();
        all.extend((0..gears).map(|gear| (GivenValue::Ratio(gear), errors.ratio)));
        let fitted = |p: &Parameter| problem.variables.contains(&Variable::Shared(p.clone()));
        for parameter in Parameter::ASSUMED.into_iter().filter(|p| !fitted(p) && problem.shared.get(p) > 0.0)
        {
            let sd = errors.of_assumed(&parameter);
            all.push((GivenValue::Assumed(parameter), sd));
        }
        all.retain(|(_, sd)| *sd > 0.0);
        all
    }

    /// Moves the value by this part of itself.
    fn moved(&self, problem: &mut Problem<'_>, by: f64) {
        let config = &mut problem.shared.config;
        match self {
            GivenValue::Mass => config.chassis.mass_kg *= 1.0 + by,
            GivenValue::WheelRadius => config.chassis.wheel_radius_m *= 1.0 + by,
            GivenValue::Ratio(gear) => config.gearbox.total_ratio[*gear] *= 1.0 + by,
            GivenValue::TorqueRatio => problem.shared.scale_torque(1.0 + by),
            GivenValue::Assumed(parameter) => {
                let value = problem.shared.get(parameter);
                problem.shared.set(parameter, value * (1.0 + by));
            }
        }
    }

    /// What was given; 1 for the ratio of the motor constants.
    pub(super) fn value(&self, problem: &Problem<'_>) -> f64 {
        let config = &problem.shared.config;
        match self {
            GivenValue::Mass => config.chassis.mass_kg,
            GivenValue::WheelRadius => config.chassis.wheel_radius_m,
            GivenValue::Ratio(gear) => config.gearbox.total_ratio[*gear],
            GivenValue::TorqueRatio => 1.0,
            GivenValue::Assumed(parameter) => problem.shared.get(parameter),
        }
    }

    /// Name for reports.
    #[must_use]
    pub fn name(&self) -> String {
        match self {
            GivenValue::Mass => "mass-kg".into(),
            GivenValue::WheelRadius => "wheel-radius-m".into(),
            GivenValue::Ratio(gear) => format!("total-ratio, gear {}", gear + 1),
            GivenValue::TorqueRatio => "torque constant over back-EMF constant".into(),
            GivenValue::Assumed(parameter) => parameter.name(&super::Surfaces::default()),
        }
    }
}

/// Derivatives of the standardised residuals by the given values, each in its standard deviations.
pub(super) fn given_jacobian(problem: &Problem<'_>, given: &[(GivenValue, f64)]) -> DMatrix<f64> {
    let base = problem.all_residuals();
    let mut jacobian = DMatrix::zeros(base.len(), given.len());
    for (column, (value, sd)) in given.iter().enumerate() {
        let step = 1e-5;
        let mut moved = problem.clone();
        value.moved(&mut moved, step);
        for (row, (now, was)) in moved.all_residuals().iter().zip(&base).enumerate() {
            let slope = (now.value - was.value) / step * sd;
            jacobian[(row, column)] = if slope.is_finite() { slope } else { 0.0 };
        }
    }
    jacobian
}
