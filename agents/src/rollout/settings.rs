//! Settings of policy iteration by rollouts.

use crate::range::{OutOfRange, check};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of policy iteration by rollouts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default, rename_all = "kebab-case")]
pub struct RolloutSettings {
    /// Episodes of a round; after each round the table changes. 1 to 1000000.
    pub round: u64,
    /// States of each cell from which the actions are tried, per round, as far as there are so many. 1 to 10000.
    pub trials: f64,
    /// How long a trial lasts, s, 0.1 to 10000.
    pub horizon_s: f64,
    /// Standard errors by which another action must be better, 0 to 10.
    pub confidence: f64,
    /// And by how much in return, in its unit, 0 or above.
    pub least_gain: f64,
    /// Probability of a random action while states are sought, 0 to 0.5.
    pub wander: f64,
    /// How much of the evidence lasts into the next round, where the policy is another, 0 to 1.
    pub keep: f64,
}

impl Default for RolloutSettings {
    fn default() -> RolloutSettings {
        RolloutSettings {
            round: 200,
            trials: 40.0,
            horizon_s: 25.0,
            confidence: 2.0,
            least_gain: 0.05,
            wander: 0.01,
            keep: 0.5,
        }
    }
}

impl RolloutSettings {
    /// Checks every value against its range.
    ///
    /// # Errors
    /// [`OutOfRange`] names the key, the value and what is allowed.
    pub fn validate(&self) -> Result<(), OutOfRange> {
        check("round", self.round as f64, (1.0, 1e6), "episodes")?;
        check("trials", self.trials, (1.0, 1e4), "states")?;
        check("horizon-s", self.horizon_s, (0.1, 1e4), "s")?;
        check("confidence", self.confidence, (0.0, 10.0), "standard errors")?;
        check("least-gain", self.least_gain, (0.0, 1e6), "(return)")?;
        check("wander", self.wander, (0.0, 0.5), "(probability)")?;
        check("keep", self.keep, (0.0, 1.0), "(share)")
    }
}
