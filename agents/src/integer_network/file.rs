//! The network file: JSON with a format number and a content hash.

use lowgear_onboard::{Feature, NetworkInput, NetworkLayer};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::{IntegerNetwork, NETWORK_FORMAT, NetworkFault, form_by_name, form_name};
use crate::table::{Provenance, hex};

const KIND: &str = "lowgear-network";

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct InputRecord {
    feature: String,
    form: String,
    low: i16,
    shift: u8,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LayerRecord {
    units: u8,
    shift: u8,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileRecord {
    kind: String,
    format: u32,
    provenance: Provenance,
    inputs: Vec<InputRecord>,
    layers: Vec<LayerRecord>,
    /// Two hexadecimal digits each, two's complement.
    weights: String,
    biases: Vec<i16>,
    hash: String,
}

/// Read first, so that a foreign or newer file is named as such.
#[derive(Deserialize)]
struct Head {
    #[serde(default)]
    kind: String,
    #[serde(default)]
    format: u32,
}

impl IntegerNetwork {
    /// The network as a JSON text.
    ///
    /// # Errors
    /// [`NetworkFault::Syntax`] when a text cannot be written as JSON.
    pub fn to_json(&self) -> Result<String, NetworkFault> {
        let input = |input: &NetworkInput| InputRecord {
            feature: Feature::ALL[usize::from(input.feature) % Feature::ALL.len()].name().to_owned(),
            form: form_name(input.form).to_owned(),
            low: input.low,
            shift: input.shift,
        };
        let layer = |layer: &NetworkLayer| LayerRecord { units: layer.units, shift: layer.shift };
        let record = FileRecord {
            kind: KIND.to_owned(),
            format: NETWORK_FORMAT,
            provenance: self.provenance.clone(),
            inputs: self.inputs.iter().map(input).collect(),
            layers: self.layers.iter().map(layer).collect(),
            weights: hex(&bytes(&self.weights)),
            biases: self.biases.clone(),
            hash: self.hash(),
        };
        Ok(serde_json::to_string_pretty(&record)? + "\n")
    }

    /// Reads what [`IntegerNetwork::to_json`] wrote.
    ///
    /// # Errors
    /// [`NetworkFault`] for anything cut short, foreign, newer or damaged.
    pub fn from_json(text: &str) -> Result<IntegerNetwork, NetworkFault> {
        let head: Head = serde_json::from_str(text)?;
        if head.kind != KIND {
            return Err(NetworkFault::Kind(head.kind));
        }
        if head.format != NETWORK_FORMAT {
            return Err(NetworkFault::Format { found: head.format });
        }
        let record: FileRecord = serde_json::from_str(text)?;
        let inputs = record.inputs.into_iter().map(read_input).collect::<Result<Vec<_>, _>>()?;
        let layers = record.layers.iter().map(|l| NetworkLayer { units: l.units, shift: l.shift }).collect();
        let weights = unhex(&record.weights)?;
        let network = IntegerNetwork::new(inputs, layers, weights, record.biases, record.provenance)?;
        let found = network.hash();
        if found == record.hash {
            Ok(network)
        } else {
            Err(NetworkFault::Hash { found, claimed: record.hash })
        }
    }

    /// SHA-256 over inputs, layers, weights and biases, as hexadecimal digits.
    #[must_use]
    pub fn hash(&self) -> String {
        let mut digest = Sha256::new();
        for input in &self.inputs {
            digest.update([input.feature, input.form as u8, input.shift]);
            digest.update(input.low.to_le_bytes());
        }
        for layer in &self.layers {
            digest.update([layer.units, layer.shift]);
        }
        digest.update(bytes(&self.weights));
        self.biases.iter().for_each(|bias| digest.update(bias.to_le_bytes()));
        hex(&digest.finalize())
    }
}

fn bytes(weights: &[i8]) -> Vec<u8> {
    weights.iter().map(|weight| weight.cast_unsigned()).collect()
}

fn read_input(record: InputRecord) -> Result<NetworkInput, NetworkFault> {
    let feature = Feature::ALL.into_iter().find(|feature| feature.name() == record.feature);
    let feature = feature.ok_or(NetworkFault::Feature(record.feature))? as u8;
    let form = form_by_name(&record.form).ok_or(NetworkFault::Form(record.form))?;
    Ok(NetworkInput { feature, form, low: record.low, shift: record.shift })
}

fn unhex(text: &str) -> Result<Vec<i8>, NetworkFault> {
    if !text.len().is_multiple_of(2) {
        return Err(NetworkFault::Digits(text.len()));
    }
    let digit = |i: usize, c: u8| match (c as char).to_digit(16) {
        Some(value) => Ok(value as u8),
        None => Err(NetworkFault::Digits(i)),
    };
    let pairs = text.as_bytes().chunks_exact(2).enumerate();
    pairs
        .map(|(i, pair)| Ok((digit(2 * i, pair[0])? << 4 | digit(2 * i + 1, pair[1])?).cast_signed()))
        .collect()
}
