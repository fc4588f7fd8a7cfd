//! A threshold rule as the guide of a learner.

use super::{Rule, RuleSettings, gear_index};
use crate::policy::explain::Explain;
use crate::policy::{Guide, Mask, Policy};
use lowgear_env::config::KeyError;
use lowgear_onboard::Features;
use serde::{Deserialize, Serialize};

/// A threshold rule as a guide, as it stands in a policy's file.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(try_from = "RawRuleGuide", into = "RawRuleGuide")]
pub struct RuleGuide {
    rule: Rule,
    gears: usize,
}

/// What is written and read; checked on the way in.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawRuleGuide {
    rule: RuleSettings,
    gears: usize,
}

impl TryFrom<RawRuleGuide> for RuleGuide {
    type Error = KeyError;

    fn try_from(raw: RawRuleGuide) -> Result<RuleGuide, KeyError> {
        RuleGuide::new(raw.rule, raw.gears)
    }
}

impl From<RuleGuide> for RawRuleGuide {
    fn from(guide: RuleGuide) -> RawRuleGuide {
        RawRuleGuide { rule: guide.rule.settings().clone(), gears: guide.gears }
    }
}

impl RuleGuide {
    /// A rule for a gearbox with this many gears.
    ///
    /// # Errors
    /// What is wrong with the rule, below `rule`.
    pub fn new(rule: RuleSettings, gears: usize) -> Result<RuleGuide, KeyError> {
        let rule = Rule::new(rule, gears).map_err(|e| e.within("rule"))?;
        Ok(RuleGuide { rule, gears })
    }

    /// Why the rule says what it says.
    pub(crate) fn explain(&mut self, features: &Features, mask: Mask) -> Vec<String> {
        self.rule.explain(features, mask)
    }
}

impl Guide<Features> for RuleGuide {
    fn reset(&mut self) {
        self.rule.reset();
    }

    /// Takes every shift for possible that leads to a gear there is.
    fn advise(&mut self, features: &Features) -> Option<usize> {
        let gear = gear_index(features);
        let mask = Mask::from([gear > 0, true, gear + 1 < self.gears]);
        Some(self.rule.decide(features, mask) as usize)
    }

    fn advise_within(&mut self, features: &Features, mask: Mask) -> Option<usize> {
        Some(self.rule.decide(features, mask) as usize).filter(|&action| mask.allows(action))
    }
}
