//! A policy network in integers, as a small controller runs it: 8-bit weights and activations, 32-bit sums. It is made
//! by distillation ([`distil`]) of any policy and rounded when it has learned (`student.rs`, `quantise.rs`).

pub mod distil;
mod file;
mod inputs;
mod quantise;
mod student;

pub use inputs::inputs_for;
pub use student::{Example, Student, StudentSettings};

use std::fmt::Write as _;

use lowgear_env::request_name;
use lowgear_onboard::{
    Feature, Features, InputForm, Network, NetworkError, NetworkInput, NetworkLayer, Request,
};

use crate::policy::explain::{Explain, weighed};
use crate::policy::{Mask, Policy};
use crate::table::Provenance;

/// Layout of a network file and of the exported data; rises on any change of meaning.
pub const NETWORK_FORMAT: u32 = 1;

/// Why a network or its file was refused.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum NetworkFault {
    /// Not JSON, cut short, or with fields missing.
    #[error("not a whole network file: {0}")]
    Syntax(#[from] serde_json::Error),
    /// Some other file.
    #[error("a file of kind `{0}`, not an integer network")]
    Kind(String),
    /// Written by another version.
    #[error("network format {found}; this version reads {NETWORK_FORMAT}")]
    Format {
        /// The number in the file.
        found: u32,
    },
    /// An input names no known feature.
    #[error("unknown feature `{0}`")]
    Feature(String),
    /// An input is taken in no known form.
    #[error("unknown form of an input `{0}`")]
    Form(String),
    /// Weights are not hexadecimal digits.
    #[error("weights are not hexadecimal: at digit {0}")]
    Digits(usize),
    /// The parts do not fit.
    #[error("the parts of the network do not fit: {0:?}")]
    Shape(NetworkError),
    /// The content is not what was written.
    #[error("damaged: content hash {found}, the file claims {claimed}")]
    Hash {
        /// Hash of the content.
        found: String,
        /// Hash in the file.
        claimed: String,
    },
}

/// An integer network that owns its data. Construction checks it, so every value can be decided with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct IntegerNetwork {
    inputs: Vec<NetworkInput>,
    layers: Vec<NetworkLayer>,
    weights: Vec<i8>,
    biases: Vec<i16>,
    provenance: Provenance,
}

impl IntegerNetwork {
    /// A network from its parts; see [`Network`] for their order.
    ///
    /// # Errors
    /// [`NetworkFault::Shape`] says what does not fit.
    pub fn new(
        inputs: Vec<NetworkInput>,
        layers: Vec<NetworkLayer>,
        weights: Vec<i8>,
        biases: Vec<i16>,
        provenance: Provenance,
    ) -> Result<IntegerNetwork, NetworkFault> {
        Network::new(&inputs, &layers, &weights, &biases).map_err(NetworkFault::Shape)?;
        Ok(IntegerNetwork { inputs, layers, weights, biases, provenance })
    }

    /// The inputs.
    #[must_use]
    pub fn inputs(&self) -> &[NetworkInput] {
        &self.inputs
    }

    /// The layers.
    #[must_use]
    pub fn layers(&self) -> &[NetworkLayer] {
        &self.layers
    }

    /// The weights, unit by unit.
    #[must_use]
    pub fn weights(&self) -> &[i8] {
        &self.weights
    }

    /// The biases, a sixteenth of what they add to a sum.
    #[must_use]
    pub fn biases(&self) -> &[i16] {
        &self.biases
    }

    /// Where the network comes from.
    #[must_use]
    pub fn provenance(&self) -> &Provenance {
        &self.provenance
    }

    /// The features that it sees, each once, in the order of its inputs.
    #[must_use]
    pub fn features(&self) -> Vec<Feature> {
        let mut seen: Vec<Feature> = Vec::new();
        for input in &self.inputs {
            let feature = Feature::ALL[usize::from(input.feature) % Feature::ALL.len()];
            if !seen.contains(&feature) {
                seen.push(feature);
            }
        }
        seen
    }

    /// Bytes of program memory for weights, biases, layers and inputs.
    #[must_use]
    pub fn bytes(&self) -> usize {
        self.weights.len() + 2 * self.biases.len() + 2 * self.layers.len() + 6 * self.inputs.len()
    }

    /// Units of its widest layer, or its inputs where they are more.
    #[must_use]
    pub fn width(&self) -> usize {
        self.layers.iter().map(|layer| usize::from(layer.units)).fold(self.inputs.len(), usize::max)
    }

    /// Its sizes in words, as `19 x 32 x 32 x 3`.
    #[must_use]
    pub fn sizes(&self) -> String {
        let mut text = self.inputs.len().to_string();
        for layer in &self.layers {
            let _ = write!(text, " x {}", layer.units);
        }
        text
    }

    /// Lends the network in the form that runs on the vehicle.
    ///
    /// # Errors
    /// Never for a network that was built by this type; the check is the onboard crate's own.
    pub fn with_onboard<R>(&self, use_network: impl FnOnce(&Network<'_>) -> R) -> Result<R, NetworkFault> {
        let network = Network::new(&self.inputs, &self.layers, &self.weights, &self.biases);
        Ok(use_network(&network.map_err(NetworkFault::Shape)?))
    }

    /// The sum of each request, by code.
    #[must_use]
    pub fn sums(&self, features: &Features) -> [i32; 3] {
        self.with_onboard(|network| network.sums(features)).unwrap_or_default()
    }

    /// The decision at `features`.
    #[must_use]
    pub fn decide(&self, features: &Features) -> Request {
        self.with_onboard(|network| network.decide(features)).unwrap_or(Request::Hold)
    }
}

/// The word for a form in files.
#[must_use]
pub const fn form_name(form: InputForm) -> &'static str {
    match form {
        InputForm::Equal => "equal",
        InputForm::Linear => "linear",
        InputForm::Log => "log",
    }
}

/// The form of a word.
#[must_use]
pub fn form_by_name(name: &str) -> Option<InputForm> {
    [InputForm::Equal, InputForm::Linear, InputForm::Log].into_iter().find(|&form| form_name(form) == name)
}

/// A network as a policy. What the guard would refuse anyway is answered with [`Request::Hold`].
#[derive(Clone, Debug)]
pub struct IntegerNetworkPolicy {
    network: IntegerNetwork,
}

impl IntegerNetworkPolicy {
    /// Decides with `network`.
    #[must_use]
    pub fn new(network: IntegerNetwork) -> IntegerNetworkPolicy {
        IntegerNetworkPolicy { network }
    }

    /// The network.
    #[must_use]
    pub fn network(&self) -> &IntegerNetwork {
        &self.network
    }
}

impl Policy for IntegerNetworkPolicy {
    fn reset(&mut self) {}

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        let request = self.network.decide(features);
        if mask.allows(request as usize) { request } else { Request::Hold }
    }
}

impl Explain for IntegerNetworkPolicy {
    fn explain(&mut self, features: &Features, mask: Mask) -> Vec<String> {
        let inputs = self.network.inputs.iter().map(|input| {
            let feature = Feature::ALL[usize::from(input.feature) % Feature::ALL.len()];
            let value = features.get(feature);
            format!("{} {value}: activation {} of 255", feature.name(), input.activation(value))
        });
        let sums = self.network.sums(features).map(f64::from);
        let request = request_name(self.network.decide(features));
        inputs.chain([weighed("sums", &sums, mask), format!("the greatest sum says {request}")]).collect()
    }
}

#[cfg(test)]
mod tests;
