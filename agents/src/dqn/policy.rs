//! The learned policy: drives a vehicle, and can be written down and read back.

use lowgear_onboard::{Features, Request};
use serde::{Deserialize, Serialize};

use super::{DqnError, Encode, FeatureScaler, Mask, Mlp, Scratch};
use crate::{neural::check_length, policy::Policy};

/// Asks for the possible request that the network values highest.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(try_from = "RawPolicy", into = "RawPolicy")]
pub struct DqnPolicy {
    scaler: FeatureScaler,
    network: Mlp,
    scratch: Scratch,
    input: Vec<f32>,
}

/// What is written and read; checked on the way in.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPolicy {
    scaler: FeatureScaler,
    network: Mlp,
}

impl TryFrom<RawPolicy> for DqnPolicy {
    type Error = DqnError;

    fn try_from(raw: RawPolicy) -> Result<DqnPolicy, DqnError> {
        DqnPolicy::new(raw.scaler, raw.network)
    }
}

impl From<DqnPolicy> for RawPolicy {
    fn from(policy: DqnPolicy) -> RawPolicy {
        RawPolicy { scaler: policy.scaler, network: policy.network }
    }
}

impl DqnPolicy {
    /// A policy from a network, for example [`super::Dqn::target`].
    ///
    /// # Errors
    /// The network does not take what the scaler gives, or does not value three actions.
    pub fn new(scaler: FeatureScaler, network: Mlp) -> Result<DqnPolicy, DqnError> {
        let shape = network.shape();
        check_length("network inputs", shape.inputs, scaler.inputs())?;
        check_length("network actions", shape.actions, Request::ALL.len())?;
        Ok(DqnPolicy { scaler, network, scratch: Scratch::default(), input: Vec::new() })
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
    }

    fn decide(&mut self, features: &Features, mask: [bool; 3]) -> Request {
        let best = Mask::from(mask).best(self.values(features));
        best.map_or(Request::Hold, |action| Request::from_code(action as u8))
    }
}
