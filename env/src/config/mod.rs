//! Reading configuration: what is wrong, in which file, at which line and key, and how to mend it.

mod distribution;
mod missing;
mod words;

pub use distribution::ParameterDistribution;
pub use words::{check_name, check_path, escaped, escaped_lines, shown};

use schemars::JsonSchema;
use serde::de::DeserializeOwned;
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
pub fn in_range(key: &str, value: f64, low: f64, high: f64, unit: &str) -> Result<(), KeyError> {
    if value >= low && value <= high {
        return Ok(());
    }
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    Err(KeyError::new(key, format_args!("{value}{unit}"), format!("{low} to {high}{unit}")))
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
        ConfigError::Value { file: file.to_owned(), line: line_of(&text, &error.key), error }
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
        line: line_of(text, &error.key),
        error,
    })?;
    Ok(value)
}

/// What the parser says, and every key that is missing.
fn syntax<T: JsonSchema>(text: &str, file: &Path, error: &toml::de::Error) -> ConfigError {
    let missing = missing::missing::<T>(text, |key| line_of(text, key));
    if error.message().starts_with("missing field") && !missing.is_empty() {
        let message = format!("keys are missing{missing}");
        return ConfigError::Syntax { file: file.to_owned(), line: None, message };
    }
    let line = error.span().map(|span| 1 + text[..span.start.min(text.len())].matches('\n').count());
    let typed = line.and_then(|number| text.lines().nth(number - 1)).unwrap_or("");
    let mut message = in_plain_words(error.message(), typed);
    if !missing.is_empty() {
        message = format!("{message}\n  keys are missing, too{}", missing.replace('\n', "\n  "));
    }
    ConfigError::Syntax { file: file.to_owned(), line, message }
}

/// The parser's message with the key of the line and with types by their range.
fn in_plain_words(message: &str, line: &str) -> String {
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
    match line.split_once('=').map(|(key, _)| key.trim()) {
        Some(key) if !key.is_empty() && !message.contains(&format!("`{key}`")) => {
            format!("`{key}`: {message}")
        }
        _ => message,
    }
}

/// The line where `key` stands: the last part of the key below the header of its table; the header's own
/// line when the key is left to its default.
fn line_of(text: &str, key: &str) -> Option<usize> {
    let plain = |part: &str| part.split('[').next().unwrap_or(part).to_owned();
    let index =
        |part: &str| part.split_once('[').and_then(|(_, i)| i.trim_end_matches(']').parse::<usize>().ok());
    let parts: Vec<&str> = key.split('.').collect();
    let mut table = String::new();
    let mut seen = std::collections::BTreeMap::<String, usize>::new();
    let mut best = None;
    for (number, line) in text.lines().enumerate() {
        let line = line.trim();
        if let Some(header) = line.strip_prefix('[') {
            table = header.trim_start_matches('[').split(']').next().unwrap_or("").trim().to_owned();
            if line.starts_with("[[") {
                // Lists inside an entry restart with the next one.
                let below = format!("{table}.");
                seen.retain(|name, _| !name.starts_with(&below));
                *seen.entry(table.clone()).or_default() += 1;
            }
        }
        let depth = if table.is_empty() { 0 } else { table.split('.').count() };
        let inside = depth < parts.len()
            && table.split('.').filter(|t| !t.is_empty()).zip(&parts).all(|(t, p)| t == plain(p));
        let right_entry = (0..depth).all(|d| {
            let above = table.split('.').take(d + 1).collect::<Vec<_>>().join(".");
            parts.get(d).and_then(|part| index(part)).is_none_or(|n| seen.get(&above) == Some(&(n + 1)))
        });
        if !inside || !right_entry {
            continue;
        }
        if line.starts_with('[') {
            best = best.max(Some((depth, number + 1)));
        }
        let name = line.split('=').next().unwrap_or("").trim();
        if line.contains('=') && name.split('.').next() == Some(plain(parts[depth]).as_str()) {
            return Some(number + 1);
        }
    }
    best.map(|(_, line)| line)
}

#[cfg(test)]
mod tests {
    use super::line_of;

    #[test]
    fn the_line_of_a_key_is_found_below_its_header() {
        let text = "name = 'x'\n[motor]\n# comment\nrotor = 1\n[motor.line]\nkt = 2\n[[axles]]\nat = 0\n[[axles]]\nat = 1\n";
        assert_eq!(line_of(text, "name"), Some(1));
        assert_eq!(line_of(text, "motor.rotor"), Some(4));
        assert_eq!(line_of(text, "motor.line.kt"), Some(6));
        assert_eq!(line_of(text, "axles[1].at"), Some(10));
        assert_eq!(line_of(text, "motor.absent"), Some(2));
        // A key that stands above a table nested deeper than itself.
        assert_eq!(line_of("[a.b.c]\nx = 1\n[d]\ny = 2\n", "d.y"), Some(4));
        // Lists in entries of a list.
        let nested = "[[a]]\n[[a.b]]\nx = 1\n[[a]]\n[[a.b]]\nx = 2\n[[a.b]]\nx = 3\n";
        assert_eq!(line_of(nested, "a[1].b[1].x"), Some(8));
        assert_eq!(line_of(nested, "a[1].b[0].x"), Some(6));
    }
}
