//! `[robustness]`: worlds other than those that the policies were made for.

use lowgear_env::config::{Check, KeyError, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Perturbed conditions in which the exported table is compared with the tuned load-ratio rule: every mass with every
/// charge, every tilt bias with every encoder noise, every latency with every state of wear. Left out, no such maps
/// are made.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct RobustnessConfig {
    /// Test courses per world, the first ones, 2 to 100000.
    pub courses: u64,
    /// Factors on the mass, 0.2 to 5.
    pub mass_factor: Vec<f64>,
    /// States of charge at the start, 0 to 1.
    pub charge: Vec<f64>,
    /// Offsets of the tilt sensor, degrees, -20 to 20.
    pub tilt_bias_deg: Vec<f64>,
    /// Shares of encoder pulses lost or doubled, standard deviation relative to the count, 0 to 0.5.
    pub encoder_noise: Vec<f64>,
    /// Ticks by which readings are later than `sensors.latency-ticks` of the vehicle, 0 to 3; nothing is drawn on top.
    pub latency_ticks: Vec<u8>,
    /// States of wear of gears, dogs and selector, from 0 (as in the vehicle file) to 1 (efficiencies a fifth
    /// lower, gap of the dogs halved, arrival error of the selector three times as large).
    pub wear: Vec<f64>,
}

/// Most values of one parameter.
const MOST_VALUES: usize = 9;

impl Check for RobustnessConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("courses", self.courses, 2, 100_000, "")?;
        let latency: Vec<f64> = self.latency_ticks.iter().map(|&ticks| f64::from(ticks)).collect();
        for (key, values, low, high, unit) in [
            ("mass-factor", &self.mass_factor, 0.2, 5.0, ""),
            ("charge", &self.charge, 0.0, 1.0, ""),
            ("tilt-bias-deg", &self.tilt_bias_deg, -20.0, 20.0, "°"),
            ("encoder-noise", &self.encoder_noise, 0.0, 0.5, ""),
            ("latency-ticks", &latency, 0.0, 3.0, "ticks"),
            ("wear", &self.wear, 0.0, 1.0, ""),
        ] {
            for (i, &value) in values.iter().enumerate() {
                in_range(&format!("{key}[{i}]"), value, low, high, unit)?;
            }
            let increasing = values.windows(2).all(|two| two[0] < two[1]);
            if !increasing || !(1..=MOST_VALUES).contains(&values.len()) {
                let allowed = format!("1 to {MOST_VALUES} values, each above the one before");
                return Err(KeyError::new(key, format!("{values:?}"), allowed));
            }
        }
        Ok(())
    }
}
