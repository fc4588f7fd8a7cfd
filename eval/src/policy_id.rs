//! Which policy: one identification for files, figures and pages.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::Deref;

/// Identification of a policy in a comparison. In files it is its name.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(from = "String", into = "String")]
pub enum PolicyId {
    /// First gear only.
    FirstGear,
    /// Shifts up on speed, never down.
    UpshiftOnly,
    /// And steps down on a stall.
    StallAware,
    /// And holds its gear on an incline.
    InclineAware,
    /// And waits after a failed upshift.
    Patient,
    /// The hand-written rule.
    HandRule,
    /// The tuned rule on motor speed.
    TunedSpeedRule,
    /// The tuned rule on load ratio.
    TunedLoadRule,
    /// The tuned rule on load ratio that looks ahead.
    TunedPreviewRule,
    /// The rule card made from the table.
    RuleCard,
    /// The exported lookup table.
    Table,
    /// The exported integer network.
    Network,
    /// The clairvoyant plan.
    Plan,
    /// A learner by its name, or a policy by that of its file.
    Named(String),
}

/// Every policy that a study knows whatever it learns.
const FIXED: [(PolicyId, &str); 13] = [
    (PolicyId::FirstGear, "first-gear"),
    (PolicyId::UpshiftOnly, "upshift-only"),
    (PolicyId::StallAware, "stall-aware"),
    (PolicyId::InclineAware, "incline-aware"),
    (PolicyId::Patient, "patient"),
    (PolicyId::HandRule, "hand-rule"),
    (PolicyId::TunedSpeedRule, "tuned-speed-rule"),
    (PolicyId::TunedLoadRule, "tuned-load-rule"),
    (PolicyId::TunedPreviewRule, "tuned-preview-rule"),
    (PolicyId::RuleCard, "rule-card"),
    (PolicyId::Table, "table"),
    (PolicyId::Network, "network"),
    (PolicyId::Plan, "plan"),
];

impl PolicyId {
    /// Rules that add one idea each, below the hand-written one.
    pub const LADDER: [PolicyId; 5] = [
        PolicyId::FirstGear,
        PolicyId::UpshiftOnly,
        PolicyId::StallAware,
        PolicyId::InclineAware,
        PolicyId::Patient,
    ];

    /// Its name.
    #[must_use]
    pub fn as_str(&self) -> &str {
        match self {
            PolicyId::Named(name) => name,
            fixed => FIXED.iter().find(|(id, _)| id == fixed).map_or("", |(_, name)| name),
        }
    }
}

impl From<&str> for PolicyId {
    fn from(name: &str) -> PolicyId {
        let fixed = FIXED.iter().find(|(_, known)| *known == name);
        fixed.map_or_else(|| PolicyId::Named(name.to_owned()), |(id, _)| id.clone())
    }
}

impl From<String> for PolicyId {
    fn from(name: String) -> PolicyId {
        PolicyId::from(name.as_str())
    }
}

impl From<PolicyId> for String {
    fn from(id: PolicyId) -> String {
        id.as_str().to_owned()
    }
}

impl Deref for PolicyId {
    type Target = str;

    fn deref(&self) -> &str {
        self.as_str()
    }
}

impl fmt::Display for PolicyId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl PartialEq<str> for PolicyId {
    fn eq(&self, other: &str) -> bool {
        self.as_str() == other
    }
}

impl PartialEq<&str> for PolicyId {
    fn eq(&self, other: &&str) -> bool {
        self.as_str() == *other
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_and_its_policy_are_one_to_one() {
        for (id, name) in &FIXED {
            assert_eq!(PolicyId::from(*name), *id);
            assert_eq!(id.as_str(), *name);
        }
        let other = PolicyId::from("runs/demo/dqn/seed-1");
        assert_eq!(other, PolicyId::Named("runs/demo/dqn/seed-1".into()));
        assert_eq!(serde_json::to_string(&other).unwrap(), "\"runs/demo/dqn/seed-1\"");
        assert_eq!(serde_json::from_str::<PolicyId>("\"table\"").unwrap(), PolicyId::Table);
    }
}
