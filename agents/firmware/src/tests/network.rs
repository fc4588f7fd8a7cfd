//! A network in place of the table.

use lowgear_agents::integer_network::{IntegerNetwork, inputs_for};
use lowgear_agents::table::Provenance;
use lowgear_onboard::{Feature, NetworkLayer, Settings};

use super::super::*;
use super::{feeler, settings};

/// Weights and biases of any sort, over every feature.
fn network(hidden: &[u8]) -> IntegerNetwork {
    let inputs = inputs_for(&Feature::ALL, 3);
    let units = hidden.iter().copied().chain([3]);
    let layers: Vec<NetworkLayer> = units.map(|units| NetworkLayer { units, shift: 9 }).collect();
    let (mut width, mut weights, mut biases) = (inputs.len(), 0, 0);
    for layer in &layers {
        weights += width * usize::from(layer.units);
        biases += usize::from(layer.units);
        width = layer.units.into();
    }
    let weights = (0..weights).map(|i| (i * 7919 % 256) as u8 as i8).collect();
    let biases = (0..biases).map(|i| (i * 7907 % 6000) as i16 - 3000).collect();
    let provenance = Provenance { vehicle: "cart".into(), teacher: "*/ x".into(), ..Provenance::default() };
    IntegerNetwork::new(inputs, layers, weights, biases, provenance).unwrap()
}

fn with_every_sensor() -> Settings {
    let mut settings = settings();
    settings.features.preview = feeler();
    settings
}

#[test]
fn the_compiled_network_answers_as_the_onboard_code_and_says_what_it_costs() {
    let folder = tempfile::tempdir().unwrap();
    let options = ExportOptions { small_machines: false, ..ExportOptions::default() };
    let outcome = prove(folder.path(), &network(&[12, 8]), &with_every_sensor(), &options).unwrap();
    if outcome.status == ProofStatus::NoCompiler {
        eprintln!("SKIPPED: no C compiler on this machine");
        return;
    }
    assert_eq!((&outcome.status, outcome.mismatches), (&ProofStatus::Proven, 0));
    assert!(outcome.sanitized, "no warning, and run under the sanitizers");
    assert!(outcome.vectors >= 10_000 && outcome.cells == 0);
    let size = outcome.size.network.clone().unwrap();
    assert_eq!((size.sizes.as_str(), size.products), ("18 x 12 x 8 x 3", 18 * 12 + 12 * 8 + 8 * 3));
    assert!(outcome.size.text().contains("18 x 12 x 8 x 3 units"));
    let list = std::fs::read_to_string(folder.path().join("network.csv")).unwrap();
    assert_eq!(list.lines().filter(|line| line.starts_with("unit,")).count(), 23);
    assert!(!folder.path().join("table.csv").exists());
}

#[test]
fn a_header_that_reads_its_weights_wrong_is_found_out() {
    let wrong = "-DLOWGEAR_READ(address)=(uint8_t)(*(address)^1u)";
    let options = ExportOptions {
        compiler: Some(format!("cc {wrong}")),
        small_machines: false,
        ..ExportOptions::default()
    };
    let folder = tempfile::tempdir().unwrap();
    let outcome = prove(folder.path(), &network(&[12, 8]), &settings(), &options).unwrap();
    // Sizes of layers are read so as well: the harness may run past the weights, which the sanitizers end.
    let found = |status: &ProofStatus| matches!(status, ProofStatus::Differs { .. } | ProofStatus::NotRun(_));
    assert!(found(&outcome.status) || outcome.status == ProofStatus::NoCompiler, "{:?}", outcome.status);
}

#[test]
fn every_exported_file_is_read_back_as_the_same_network() {
    let own = network(&[5, 4]);
    for format in Format::ALL {
        let text = source(format, &own, &settings(), "my_cart2").unwrap();
        let back = read_export(&text, format.extension()).unwrap();
        let ExportedPolicy::Network(read) = &back.policy else { panic!("{format:?}: no network") };
        assert_eq!((read.inputs(), read.layers()), (own.inputs(), own.layers()), "{format:?}");
        assert_eq!((read.weights(), read.biases()), (own.weights(), own.biases()), "{format:?}");
        assert_eq!(back.settings, settings_hash(&settings()));
        let said = |text: &str| read_export(text, format.extension()).unwrap_err().to_string();
        assert!(said(&text[..text.len() / 2]).contains("damaged"), "{format:?}");
        assert!(said(&text.replacen("format: 1", "format: 9", 1)).contains("export the policy again"));
    }
}

#[test]
fn a_network_that_no_small_controller_takes_is_refused_before_anything_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path().join("out");
    let said = |hidden: &[u8]| {
        prove(&place, &network(hidden), &settings(), &ExportOptions::default()).unwrap_err().to_string()
    };
    assert!(said(&[64, 64]).contains("18 x 64 x 64 x 3 needs about"), "{}", said(&[64, 64]));
    assert!(said(&[40]).contains("bytes of memory"), "{}", said(&[40]));
    assert!(said(&[32, 32, 32]).contains("instructions a decision"), "{}", said(&[32, 32, 32]));
    assert!(!place.exists());
    assert!(Decider::from(&network(&[32, 32])).check_size().is_ok(), "the default size");
}

#[test]
fn the_list_of_the_other_kind_is_removed_if_it_is_as_it_was_exported() {
    let folder = tempfile::tempdir().unwrap();
    let options = ExportOptions { formats: vec![Format::Csv], ..ExportOptions::default() };
    let files = || ["table.csv", "network.csv"].map(|name| folder.path().join(name).exists());
    prove(folder.path(), &super::table(), &settings(), &options).unwrap();
    assert_eq!(files(), [true, false]);
    prove(folder.path(), &network(&[4]), &settings(), &options).unwrap();
    assert_eq!(files(), [false, true]);
    std::fs::write(folder.path().join("network.csv"), "my own notes").unwrap();
    prove(folder.path(), &super::table(), &settings(), &options).unwrap();
    assert_eq!(files(), [true, true]);
}
