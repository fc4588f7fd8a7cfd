//! The parts of the exported files that hold a network.

use std::fmt::Write as _;

use lowgear_agents::integer_network::{IntegerNetwork, form_name};
use lowgear_onboard::{Feature, NetworkInput};

use super::source::numbers;

/// Added to a weight, and to a bias or a bound, so that none is negative.
pub(super) const WEIGHT_BIAS: i16 = 128;
pub(super) const BIAS_BIAS: i32 = 32_768;

fn feature(input: &NetworkInput) -> Feature {
    Feature::ALL[usize::from(input.feature) % Feature::ALL.len()]
}

/// Lines that describe the inputs and layers in every format; reading back relies on them.
pub(super) fn markers(network: &IntegerNetwork) -> String {
    let names: Vec<&str> = network.features().into_iter().map(Feature::name).collect();
    let mut text = format!("data: axes {}\n", names.join(" "));
    for input in network.inputs() {
        let (name, form) = (feature(input).name(), form_name(input.form));
        let _ = writeln!(text, "data: input {name} {form} {} {}", input.low, input.shift);
    }
    for layer in network.layers() {
        let _ = writeln!(text, "data: layer {} {}", layer.units, layer.shift);
    }
    text
}

/// Place of an input's feature among the values.
fn axis(network: &IntegerNetwork, input: &NetworkInput) -> usize {
    network.features().iter().position(|seen| *seen == feature(input)).unwrap_or(0)
}

fn c_array(kind: &str, name: &str, values: Vec<i32>) -> String {
    let length = values.len();
    let body = numbers(values.into_iter().map(|value| format!("{value}u,")), "    ", " ");
    format!("static const {kind} lowgear_{name}[{length}] LOWGEAR_ROM = {{\n{body}}};\n")
}

/// The network in C.
pub(super) fn c_text(network: &IntegerNetwork, bias: u16) -> String {
    let mut text = "/*\n".to_owned();
    markers(network).lines().for_each(|line| {
        let _ = writeln!(text, " * {line}");
    });
    text.push_str(" */\n");
    let _ = writeln!(text, "#define LOWGEAR_AXES {}u", network.features().len());
    let _ = writeln!(text, "#define LOWGEAR_BIAS {bias}u");
    let _ = writeln!(text, "#define LOWGEAR_INPUTS {}u", network.inputs().len());
    let _ = writeln!(text, "#define LOWGEAR_LAYERS {}u", network.layers().len());
    let _ = writeln!(text, "#define LOWGEAR_WIDTH {}u", network.width());
    text.push_str("\n/* Of each input: place among the values, form times 16 and shift times 256; its bound plus 32768. */\n");
    let inputs = network.inputs().iter().flat_map(|input| {
        let code = axis(network, input) as i32 + 16 * input.form as i32 + 256 * i32::from(input.shift);
        [code, i32::from(input.low) + BIAS_BIAS]
    });
    text.push_str(&c_array("uint16_t", "inputs", inputs.collect()));
    text.push_str("\n/* Of each layer: units and shift. */\n");
    let layers = network.layers().iter().flat_map(|layer| [layer.units, layer.shift].map(i32::from));
    text.push_str(&c_array("uint8_t", "layers", layers.collect()));
    let _ = writeln!(text, "\n/* Unit by unit.\n * {} */", weights_marker(network, WEIGHT_BIAS));
    let weights = network.weights().iter().map(|&weight| i32::from(i16::from(weight) + WEIGHT_BIAS));
    text.push_str(&c_array("uint8_t", "weights", weights.collect()));
    let _ = writeln!(text, "\n/* {} */", biases_marker(network, BIAS_BIAS));
    let biases = network.biases().iter().map(|&bias| i32::from(bias) + BIAS_BIAS);
    text.push_str(&c_array("uint16_t", "biases", biases.collect()));
    text
}

fn weights_marker(network: &IntegerNetwork, plus: i16) -> String {
    format!("data: weights {} plus {plus}", network.weights().len())
}

fn biases_marker(network: &IntegerNetwork, plus: i32) -> String {
    format!("data: biases {} plus {plus}", network.biases().len())
}

/// The network in Rust.
pub(super) fn rust_text(network: &IntegerNetwork, bias: u16) -> String {
    let mut text = String::new();
    markers(network).lines().for_each(|line| {
        let _ = writeln!(text, "// {line}");
    });
    let features = network.features();
    let _ =
        writeln!(text, "/// Features that the network sees.\npub const AXES: usize = {};", features.len());
    let _ = writeln!(text, "/// Added to a value in the self-test's sum.\npub const BIAS: u16 = {bias};");
    let _ = writeln!(text, "\nconst SEEN: [Feature; AXES] = [");
    features.iter().for_each(|feature| {
        let _ = writeln!(text, "    Feature::{feature:?},");
    });
    let _ = writeln!(text, "];\n\nconst INPUTS: [NetworkInput; {}] = [", network.inputs().len());
    for input in network.inputs() {
        let (name, NetworkInput { form, low, shift, .. }) = (feature(input), input);
        let _ = writeln!(
            text,
            "    NetworkInput {{ feature: Feature::{name:?} as u8, form: InputForm::{form:?}, low: {low}, shift: {shift} }},"
        );
    }
    let _ = writeln!(text, "];\n\nconst LAYERS: [NetworkLayer; {}] = [", network.layers().len());
    for layer in network.layers() {
        let _ = writeln!(text, "    NetworkLayer {{ units: {}, shift: {} }},", layer.units, layer.shift);
    }
    text.push_str("];\n\n// Unit by unit.\n");
    let _ = writeln!(text, "// {}", weights_marker(network, 0));
    let _ = writeln!(text, "const WEIGHTS: [i8; {}] = [", network.weights().len());
    text.push_str(&numbers(network.weights().iter().map(|w| format!("{w},")), "    ", " "));
    let _ = writeln!(text, "];\n\n// {}", biases_marker(network, 0));
    let _ = writeln!(text, "const BIASES: [i16; {}] = [", network.biases().len());
    text.push_str(&numbers(network.biases().iter().map(|b| format!("{b},")), "    ", " "));
    text.push_str("];\n");
    text
}

/// The network in Python.
pub(super) fn python_text(network: &IntegerNetwork, bias: u16) -> String {
    let mut text = String::new();
    markers(network).lines().for_each(|line| {
        let _ = writeln!(text, "# {line}");
    });
    let _ = writeln!(text, "AXES = const({})", network.features().len());
    let _ = writeln!(text, "BIAS = const({bias})  # added to a value in the self-test's sum");
    let _ = writeln!(text, "INPUT_COUNT = const({})", network.inputs().len());
    let _ = writeln!(text, "LAYER_COUNT = const({})", network.layers().len());
    let _ = writeln!(text, "WIDTH = const({})", network.width());
    text.push_str("# Of each input: place among the values, form, bound, shift.\nINPUTS = (\n");
    for input in network.inputs() {
        let (axis, form) = (axis(network, input), input.form as u8);
        let _ = writeln!(text, "    ({axis}, {form}, {}, {}),", input.low, input.shift);
    }
    text.push_str(")\n# Of each layer: units and shift.\nLAYERS = (\n");
    for layer in network.layers() {
        let _ = writeln!(text, "    ({}, {}),", layer.units, layer.shift);
    }
    let _ = writeln!(text, ")\n# Unit by unit.\n# {}\nWEIGHTS = (", weights_marker(network, WEIGHT_BIAS));
    for row in network.weights().chunks(20) {
        let bytes = row.iter().map(|&weight| format!("\\x{:02x}", i16::from(weight) + WEIGHT_BIAS));
        let _ = writeln!(text, "    b\"{}\"", bytes.collect::<String>());
    }
    let _ = writeln!(text, ")\n# {}\nBIASES = (", biases_marker(network, 0));
    text.push_str(&numbers(network.biases().iter().map(|b| format!("{b},")), "    ", " "));
    text.push_str(")\n");
    text
}

/// The network as a list: one line an input, a layer and a unit.
pub(super) fn list_text(network: &IntegerNetwork) -> String {
    let mut text = String::new();
    for input in network.inputs() {
        let (name, form) = (feature(input).name(), form_name(input.form));
        let _ = writeln!(text, "input,{name},{form},{},{}", input.low, input.shift);
    }
    let (mut width, mut weights, mut biases) =
        (network.inputs().len(), network.weights().iter(), network.biases().iter());
    for layer in network.layers() {
        let _ = writeln!(text, "layer,{},{}", layer.units, layer.shift);
        for bias in biases.by_ref().take(layer.units.into()) {
            let _ = write!(text, "unit,{bias}");
            for weight in weights.by_ref().take(width) {
                let _ = write!(text, ",{weight}");
            }
            text.push('\n');
        }
        width = layer.units.into();
    }
    text
}
