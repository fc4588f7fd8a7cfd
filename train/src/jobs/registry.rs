//! The registry of learners: a line each, at the end. What the line stands for is in the learner's own module.

use super::contextual::ContextualTraining;
use super::dqn::DqnTraining;
use super::ppo::PpoTraining;
use super::tabular::TabularTraining;
use super::{Guide, Job, Learner, LearnerSettings};
use crate::error::PolicyError;
use lowgear_agents::integer_network::{IntegerNetwork, IntegerNetworkPolicy};
use lowgear_agents::policy::explain::Explain;
use lowgear_agents::policy::{Mask, Policy};
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_agents::table::{LookupTable, TablePolicy};
use lowgear_onboard::{Features, Request};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

macro_rules! learners {
    ($($(#[doc = $doc:literal])+ $key:ident: $Kind:ident = $Settings:ty;)+) => {
        /// A learner.
        #[derive(
            Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
        )]
        #[serde(rename_all = "kebab-case")]
        pub enum LearnerKind {
            $($(#[doc = $doc])+ $Kind,)+
        }

        impl LearnerKind {
            /// Every learner.
            pub const ALL: [LearnerKind; [$(stringify!($key)),+].len()] = [$(LearnerKind::$Kind),+];

            /// Its key under `[learners]`; folders have this name as well.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self { $(LearnerKind::$Kind => stringify!($key),)+ }
            }

            /// Its name in the report.
            #[must_use]
            pub const fn label(self) -> &'static str {
                match self { $(LearnerKind::$Kind => <$Settings>::LABEL,)+ }
            }

            /// The number that seeds are made from.
            #[must_use]
            pub const fn number(self) -> u64 {
                match self { $(LearnerKind::$Kind => <$Settings>::NUMBER,)+ }
            }
        }

        /// The learners of a study.
        #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
        #[serde(deny_unknown_fields, rename_all = "kebab-case")]
        pub struct LearnersConfig {
            $($(#[doc = $doc])+ pub $key: Option<$Settings>,)+
        }

        impl Default for LearnersConfig {
            /// Of the learners the one that gains most in a few minutes; the others need a night.
            fn default() -> LearnersConfig {
                let nobody = LearnersConfig { $($key: None,)+ };
                LearnersConfig { contextual: Some(ContextualTraining::demonstration()), ..nobody }
            }
        }

        impl LearnersConfig {
            /// The settings of a learner that takes part.
            #[must_use]
            pub fn get(&self, kind: LearnerKind) -> Option<&dyn LearnerSettings> {
                match kind {
                    $(LearnerKind::$Kind => self.$key.as_ref().map(|s| s as &dyn LearnerSettings),)+
                }
            }

            /// The same, to change them.
            pub fn get_mut(&mut self, kind: LearnerKind) -> Option<&mut dyn LearnerSettings> {
                match kind {
                    $(LearnerKind::$Kind => self.$key.as_mut().map(|s| s as &mut dyn LearnerSettings),)+
                }
            }

            /// Takes a learner out.
            pub fn leave_out(&mut self, kind: LearnerKind) {
                match kind { $(LearnerKind::$Kind => self.$key = None,)+ }
            }
        }

        /// Every kind of policy, as its file holds it.
        #[derive(Clone, Debug, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum SavedPolicy {
            /// A threshold rule.
            Rule(RuleSettings),
            /// A lookup table, as its own file holds it.
            Table(String),
            /// An integer network, as its own file holds it.
            Network(String),
            $($(#[doc = $doc])+ $Kind(<$Settings as Learner>::Saved),)+
        }

        /// A policy ready to drive.
        #[derive(Clone, Debug)]
        pub enum PolicyInstance {
            /// See [`SavedPolicy::Rule`].
            Rule(Rule),
            /// See [`SavedPolicy::Table`].
            Table(TablePolicy),
            /// See [`SavedPolicy::Network`].
            Network(IntegerNetworkPolicy),
            $($(#[doc = $doc])+ $Kind(<$Settings as Learner>::Instance),)+
        }

        impl SavedPolicy {
            /// The policy, ready to drive a vehicle with this many gears.
            ///
            /// # Errors
            /// [`PolicyError`] says what does not fit.
            pub fn instantiate(&self, gears: usize) -> Result<PolicyInstance, PolicyError> {
                Ok(match self {
                    SavedPolicy::Rule(settings) => PolicyInstance::Rule(Rule::new(settings.clone(), gears)?),
                    SavedPolicy::Table(text) => {
                        PolicyInstance::Table(TablePolicy::new(LookupTable::from_json(text)?))
                    }
                    SavedPolicy::Network(text) => PolicyInstance::Network(IntegerNetworkPolicy::new(
                        IntegerNetwork::from_json(text)?,
                    )),
                    $(SavedPolicy::$Kind(saved) => {
                        PolicyInstance::$Kind(<$Settings>::instantiate(saved, gears)?)
                    })+
                })
            }
        }

        impl Policy for PolicyInstance {
            fn reset(&mut self) {
                match self {
                    PolicyInstance::Rule(p) => p.reset(),
                    PolicyInstance::Table(p) => p.reset(),
                    PolicyInstance::Network(p) => p.reset(),
                    $(PolicyInstance::$Kind(p) => p.reset(),)+
                }
            }

            fn decide(&mut self, features: &Features, mask: Mask) -> Request {
                match self {
                    PolicyInstance::Rule(p) => p.decide(features, mask),
                    PolicyInstance::Table(p) => p.decide(features, mask),
                    PolicyInstance::Network(p) => p.decide(features, mask),
                    $(PolicyInstance::$Kind(p) => p.decide(features, mask),)+
                }
            }
        }

        impl Explain for PolicyInstance {
            fn explain(&mut self, features: &Features, mask: Mask) -> Vec<String> {
                match self {
                    PolicyInstance::Rule(p) => p.explain(features, mask),
                    PolicyInstance::Table(p) => p.explain(features, mask),
                    PolicyInstance::Network(p) => p.explain(features, mask),
                    $(PolicyInstance::$Kind(p) => p.explain(features, mask),)+
                }
            }
        }
    };
}

learners! {
    /// Thresholds that depend on context, searched from the tuned rule.
    contextual: Contextual = ContextualTraining;
    /// A small value network.
    dqn: Dqn = DqnTraining;
    /// A small policy network that corrects the tuned rule.
    ppo: Ppo = PpoTraining;
    /// A table of action values.
    tabular: Tabular = TabularTraining;
}

impl LearnersConfig {
    /// How many take part.
    #[must_use]
    pub fn count(&self) -> usize {
        LearnerKind::ALL.into_iter().filter(|&kind| self.get(kind).is_some()).count()
    }

    /// Changes the settings of every learner that takes part.
    pub fn each(&mut self, mut change: impl FnMut(&mut dyn LearnerSettings)) {
        for kind in LearnerKind::ALL {
            self.get_mut(kind).into_iter().for_each(&mut change);
        }
    }

    /// Training run number `run` of a learner; none where it takes no part.
    #[must_use]
    pub fn job(&self, kind: LearnerKind, guide: Guide<'_>, run: u64) -> Option<Box<dyn Job>> {
        self.get(kind).map(|settings| settings.job(guide, run))
    }
}
