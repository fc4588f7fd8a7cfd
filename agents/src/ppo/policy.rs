//! The learned policy on the vehicle: decides without chance, and can be written down and read back.

use lowgear_env::config::{in_range, require};
use lowgear_onboard::{Features, Request};
use serde::{Deserialize, Serialize};

use super::{Actor, NeuralError};
use crate::{
    neural::{Encode, FeatureScaler, check_length},
    policy::{
        Guide, Mask, Policy,
        explain::{Explain, set_in, weighed},
    },
    rule::RuleGuide,
};

/// Takes the likelier one of the two shifts when its probability reaches the threshold, and holds
/// otherwise. A threshold of 0 takes the likeliest request.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(try_from = "RawPolicy", into = "RawPolicy")]
pub struct PpoPolicy {
    scaler: FeatureScaler,
    actor: Actor,
    shift_threshold: f32,
    guide: Option<RuleGuide>,
    input: Vec<f32>,
}

/// What is written and read; checked on the way in.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct RawPolicy {
    scaler: FeatureScaler,
    actor: Actor,
    shift_threshold: f32,
    guide: Option<RuleGuide>,
}

impl TryFrom<RawPolicy> for PpoPolicy {
    type Error = NeuralError;

    fn try_from(raw: RawPolicy) -> Result<PpoPolicy, NeuralError> {
        PpoPolicy::new(raw.scaler, raw.actor, raw.shift_threshold, raw.guide)
    }
}

impl From<PpoPolicy> for RawPolicy {
    fn from(policy: PpoPolicy) -> RawPolicy {
        let PpoPolicy { scaler, actor, shift_threshold, guide, .. } = policy;
        RawPolicy { scaler, actor, shift_threshold, guide }
    }
}

impl PpoPolicy {
    /// A policy from [`super::Ppo::actor`]. `guide` is the rule that guided it.
    ///
    /// # Errors
    /// The network does not take what the scaler gives, or does not have three actions; the threshold is not
    /// 0 to 1; the guide's action has a bias and no guide is given.
    pub fn new(
        scaler: FeatureScaler,
        actor: Actor,
        shift_threshold: f32,
        guide: Option<RuleGuide>,
    ) -> Result<PpoPolicy, NeuralError> {
        let shape = actor.network().shape();
        check_length("network inputs", shape.inputs, scaler.inputs())?;
        check_length("network actions", shape.outputs, Request::ALL.len())?;
        in_range("shift-threshold", shift_threshold, 0.0, 1.0, "")?;
        let bias = actor.guide_bias();
        require(bias == 0.0 || guide.is_some(), "guide-bias", bias, "0 without a guide")?;
        Ok(PpoPolicy { scaler, actor, shift_threshold, guide, input: Vec::new() })
    }

    /// The probability of each request, by code. Moves the memory on: ask once per decision.
    pub fn probabilities(&mut self, features: &Features, mask: Mask) -> &[f32] {
        self.input.clear();
        self.scaler.encode(features, &mut self.input);
        let guide = self.guide.as_mut().and_then(|guide| guide.advise_within(features, mask));
        self.actor.probabilities(&self.input, mask, guide)
    }
}

impl Policy for PpoPolicy {
    fn reset(&mut self) {
        self.scaler.reset();
        self.actor.reset();
        if let Some(guide) = &mut self.guide {
            guide.reset();
        }
    }

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        let threshold = self.shift_threshold;
        decide(self.probabilities(features, mask), mask, threshold)
    }
}

impl Explain for PpoPolicy {
    fn explain(&mut self, features: &Features, mask: Mask) -> Vec<String> {
        let mut lines = Vec::new();
        if let Some(guide) = &self.guide {
            lines.extend(set_in("rule", guide.clone().explain(features, mask)));
        }
        let threshold = self.shift_threshold;
        let likely: Vec<f64> = self.probabilities(features, mask).iter().map(|&p| f64::from(p)).collect();
        lines.push(weighed("probabilities", &likely, mask));
        lines.push(if threshold > 0.0 {
            format!("shifts from a probability of {threshold}")
        } else {
            "takes the likeliest".to_owned()
        });
        lines
    }
}

/// The request that the probabilities of requests, by code, amount to.
fn decide(probabilities: &[f32], mask: Mask, threshold: f32) -> Request {
    let request = |action: Option<usize>| action.map_or(Request::Hold, |a| Request::from_code(a as u8));
    if threshold == 0.0 {
        return request(mask.best(probabilities));
    }
    let hold = Request::Hold as usize;
    let shifts = Mask::from_fn(Request::ALL.len(), |a| a != hold && mask.allows(a));
    let best = shifts.best(probabilities).filter(|&a| probabilities[a] >= threshold);
    request(best.or_else(|| mask.allows(hold).then_some(hold)).or_else(|| mask.best(probabilities)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shift_needs_only_its_threshold() {
        let all = Mask::all(3);
        let mut p = [0.0; 3];
        p[Request::Down as usize] = 0.1;
        p[Request::Hold as usize] = 0.6;
        p[Request::Up as usize] = 0.3;
        assert_eq!(decide(&p, all, 0.0), Request::Hold);
        assert_eq!(decide(&p, all, 0.25), Request::Up);
        assert_eq!(decide(&p, all, 0.35), Request::Hold);
        let no_up = Mask::from_fn(3, |a| a != Request::Up as usize);
        assert_eq!(decide(&p, no_up, 0.05), Request::Down);
        assert_eq!(decide(&p, Mask::from_fn(3, |_| false), 0.05), Request::Hold);
        let up_only = Mask::from_fn(3, |a| a == Request::Up as usize);
        assert_eq!(decide(&p, up_only, 0.9), Request::Up);
    }
}
