//! The learned policy: drives a vehicle, and can be written down and read back.

use lowgear_onboard::{Features, Request};
use serde::{Deserialize, Serialize};

use super::{Encode, FeatureScaler, Guide, Mask, Network, NeuralError, RuleGuide, Scratch};
use crate::neural::{check_length, limits};
use crate::policy::explain::{Explain, set_in, weighed};
use crate::policy::{Policy, guided_best};

/// Asks for the possible request that the network values highest; with a guide, for the guide's unless
/// another one is valued higher by more than a margin.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(try_from = "RawPolicy", into = "RawPolicy")]
pub struct DqnPolicy {
    scaler: FeatureScaler,
    network: Network,
    guide: Option<RuleGuide>,
    rule_margin: f32,
    scratch: Scratch,
    input: Vec<f32>,
}

/// What is written and read; checked on the way in.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct RawPolicy {
    scaler: FeatureScaler,
    network: Network,
    #[serde(default)]
    guide: Option<RuleGuide>,
    #[serde(default)]
    rule_margin: f32,
}

impl TryFrom<RawPolicy> for DqnPolicy {
    type Error = NeuralError;

    fn try_from(raw: RawPolicy) -> Result<DqnPolicy, NeuralError> {
        let policy = DqnPolicy::new(raw.scaler, raw.network)?;
        match raw.guide {
            Some(guide) => policy.with_guide(guide, raw.rule_margin),
            None => Ok(policy),
        }
    }
}

impl From<DqnPolicy> for RawPolicy {
    fn from(policy: DqnPolicy) -> RawPolicy {
        let DqnPolicy { scaler, network, guide, rule_margin, .. } = policy;
        RawPolicy { scaler, network, guide, rule_margin }
    }
}

impl DqnPolicy {
    /// A policy from a network, for example [`super::Dqn::target`].
    ///
    /// # Errors
    /// The network does not take what the scaler gives, or does not value three actions.
    pub fn new(scaler: FeatureScaler, network: Network) -> Result<DqnPolicy, NeuralError> {
        let shape = network.shape();
        check_length("network inputs", shape.inputs, scaler.inputs())?;
        check_length("network actions", shape.outputs, Request::ALL.len())?;
        let (scratch, input) = (Scratch::default(), Vec::new());
        Ok(DqnPolicy { scaler, network, guide: None, rule_margin: 0.0, scratch, input })
    }

    /// The same policy, which leaves the guide's request only where another one is valued higher by more
    /// than `rule_margin`, in scaled reward. With a margin of 0 the guide has no say.
    ///
    /// # Errors
    /// The margin is negative or not finite.
    pub fn with_guide(self, guide: RuleGuide, rule_margin: f32) -> Result<DqnPolicy, NeuralError> {
        limits::not_negative("rule-margin", rule_margin)?;
        Ok(DqnPolicy { guide: (rule_margin > 0.0).then_some(guide), rule_margin, ..self })
    }

    /// The value of each request, by code, in scaled reward. Moves the memory of earlier decisions on.
    pub fn values(&mut self, features: &Features) -> &[f32] {
        self.input.clear();
        self.scaler.encode(features, &mut self.input);
        self.network.values(&self.input, &mut self.scratch)
    }
}

impl Policy for DqnPolicy {
    fn reset(&mut self) {
        self.scaler.reset();
        if let Some(guide) = &mut self.guide {
            guide.reset();
        }
    }

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        let guide = self.guide.as_mut().and_then(|guide| guide.advise_within(features, mask));
        let margin = self.rule_margin;
        let best = guided_best(self.values(features), mask, guide, margin);
        best.map_or(Request::Hold, |action| Request::from_code(action as u8))
    }
}

impl Explain for DqnPolicy {
    fn explain(&mut self, features: &Features, mask: Mask) -> Vec<String> {
        let mut lines = Vec::new();
        if let Some(guide) = &mut self.guide {
            lines.extend(set_in("rule", guide.explain(features, mask)));
            lines.push(format!("another request than the rule's must be worth {} more", self.rule_margin));
        }
        let values: Vec<f64> = self.values(features).iter().map(|&value| f64::from(value)).collect();
        lines.push(weighed("values, scaled reward", &values, mask));
        lines
    }
}
