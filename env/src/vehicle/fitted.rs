//! What a fit knows of a vehicle: values, standard errors and correlations, to draw vehicles that fit the same logs.

use crate::config::{Check, KeyError, check_name, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Fitted values with their joint uncertainty, as `lowgear fit` writes them. A study of this vehicle says in how many of the vehicles that
/// fit the same logs its table is ahead.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct FittedConfig {
    /// Vehicles that are drawn, 10 to 1000.
    #[serde(default = "vehicles")]
    pub vehicles: u64,
    /// Test courses that each of them drives, the first ones, 2 to 1000.
    #[serde(default = "courses")]
    pub courses: u64,
    /// By how much the fitted vehicle misses runs that it was not fitted to, %, 0 to 100. Left out, a study reads it from the file that
    /// `lowgear validate` writes next to this one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gap_percent: Option<f64>,
    /// The logs that were fitted to: the first 16 digits of their SHA-256.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub logs: Vec<String>,
    /// The fitted values.
    pub parameters: Vec<FittedParameter>,
}

/// A fitted value.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct FittedParameter {
    /// Name, as the fit lists it.
    pub name: String,
    /// Value, in the unit of the vehicle or course file.
    pub value: f64,
    /// Standard error, in the same unit.
    pub error: f64,
    /// Correlations with the parameters above it, in their order.
    pub correlation: Vec<f64>,
}

const fn vehicles() -> u64 {
    100
}

const fn courses() -> u64 {
    20
}

/// Most parameters of a fit.
const MOST: usize = 200;

impl FittedConfig {
    /// Of fitted values, with the usual numbers of vehicles and courses.
    #[must_use]
    pub const fn new(parameters: Vec<FittedParameter>) -> FittedConfig {
        FittedConfig {
            vehicles: vehicles(),
            courses: courses(),
            gap_percent: None,
            logs: Vec::new(),
            parameters,
        }
    }
}

impl Check for FittedConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("vehicles", self.vehicles, 10, 1000, "")?;
        in_range("courses", self.courses, 2, 1000, "")?;
        self.gap_percent.map_or(Ok(()), |gap| in_range("gap-percent", gap, 0.0, 100.0, "%"))?;
        for (i, log) in self.logs.iter().enumerate() {
            check_name(&format!("logs[{i}]"), log)?;
        }
        let count = self.parameters.len();
        if !(1..=MOST).contains(&count) {
            return Err(KeyError::new("parameters", count, format!("1 to {MOST} fitted values")));
        }
        for (i, parameter) in self.parameters.iter().enumerate() {
            let within = |e: KeyError| e.within(&format!("parameters[{i}]"));
            check_name("name", &parameter.name).map_err(within)?;
            in_range("value", parameter.value, -1e6, 1e6, "").map_err(within)?;
            in_range("error", parameter.error, 0.0, 1e6, "").map_err(within)?;
            if parameter.correlation.len() != i {
                let got = format!("{} values", parameter.correlation.len());
                let allowed = format!("{i} values, one for each parameter above");
                return Err(within(KeyError::new("correlation", got, allowed)));
            }
            for value in &parameter.correlation {
                in_range("correlation", *value, -1.0, 1.0, "").map_err(within)?;
            }
        }
        Ok(())
    }
}
