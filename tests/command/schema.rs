//! The schemas next to the shipped files: generated, up to date, and of use.

use super::validate::faults;
use crate::sandbox::{Sandbox, files_below, repository};
use lowgear_train::schema::FileKind;
use serde_json::{Value, json};
use std::fs;
use std::path::PathBuf;

/// Every shipped configuration file with its text.
pub(super) fn shipped() -> Vec<(PathBuf, String)> {
    let configs = repository().join("configs");
    let toml = files_below(&configs).into_iter().filter(|f| f.extension().is_some_and(|e| e == "toml"));
    toml.map(|f| (f.clone(), fs::read_to_string(configs.join(f)).unwrap())).collect()
}

/// The examples of files that belong to logs.
const EXAMPLES: [(FileKind, &str, &str); 2] = [
    (FileKind::Sheet, "configs/sheets/seed-tray-cart.toml", "../schema"),
    (FileKind::Mapping, "tests/sysid/mapping.toml", "../../configs/schema"),
];

#[test]
fn the_examples_for_logs_name_their_schema_agree_with_it_and_pass_the_check() {
    let place = Sandbox::new();
    for (kind, example, schemas) in EXAMPLES {
        let name = &format!("{}.toml", kind.name());
        let text = fs::read_to_string(repository().join(example)).unwrap();
        assert_eq!(FileKind::of(&text), kind);
        let first = format!("#:schema {schemas}/{}.schema.json", kind.name());
        assert_eq!(text.lines().next(), Some(first.as_str()), "{example}");
        let found = faults(&kind.schema(), &as_json(&text));
        assert!(found.is_empty(), "{example}: {found:?}");
        place.write(name, &text);
        let out = place.run(&["check", name]).done().out;
        assert!(out.contains(": OK (") && out.contains(kind.name()), "{out}");
        place.run(&["check", name, "--resolved"]).done();
    }
    let line = place.edit("sheet.toml", "mass-kg", "mass-kg = 900.0");
    place.run(&["check", "sheet.toml"]).refused(2, &["sheet.toml", &format!("line {line}"), "mass-kg"]);
    let line = place.edit("mapping.toml", "time =", "time = { column = \"t\", unit = \"rpm\" }");
    place.run(&["check", "mapping.toml"]).refused(2, &["mapping.toml", &format!("line {line}"), "rpm", "ms"]);
}

fn as_json(text: &str) -> Value {
    serde_json::to_value(toml::from_str::<toml::Table>(text).unwrap()).unwrap()
}

#[test]
fn the_schemas_beside_the_shipped_files_are_those_of_the_types() {
    for kind in FileKind::ALL {
        let name = kind.name();
        let file = repository().join(format!("configs/schema/{name}.schema.json"));
        assert!(
            fs::read_to_string(file).unwrap_or_default() == kind.schema_text(),
            "configs/schema/{name}.schema.json is out of date; write it again with\n\
             cargo run --release -- check --schema {name} > configs/schema/{name}.schema.json"
        );
    }
}

#[test]
fn the_command_writes_the_same_schema_and_reads_no_file() {
    let place = Sandbox::new();
    for kind in FileKind::ALL {
        let out = place.run(&["check", "--schema", kind.name()]).done().out;
        assert_eq!(out, kind.schema_text());
    }
    place.run(&["check", "--schema", "boat"]).refused(2, &["boat", "vehicle", "course", "study"]);
    place.run(&["check", "--schema", "study", "tiny.toml"]).refused(2, &["--schema"]);
    place.run(&["check"]).refused(2, &["<FILE>"]);
}

#[test]
fn every_shipped_file_names_its_schema_and_agrees_with_it() {
    for (file, text) in shipped() {
        let kind = FileKind::of(&text);
        let first = format!("#:schema ../schema/{}.schema.json", kind.name());
        assert_eq!(text.lines().next(), Some(first.as_str()), "{}", file.display());
        let found = faults(&kind.schema(), &as_json(&text));
        assert!(found.is_empty(), "{}: {found:?}", file.display());
    }
}

#[test]
fn a_schema_sees_unknown_keys_wrong_types_missing_keys_and_unknown_words() {
    let read = |name: &str| as_json(&fs::read_to_string(repository().join("configs").join(name)).unwrap());
    for (kind, file, pointer, key, wrong, word) in [
        (FileKind::Vehicle, "vehicles/demo-cart.toml", "/chassis", "mas-kg", json!(5.0), "mas-kg"),
        (FileKind::Vehicle, "vehicles/demo-cart.toml", "/chassis", "mass-kg", json!("5 kg"), "mass-kg"),
        (FileKind::Vehicle, "vehicles/demo-cart.toml", "/stress", "miner", json!("palmgren"), "miner"),
        (FileKind::Vehicle, "vehicles/demo-cart.toml", "/sensors", "latency-ticks", json!(-1), "latency"),
        (FileKind::Vehicle, "vehicles/demo-cart.toml", "/variation", "charge", json!({"even": 1}), "charge"),
        (FileKind::Course, "courses/tale.toml", "/sections/0", "surface", Value::Null, "surface"),
        (FileKind::Course, "courses/tale.toml", "/sections/1", "obstacle-shape", json!("cube"), "shape"),
        (FileKind::Study, "studies/demo.toml", "", "seed", json!(1.5), "seed"),
        (
            FileKind::Study,
            "studies/night.toml",
            "/learners/tabular/grid/0",
            "feature",
            json!("smell"),
            "feature",
        ),
        (FileKind::Study, "studies/night.toml", "/learners/dqn/settings", "hidden", json!(64), "hidden"),
    ] {
        let mut config = read(file);
        let table = config.pointer_mut(pointer).unwrap().as_object_mut().unwrap();
        match wrong {
            Value::Null => drop(table.remove(key)),
            wrong => drop(table.insert(key.to_owned(), wrong)),
        }
        let found = faults(&kind.schema(), &config);
        assert!(found.iter().any(|fault| fault.contains(word)), "{pointer}/{key}: {found:?}");
    }
}

#[test]
fn every_key_of_every_schema_says_what_it_means() {
    for kind in FileKind::ALL {
        let mut open = vec![kind.schema()];
        while let Some(value) = open.pop() {
            if let Some(properties) = value.get("properties").and_then(Value::as_object) {
                // A choice has one key, the word itself; its meaning stands next to it.
                let choice = properties.len() == 1 && value.get("description").is_some();
                for (key, property) in properties {
                    assert!(choice || property.get("description").is_some(), "{}: {key}", kind.name());
                }
            }
            match value {
                Value::Object(entries) => open.extend(entries.into_iter().map(|(_, v)| v)),
                Value::Array(entries) => open.extend(entries),
                _ => {}
            }
        }
    }
}
