//! Reading configuration: what is wrong, in which file, at which line and key, and how to mend it.

mod distribution;
mod lines;
mod missing;
mod words;

pub use distribution::ParameterDistribution;
pub use words::{check_name, check_path, escaped, escaped_lines, shown};

use lines::Lines;
use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use std::fmt::Display;
use std::path::{Path, PathBuf};

/// A value that is not allowed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{key}` is {got}; allowed: {allowed}")]
pub struct KeyError {
    /// The key with its tables, as in `motor.rotor-inertia-kg-m2`.
    pub key: String,
    /// What stands there.
    pub got: String,
    /// What may stand there.
    pub allowed: String,
}

impl KeyError {
    /// A value that is not allowed.
    pub fn new(key: impl Into<String>, got: impl ToString, allowed: impl Into<String>) -> KeyError {
        KeyError { key: key.into(), got: escaped(&got.to_string()), allowed: allowed.into() }
    }

    /// The same error seen from the table that holds the key.
    #[must_use]
    pub fn within(mut self, table: &str) -> KeyError {
        self.key = format!("{table}.{}", self.key);
        self
    }
}

/// Checks that `low <= value <= high`; NaN fails.
///
/// # Errors
/// [`KeyError`] naming the key, the value and the range.
pub fn in_range<T: PartialOrd + Display>(
    key: &str,
    value: T,
    low: T,
    high: T,
    unit: &str,
) -> Result<(), KeyError> {
    if value >= low && value <= high {
        return Ok(());
    }
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    Err(KeyError::new(key, format_args!("{value}{unit}"), format!("{low} to {high}{unit}")))
}

/// Checks what a range cannot express: whether `holds` is true of the value `got`.
///
/// # Errors
/// [`KeyError`] with what is `allowed`.
pub fn require(holds: bool, key: &str, got: impl ToString, allowed: &str) -> Result<(), KeyError> {
    if holds { Ok(()) } else { Err(KeyError::new(key, got, allowed)) }
}

/// A part of a configuration that knows its own limits.
pub trait Check {
    /// Checks every value.
    ///
    /// # Errors
    /// The first value that is not allowed, its key relative to this part.
    fn check(&self) -> Result<(), KeyError>;
}

/// Why a configuration file could not be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// The file could not be read.
    #[error("{file}: {reason}\n  hint: check the path; paths inside a file are relative to that file")]
    Unreadable {
        /// File.
        file: PathBuf,
        /// What the system said.
        reason: std::io::Error,
    },
    /// The file is not TOML, or a key is unknown, missing or of the wrong type.
    #[error("{file}{}: {message}", line_label(*.line))]
    Syntax {
        /// File.
        file: PathBuf,
        /// Line, from 1.
        line: Option<usize>,
        /// What is wrong, with the names that are known there.
        message: String,
    },
    /// A value is out of its range.
    #[error("{file}{}: {error}", line_label(*.line))]
    Value {
        /// File.
        file: PathBuf,
        /// Line, from 1.
        line: Option<usize>,
        /// Which value.
        error: KeyError,
    },
}

fn line_label(line: Option<usize>) -> String {
    line.map_or_else(String::new, |l| format!(", line {l}"))
}

impl ConfigError {
    /// A value in `file` that is not allowed; its line is looked up there.
    #[must_use]
    pub fn value(file: &Path, error: KeyError) -> ConfigError {
        // A file that has gone meanwhile has no lines to name.
        let text = std::fs::read_to_string(file).unwrap_or_default();
        ConfigError::Value { file: file.to_owned(), line: Lines::of(&text).of_key(&error.key), error }
    }
}

/// Reads and checks a TOML file.
///
/// # Errors
/// [`ConfigError`] names file, line, key and what is allowed.
pub fn load<T: DeserializeOwned + Check + JsonSchema>(file: &Path) -> Result<T, ConfigError> {
    let text = std::fs::read_to_string(file)
        .map_err(|reason| ConfigError::Unreadable { file: file.to_owned(), reason })?;
    parse(&text, file)
}

/// Reads and checks TOML text; `file` is only named in errors. Keys that are missing are all reported at once.
///
/// # Errors
/// As [`load`].
pub fn parse<T: DeserializeOwned + Check + JsonSchema>(text: &str, file: &Path) -> Result<T, ConfigError> {
    let value: T = toml::from_str(text).map_err(|error| syntax::<T>(text, file, &error))?;
    let list = missing::list_for_table::<T>(text).map_or(Ok(()), |key| {
        let allowed = format!("a table [{key}], its keys by name");
        Err(KeyError::new(key, "a list", allowed))
    });
    list.and_then(|()| value.check()).map_err(|error| ConfigError::Value {
        file: file.to_owned(),
        line: Lines::of(text).of_key(&error.key),
        error,
    })?;
    Ok(value)
}

/// What the parser says, and every key that is missing.
fn syntax<T: JsonSchema>(text: &str, file: &Path, error: &toml::de::Error) -> ConfigError {
    let lines = Lines::of(text);
    let missing = missing::missing::<T>(text, &lines);
    if error.message().starts_with("missing field") && !missing.is_empty() {
        let message = format!("keys are missing{missing}");
        return ConfigError::Syntax { file: file.to_owned(), line: None, message };
    }
    let line = error.span().map(|span| lines.at(span.start));
    let key = error.span().and_then(|span| lines.key_at(&span));
    let mut message = in_plain_words(error.message(), key);
    if !missing.is_empty() {
        message = format!("{message}\n  keys are missing, too{}", missing.replace('\n', "\n  "));
    }
    ConfigError::Syntax { file: file.to_owned(), line, message }
}

/// The parser's message with the key and with types by their range.
fn in_plain_words(message: &str, key: Option<&str>) -> String {
    let mut message = message.to_owned();
    for (name, plain) in [
        ("f64", "a number"),
        ("f32", "a number"),
        ("u8", "a whole number, 0 to 255"),
        ("u16", "a whole number, 0 to 65535"),
        ("u32", "a whole number, 0 to 4294967295"),
        ("u64", "a whole number from 0 up"),
        ("usize", "a whole number from 0 up"),
        ("i16", "a whole number, -32768 to 32767"),
    ] {
        if let Some(start) = message.strip_suffix(&format!("expected {name}")) {
            message = format!("{start}expected {plain}");
        }
    }
    match key {
        Some(key) if !message.contains(&format!("`{key}`")) => format!("`{}`: {message}", escaped(key)),
        _ => message,
    }
}
