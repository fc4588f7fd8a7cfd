//! What a fit says of the policy under test: how it does on the vehicles that fit the same logs.

use super::Summary;
use crate::PolicyId;
use serde::{Deserialize, Serialize};

/// One policy against another on vehicles drawn from a fit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FittedComparison {
    /// Policy id.
    pub policy: PolicyId,
    /// Id of what it is compared with.
    pub against: PolicyId,
    /// Courses that each vehicle drove.
    pub courses: usize,
    /// Vehicles on which the mean course time is shorter.
    pub ahead: usize,
    /// By how much the fitted vehicle misses runs that it was not fitted to, %, where that is known.
    pub gap_percent: Option<f64>,
    /// Vehicles on which it is shorter by more than that.
    pub ahead_beyond_gap: Option<usize>,
    /// Difference of the mean course times over that of the other policy, %, vehicle by vehicle.
    pub time_percent: Vec<f64>,
}

impl FittedComparison {
    /// In words.
    #[must_use]
    pub fn sentence(&self, summary: &Summary) -> String {
        let mut sorted = self.time_percent.clone();
        sorted.sort_by(f64::total_cmp);
        let at =
            |share: f64| sorted.get((share * (sorted.len().max(1) - 1) as f64).round() as usize).copied();
        let range = match (at(0.05), at(0.5), at(0.95)) {
            (Some(low), Some(middle), Some(high)) => {
                format!(
                    "{middle:+.1} % course time in the middle vehicle, {low:+.1} to {high:+.1} % in nine of ten"
                )
            }
            _ => "no vehicle was drawn".to_owned(),
        };
        let beyond = match (self.gap_percent, self.ahead_beyond_gap) {
            (Some(gap), Some(count)) => format!(
                "In {count} it is ahead by more than the {gap} % by which the fitted vehicle misses runs that it was not fitted to."
            ),
            _ => "How far the fitted vehicle is off on runs that it was not fitted to is not known: `lowgear validate` measures it, and a study \
                  of the vehicle reads what it wrote."
                .to_owned(),
        };
        format!(
            "In {} of {} vehicles that fit these logs, {} is ahead of {} ({range}; {} courses each). {beyond} This is a statement of the model; \
             laps on the ground test it.",
            self.ahead,
            self.time_percent.len(),
            summary.label(&self.policy),
            summary.label(&self.against),
            self.courses,
        )
    }
}
