//! The learned policy as probabilities: what drives and what is saved.

use lowgear_env::config::in_range;
use serde::{Deserialize, Serialize};

use super::{NeuralError, Normaliser, update::log_softmax};
use crate::neural::{Network, Scratch};
use crate::policy::Mask;

/// Probabilities of actions: observations are normalised, pass through the network and its memory, and the
/// guide's action gets its bias.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(try_from = "RawActor", into = "RawActor")]
pub struct Actor {
    normaliser: Normaliser,
    network: Network,
    guide_bias: f32,
    memory: Vec<f32>,
    scratch: Scratch,
    input: Vec<f32>,
    probabilities: Vec<f32>,
}

/// What is written and read; checked on the way in.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct RawActor {
    normaliser: Normaliser,
    network: Network,
    guide_bias: f32,
}

impl TryFrom<RawActor> for Actor {
    type Error = NeuralError;

    fn try_from(raw: RawActor) -> Result<Actor, NeuralError> {
        Actor::new(raw.normaliser, raw.network, raw.guide_bias)
    }
}

impl From<Actor> for RawActor {
    fn from(actor: Actor) -> RawActor {
        RawActor { normaliser: actor.normaliser, network: actor.network, guide_bias: actor.guide_bias }
    }
}

impl Actor {
    /// A policy whose network gives one logit per action.
    ///
    /// # Errors
    /// The normaliser has another length than the network's input, there are more than 32 actions, or the
    /// bias is not 0 to 20.
    pub fn new(normaliser: Normaliser, network: Network, guide_bias: f32) -> Result<Actor, NeuralError> {
        normaliser.check(network.shape().inputs)?;
        in_range("actions", network.shape().outputs, 1, 32, "")?;
        in_range("guide-bias", guide_bias, 0.0, 20.0, "")?;
        Ok(Actor {
            normaliser,
            network,
            guide_bias,
            memory: Vec::new(),
            scratch: Scratch::default(),
            input: Vec::new(),
            probabilities: Vec::new(),
        })
    }

    /// Forgets everything: a new episode begins.
    pub fn reset(&mut self) {
        self.memory.clear();
    }

    /// The network.
    #[must_use]
    pub const fn network(&self) -> &Network {
        &self.network
    }

    /// What is added to the logit of the guide's action.
    #[must_use]
    pub const fn guide_bias(&self) -> f32 {
        self.guide_bias
    }

    /// The probability of each action, 0 of impossible ones. Moves the memory on: ask once per decision.
    pub fn probabilities(&mut self, observation: &[f32], mask: Mask, guide: Option<usize>) -> &[f32] {
        self.input.clear();
        self.input.extend_from_slice(observation);
        self.normaliser.apply(&mut self.input);
        let logits = self.network.run(&self.input, &mut self.memory, &mut self.scratch);
        biased_log_softmax(logits, mask, guide, self.guide_bias, &mut self.probabilities);
        self.probabilities.iter_mut().for_each(|p| *p = p.exp());
        &self.probabilities
    }
}

/// Logarithms of probabilities, the guide's logit raised by `bias`.
pub(crate) fn biased_log_softmax(
    logits: &[f32],
    mask: Mask,
    guide: Option<usize>,
    bias: f32,
    log_p: &mut Vec<f32>,
) {
    match guide {
        Some(guide) if bias > 0.0 && guide < logits.len() => {
            let mut raised = [0.0; 32];
            let raised = &mut raised[..logits.len().min(32)];
            raised.copy_from_slice(&logits[..raised.len()]);
            raised[guide] += bias;
            log_softmax(raised, mask, log_p);
        }
        _ => log_softmax(logits, mask, log_p),
    }
}
