//! The kinds of configuration file and the JSON schema of each, for editors.
//!
//! A schema is generated from the types that read the file: doc comments become descriptions, `serde`
//! decides keys, words and defaults. Ranges stay with `check`, which knows those that depend on other keys.

use crate::config::{SensorsConfig, StudyConfig, SweepConfig};
use lowgear_env::terrain::CourseConfig;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_sysid::log::Mapping;
use lowgear_sysid::sheet::Sheet;
use serde_json::{Map, Value};

/// A kind of configuration file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum FileKind {
    /// A vehicle.
    Vehicle,
    /// A course, or a kind of course.
    Course,
    /// A study.
    Study,
    /// A sweep of studies.
    Sweep,
    /// What is known of a vehicle before its first run.
    Sheet,
    /// Names and units of a log's columns.
    Mapping,
    /// Sensors ahead that a vehicle could have.
    Sensors,
}

impl FileKind {
    /// All kinds.
    pub const ALL: [FileKind; 7] = [
        FileKind::Vehicle,
        FileKind::Course,
        FileKind::Study,
        FileKind::Sweep,
        FileKind::Sheet,
        FileKind::Mapping,
        FileKind::Sensors,
    ];

    /// Its name, as in the name of its schema file.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            FileKind::Vehicle => "vehicle",
            FileKind::Course => "course",
            FileKind::Study => "study",
            FileKind::Sweep => "sweep",
            FileKind::Sheet => "sheet",
            FileKind::Mapping => "mapping",
            FileKind::Sensors => "sensors",
        }
    }

    /// What kind of file a text is; a study when in doubt.
    #[must_use]
    pub fn of(text: &str) -> FileKind {
        FileKind::recognised(text).unwrap_or(FileKind::Study)
    }

    /// What kind of file a text is, by the keys at its top: of the kind that knows most of them, the first in doubt.
    /// None where no kind knows any. A text that is no TOML is taken by the names that begin its lines.
    #[must_use]
    pub fn recognised(text: &str) -> Option<FileKind> {
        let keys: Vec<String> = match toml::from_str::<toml::Table>(text) {
            Ok(table) => table.keys().cloned().collect(),
            Err(_) => text.lines().filter_map(first_name).collect(),
        };
        let known = |kind: FileKind| {
            let schema = kind.schema();
            // Every kind but one has a name.
            let mine = |key: &&String| *key != "name" && schema["properties"].get(key.as_str()).is_some();
            keys.iter().filter(mine).count()
        };
        let counts = FileKind::ALL.map(|kind| (known(kind), kind));
        counts.into_iter().rev().max_by_key(|(count, _)| *count).filter(|(n, _)| *n > 0).map(|(_, kind)| kind)
    }

    /// The JSON schema (2020-12); keys are in alphabetical order.
    #[must_use]
    pub fn schema(self) -> Value {
        let mut schema = match self {
            FileKind::Vehicle => schemars::schema_for!(VehicleConfig),
            FileKind::Course => schemars::schema_for!(CourseConfig),
            FileKind::Study => schemars::schema_for!(StudyConfig),
            FileKind::Sweep => schemars::schema_for!(SweepConfig),
            FileKind::Sheet => schemars::schema_for!(Sheet),
            FileKind::Mapping => schemars::schema_for!(Mapping),
            FileKind::Sensors => schemars::schema_for!(SensorsConfig),
        };
        schema.insert("title".into(), format!("{} file", self.name()).into());
        let mut value = schema.to_value();
        as_toml_has_it(&mut value);
        value
    }

    /// The schema as it stands in its file.
    #[must_use]
    pub fn schema_text(self) -> String {
        format!("{:#}\n", self.schema())
    }
}

/// The first name of a line of TOML: of a key, or of a section.
fn first_name(line: &str) -> Option<String> {
    let header = line.trim_start().strip_prefix('[').map(|rest| rest.trim_start_matches(['[', ' ']));
    let key = || line.split_once('=').map(|(key, _)| key);
    let name: String =
        header.or_else(key)?.trim().chars().take_while(|c| c.is_alphanumeric() || *c == '-').collect();
    (!name.is_empty()).then_some(name)
}

/// TOML has no null (a key is left out instead), and a number of single precision has fewer digits.
fn as_toml_has_it(value: &mut Value) {
    match value {
        Value::Object(entries) => {
            entries.retain(|_, entry| !entry.is_null());
            without_null_type(entries);
            entries.values_mut().for_each(as_toml_has_it);
        }
        Value::Array(entries) => entries.iter_mut().for_each(as_toml_has_it),
        Value::Number(number) => {
            let short = number.as_f64().filter(|long| f64::from(*long as f32) == *long);
            let short = short.filter(|_| number.is_f64()).map(|long| (long as f32).to_string());
            if let Some(shorter) =
                short.and_then(|text| text.parse::<f64>().ok()).and_then(serde_json::Number::from_f64)
            {
                *value = Value::Number(shorter);
            }
        }
        _ => {}
    }
}

/// Takes null out of the types that an optional key may have.
fn without_null_type(entries: &mut Map<String, Value>) {
    if let Some(Value::Array(types)) = entries.get_mut("type") {
        types.retain(|name| name != "null");
        if let [only] = types.as_slice() {
            let only = only.clone();
            entries.insert("type".into(), only);
        }
    }
    if let Some(Value::Array(choices)) = entries.get_mut("anyOf") {
        choices.retain(|choice| choice.get("type").is_none_or(|name| name != "null"));
        if let [Value::Object(only)] = choices.as_slice() {
            let only = only.clone();
            entries.remove("anyOf");
            entries.extend(only);
        }
    }
}
