//! How the figures of a contender are spread over training seeds and episodes.

use serde::{Deserialize, Serialize};

use crate::statistics::Estimate;

/// One training seed of a contender.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SeedFigures {
    /// Number of the seed, from 1.
    pub seed: u64,
    /// Mean course time, s.
    pub time_s: Estimate,
    /// Course time less that of the tuned rule on the same courses, s.
    pub against_tuned_s: Estimate,
    /// Gearbox damage, share of nominal life per km.
    pub damage_per_km: f64,
}

/// One point of a performance profile.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProfilePoint {
    /// Course time over the plan's.
    pub ratio: f64,
    /// Share of the episodes that finish within it, %.
    pub percent: Estimate,
}
