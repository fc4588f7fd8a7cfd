//! The network for firmware in the study file.

use lowgear_agents::policy::grid::feature_by_name;
use lowgear_env::config::{Check, KeyError, in_range};
use lowgear_onboard::{Feature, MAX_LAYERS, MAX_WIDTH, Settings};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// An integer network for firmware, distilled from the best learner next to the table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct NetworkConfig {
    /// Units of each hidden layer, 1 to 64; one to three layers.
    pub hidden: Vec<usize>,
    /// Features that it sees; left out or empty: all that the vehicle has sensors for.
    pub features: Vec<String>,
    /// Iterations of dataset aggregation.
    pub iterations: usize,
    /// Training courses driven in each iteration.
    pub courses: u64,
    /// Learning steps of 256 decisions each, all iterations together.
    pub steps: u64,
    /// Step size of Adam at the start; it falls to a twentieth.
    pub learning_rate: f64,
    /// Weight of a decision to shift against one to hold of the same duration. A teacher that waits until some decisions
    /// agree shifts where it has held before: with a weight of 1 its student shifts too rarely.
    pub shift_weight: f64,
}

impl Default for NetworkConfig {
    fn default() -> NetworkConfig {
        NetworkConfig {
            hidden: vec![32, 32],
            features: Vec::new(),
            iterations: 8,
            courses: 300,
            steps: 100_000,
            learning_rate: 3e-3,
            shift_weight: 4.0,
        }
    }
}

impl Check for NetworkConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("hidden", self.hidden.len(), 1, MAX_LAYERS - 1, "layers")?;
        for (i, &units) in self.hidden.iter().enumerate() {
            in_range(&format!("hidden[{i}]"), units, 1, MAX_WIDTH, "units")?;
        }
        in_range("iterations", self.iterations, 1, 100, "")?;
        in_range("courses", self.courses, 1, 1_000_000, "")?;
        in_range("steps", self.steps, 1, 100_000_000, "")?;
        in_range("learning-rate", self.learning_rate, 1e-6, 1.0, "")?;
        in_range("shift-weight", self.shift_weight, 0.01, 100.0, "")?;
        for (i, name) in self.features.iter().enumerate() {
            feature_by_name(name).map_err(|e| KeyError { key: "features".to_owned(), ..e })?;
            if self.features[..i].contains(name) {
                return Err(KeyError::new("features", format!("\"{name}\" twice"), "each feature once"));
            }
        }
        Ok(())
    }
}

impl NetworkConfig {
    /// The features that the network sees on a vehicle with these settings.
    #[must_use]
    pub fn features_on(&self, settings: &Settings) -> Vec<Feature> {
        let fitted = |feature: &Feature| match feature {
            Feature::Battery => settings.features.battery_fitted,
            Feature::Current => settings.features.stall_ma != 0,
            Feature::Tilt => settings.ranges.max_tilt_ddeg != u16::MAX,
            Feature::StrikeClass | Feature::StrikeMm => settings.features.preview.fitted,
            _ => true,
        };
        if self.features.is_empty() {
            Feature::ALL.into_iter().filter(fitted).collect()
        } else {
            self.features.iter().filter_map(|name| feature_by_name(name).ok()).collect()
        }
    }
}
