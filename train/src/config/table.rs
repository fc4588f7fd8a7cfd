//! The exported table in the study file.

use crate::jobs::EdgeRefinementConfig;
use lowgear_agents::policy::grid::feature_by_name;
use lowgear_env::config::{Check, KeyError, in_range};
use lowgear_firmware::check_export_prefix;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The exported table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct TableConfig {
    /// Bytes that its cells may take.
    pub bytes: usize,
    /// Rounds of dataset aggregation.
    pub iterations: usize,
    /// Training courses driven in each round.
    pub courses: u64,
    /// Weight of a decision to shift against one to hold of the same duration.
    pub shift_weight: f64,
    /// Features that may become axes.
    pub features: Vec<String>,
    /// Prefix of the exported names.
    pub prefix: String,
    /// A search of the distilled table's edges, if it is wanted; it is where there is no table `[table]` at all.
    #[serde(default)]
    pub edge_refinement: Option<EdgeRefinementConfig>,
}

impl Check for TableConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("bytes", self.bytes, 16, 1_000_000, "")?;
        in_range("iterations", self.iterations, 1, 100, "")?;
        in_range("courses", self.courses, 1, 1_000_000, "")?;
        in_range("shift-weight", self.shift_weight, 0.01, 100.0, "")?;
        check_prefix(&self.prefix)?;
        for (i, name) in self.features.iter().enumerate() {
            feature_by_name(name).map_err(|e| KeyError { key: "features".to_owned(), ..e })?;
            if self.features[..i].contains(name) {
                return Err(KeyError::new("features", format!("\"{name}\" twice"), "each feature once"));
            }
        }
        if self.features.is_empty() {
            return Err(KeyError::new(
                "features",
                "empty",
                "one or more features; those that pay become axes",
            ));
        }
        self.edge_refinement.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("edge-refinement"))
    }
}

impl Check for EdgeRefinementConfig {
    fn check(&self) -> Result<(), KeyError> {
        self.budget.check().map_err(|e| e.within("budget"))?;
        in_range("stress-factor", self.stress_factor, 0.0, 1000.0, "")
    }
}

/// Checks a prefix of exported names.
///
/// # Errors
/// What is allowed.
pub fn check_prefix(prefix: &str) -> Result<(), KeyError> {
    if check_export_prefix(prefix).is_ok() {
        return Ok(());
    }
    let allowed = "up to 24 of a-z, 0-9 and single _ between them, a letter first, no word that a language keeps for itself";
    Err(KeyError::new("prefix", format!("\"{prefix}\""), allowed))
}
