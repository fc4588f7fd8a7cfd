//! Saved policies: what stands in a `policy.json`.

use crate::error::{PolicyError, StudyError};
use crate::store::{read_json, write_json};
use lowgear_agents::dqn::DqnPolicy;
use lowgear_agents::policy::explain::Explain;
use lowgear_agents::policy::grid::Grid;
use lowgear_agents::policy::{Mask, Policy};
use lowgear_agents::ppo::PpoPolicy;
use lowgear_agents::rule::contextual::{Contextual, ContextualSettings};
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_agents::table::{LookupTable, TablePolicy};
use lowgear_agents::tabular::{TabularLearner, TabularPolicy};
use lowgear_env::config::check_name;
use lowgear_onboard::{Features, Request};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Layout of a policy file; rises with any change of meaning.
pub const POLICY_FORMAT: u32 = 2;

/// A policy file.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PolicyFile {
    /// [`POLICY_FORMAT`].
    pub format: u32,
    /// Name, for example `dqn/seed-2`.
    pub name: String,
    /// Vehicle it was made for.
    pub vehicle: String,
    /// Gears of that vehicle.
    pub gears: usize,
    /// The policy.
    pub policy: SavedPolicy,
}

/// Every kind of policy.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SavedPolicy {
    /// A threshold rule.
    Rule(RuleSettings),
    /// Thresholds that depend on context.
    Contextual(ContextualSettings),
    /// A table of action values with its guide.
    Tabular {
        /// Values, visits and settings.
        learner: Box<TabularLearner>,
        /// Grid of features.
        grid: Grid,
        /// The rule in cells hardly visited.
        rule: RuleSettings,
    },
    /// A value network.
    Dqn(Box<DqnPolicy>),
    /// A policy network with the rule that it corrects.
    Ppo(Box<PpoPolicy>),
    /// A lookup table, as its own file holds it.
    Table(String),
}

/// A policy ready to drive.
#[derive(Clone, Debug)]
pub enum PolicyInstance {
    /// See [`SavedPolicy::Rule`].
    Rule(Rule),
    /// See [`SavedPolicy::Contextual`].
    Contextual(Contextual),
    /// See [`SavedPolicy::Tabular`].
    Tabular(Box<TabularPolicy>),
    /// See [`SavedPolicy::Dqn`].
    Dqn(Box<DqnPolicy>),
    /// See [`SavedPolicy::Ppo`].
    Ppo(Box<PpoPolicy>),
    /// See [`SavedPolicy::Table`].
    Table(TablePolicy),
}

impl Policy for PolicyInstance {
    fn reset(&mut self) {
        match self {
            PolicyInstance::Rule(p) => p.reset(),
            PolicyInstance::Contextual(p) => p.reset(),
            PolicyInstance::Tabular(p) => p.reset(),
            PolicyInstance::Dqn(p) => p.reset(),
            PolicyInstance::Ppo(p) => p.reset(),
            PolicyInstance::Table(p) => p.reset(),
        }
    }

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        match self {
            PolicyInstance::Rule(p) => p.decide(features, mask),
            PolicyInstance::Contextual(p) => p.decide(features, mask),
            PolicyInstance::Tabular(p) => p.decide(features, mask),
            PolicyInstance::Dqn(p) => p.decide(features, mask),
            PolicyInstance::Ppo(p) => p.decide(features, mask),
            PolicyInstance::Table(p) => p.decide(features, mask),
        }
    }
}

impl Explain for PolicyInstance {
    fn explain(&mut self, features: &Features, mask: Mask) -> Vec<String> {
        match self {
            PolicyInstance::Rule(p) => p.explain(features, mask),
            PolicyInstance::Contextual(p) => p.explain(features, mask),
            PolicyInstance::Tabular(p) => p.explain(features, mask),
            PolicyInstance::Dqn(p) => p.explain(features, mask),
            PolicyInstance::Ppo(p) => p.explain(features, mask),
            PolicyInstance::Table(p) => p.explain(features, mask),
        }
    }
}

impl SavedPolicy {
    /// The policy, ready to drive a vehicle with this many gears.
    ///
    /// # Errors
    /// [`PolicyError`] says what does not fit.
    pub fn instantiate(&self, gears: usize) -> Result<PolicyInstance, PolicyError> {
        Ok(match self {
            SavedPolicy::Rule(settings) => PolicyInstance::Rule(Rule::new(settings.clone(), gears)?),
            SavedPolicy::Contextual(settings) => {
                PolicyInstance::Contextual(Contextual::new(settings.clone(), gears)?)
            }
            SavedPolicy::Tabular { learner, grid, rule } => {
                let rule = Rule::new(rule.clone(), gears)?;
                PolicyInstance::Tabular(Box::new(TabularPolicy::new(learner, grid.clone(), rule)?))
            }
            SavedPolicy::Dqn(policy) => PolicyInstance::Dqn(policy.clone()),
            SavedPolicy::Ppo(policy) => PolicyInstance::Ppo(policy.clone()),
            SavedPolicy::Table(text) => {
                PolicyInstance::Table(TablePolicy::new(LookupTable::from_json(text)?))
            }
        })
    }
}

impl PolicyFile {
    /// Puts a policy into a file.
    #[must_use]
    pub fn new(name: &str, vehicle: &str, gears: usize, policy: SavedPolicy) -> PolicyFile {
        PolicyFile {
            format: POLICY_FORMAT,
            name: name.to_owned(),
            vehicle: vehicle.to_owned(),
            gears,
            policy,
        }
    }

    /// Reads a policy file, or the `policy.json` in a folder, and makes it ready to drive.
    ///
    /// # Errors
    /// [`StudyError`] with the file and what does not fit.
    pub fn load(path: &Path, gears: usize) -> Result<(PolicyFile, PolicyInstance), StudyError> {
        let path = if path.is_dir() { path.join("policy.json") } else { path.to_owned() };
        let file: PolicyFile = read_json(&path)?;
        let instance =
            file.check(gears).map_err(|problem| StudyError::Policy { file: path.clone(), problem })?;
        Ok((file, instance))
    }

    /// Checks what the file says of itself, and makes the policy ready to drive.
    fn check(&self, gears: usize) -> Result<PolicyInstance, PolicyError> {
        if self.format != POLICY_FORMAT {
            return Err(PolicyError::Format { found: self.format, read: POLICY_FORMAT });
        }
        check_name("name", &self.name)?;
        check_name("vehicle", &self.vehicle)?;
        if self.gears != gears {
            return Err(PolicyError::Gears { made_for: self.gears, gears });
        }
        self.policy.instantiate(gears)
    }

    /// Writes the file.
    ///
    /// # Errors
    /// [`StudyError::Store`].
    pub fn save(&self, path: &Path) -> Result<(), StudyError> {
        Ok(write_json(path, self)?)
    }
}
