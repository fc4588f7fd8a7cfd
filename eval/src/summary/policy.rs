//! What a policy of the comparison is, and what it cost to find.

use crate::PolicyId;
use serde::{Deserialize, Serialize};

/// Kind of policy.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Family {
    /// A rule, written by hand or tuned.
    Rule,
    /// A learned policy.
    Learned,
    /// A lookup table distilled from another policy.
    Table,
    /// A plan made with knowledge of the course.
    Plan,
}

/// A policy of the comparison: what it is, and what it cost to find.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PolicyRecord {
    /// Identification, as in file names.
    pub id: PolicyId,
    /// Name in the report.
    pub label: String,
    /// Kind.
    pub family: Family,
    /// Simulated controller ticks spent on finding it, all seeds together.
    pub search_ticks: u64,
    /// Ticks that were spent before, inherited: the tuned rule of a learner, the teacher of a table.
    pub inherited_ticks: u64,
    /// Training seeds that gave no usable policy; they are left out of the figures, and said so.
    /// Training seeds are counted from 1, as their folders.
    pub failed_seeds: Vec<u64>,
    /// Training seeds that diverged or broke off; judged by the best policy that they had until then.
    pub diverged_seeds: Vec<u64>,
}

impl PolicyRecord {
    /// A policy that nothing was spent on.
    #[must_use]
    pub fn new(id: impl Into<PolicyId>, label: impl Into<String>, family: Family) -> PolicyRecord {
        PolicyRecord {
            id: id.into(),
            label: label.into(),
            family,
            search_ticks: 0,
            inherited_ticks: 0,
            failed_seeds: vec![],
            diverged_seeds: vec![],
        }
    }
}
