//! A configuration with every default filled in and every key below what it means, as TOML that reads back
//! to the same values. The words come from the schema, and so from the doc comments of the types.

use crate::error::StudyError;
use crate::schema::FileKind;
use serde::Serialize;
use serde_json::Value as Schema;
use std::fmt::Write as _;
use toml::{Table, Value};

/// Most characters of a line of comment.
const COMMENT_WIDTH: usize = 100;
/// A choice that takes more characters than this on one line becomes a table of its own.
const INLINE_WIDTH: usize = 90;

/// The whole file for `config`, which is of this `kind`.
///
/// # Errors
/// [`StudyError::Toml`] for a value that TOML cannot hold, as a seed above 9223372036854775807.
pub fn resolved(kind: FileKind, config: &impl Serialize) -> Result<String, StudyError> {
    let text = toml::to_string(config)?;
    let table: Table = toml::from_str(&text)?;
    let schema = kind.schema();
    let mut page = Page { schema: &schema, out: String::new() };
    page.comment(&format!("A {} with every default filled in.", kind.name()));
    page.keys("", &table, &schema);
    Ok(page.out)
}

/// The text in the making.
struct Page<'a> {
    schema: &'a Schema,
    out: String,
}

impl<'a> Page<'a> {
    /// The keys of a table: those with a value on their line, those left out, then those that are tables.
    fn keys(&mut self, path: &str, table: &Table, schema: &'a Schema) {
        let node = self.target(schema);
        let properties = &node["properties"];
        // A table by name has one schema for all of its entries.
        let of = |key: &str| properties.get(key).unwrap_or(&node["additionalProperties"]);
        let (sections, plain): (Vec<_>, Vec<_>) =
            table.iter().partition(|(key, value)| self.is_section(value, of(key)));
        for (key, value) in plain {
            let property = of(key);
            self.out.push('\n');
            self.comment(&self.meaning(property));
            let _ = writeln!(self.out, "{key} = {}", written(value));
        }
        for (key, property) in properties.as_object().into_iter().flatten() {
            if !table.contains_key(key) {
                self.out.push('\n');
                self.comment(&self.meaning(property));
                let _ = writeln!(self.out, "# {key} is not set");
            }
        }
        for (key, value) in sections {
            let path = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
            self.section(&path, value, of(key));
        }
    }

    /// A table, a list of tables, or a choice that is too long for one line.
    fn section(&mut self, path: &str, value: &Value, property: &'a Schema) {
        let node = self.target(property);
        match value {
            Value::Array(entries) => {
                for entry in entries.iter().filter_map(Value::as_table) {
                    self.header(&format!("[[{path}]]"), property);
                    self.keys(path, entry, &node["items"]);
                }
            }
            Value::Table(table) if node.get("oneOf").is_some() => {
                for (word, content) in table {
                    let chosen = choices(node).find_map(|choice| choice["properties"].get(word));
                    if let (Some(content), Some(chosen)) = (content.as_table(), chosen) {
                        self.header(&format!("[{path}.{word}]"), property);
                        self.keys(&format!("{path}.{word}"), content, chosen);
                    }
                }
            }
            Value::Table(table) => {
                self.header(&format!("[{path}]"), property);
                self.keys(path, table, node);
            }
            _ => {}
        }
    }

    fn header(&mut self, header: &str, property: &Schema) {
        self.out.push('\n');
        self.comment(&self.meaning(property));
        let _ = writeln!(self.out, "{header}");
    }

    fn is_section(&self, value: &Value, property: &Schema) -> bool {
        let target = self.target(property);
        match value {
            Value::Array(entries) => {
                entries.first().is_some_and(Value::is_table)
                    && target.get("items").is_some_and(|items| *items != true)
            }
            // A value of any kind has no keys to explain.
            Value::Table(_)
                if ["properties", "oneOf"].iter().all(|key| target.get(key).is_none())
                    && !target["additionalProperties"].is_object() =>
            {
                false
            }
            // A section consists of keys, so a choice of an array, as `[low, high]`, stays inline however long it is.
            Value::Table(table) => {
                target.get("oneOf").is_none()
                    || (table.values().all(Value::is_table) && value.to_string().len() > INLINE_WIDTH)
            }
            _ => false,
        }
    }

    /// What a key means, what may stand there if that is a choice of words, and its default.
    fn meaning(&self, property: &Schema) -> String {
        let target = self.target(property);
        let entry = || self.target(&target["items"]).get("description");
        let said = property.get("description").or_else(|| target.get("description")).or_else(entry);
        let mut meaning = said.and_then(Schema::as_str).unwrap_or_default().to_owned();
        let words: Vec<String> = choices(target).filter_map(choice_in_words).collect();
        if !words.is_empty() {
            let _ = write!(meaning, " One of: {}.", words.join(", "));
        }
        let default = property.get("default").filter(|value| !value.is_object() || !words.is_empty());
        if let Some(default) = default.and_then(|value| Value::try_from(value).ok()) {
            let _ = write!(meaning, " Default: {}.", written(&default));
        }
        meaning
    }

    /// The schema that a reference stands for.
    fn target(&self, schema: &'a Schema) -> &'a Schema {
        match schema.get("$ref").and_then(Schema::as_str).and_then(|name| name.strip_prefix('#')) {
            Some(pointer) => self.schema.pointer(pointer).unwrap_or(schema),
            None => schema,
        }
    }

    /// A comment, broken into lines.
    fn comment(&mut self, text: &str) {
        let mut line = String::from("#");
        for word in text.split_whitespace() {
            if line.len() + word.len() >= COMMENT_WIDTH && line.len() > 1 {
                let _ = writeln!(self.out, "{line}");
                line.truncate(1);
            }
            let _ = write!(line, " {word}");
        }
        let _ = writeln!(self.out, "{line}");
    }
}

/// What a schema lets one choose from.
fn choices(schema: &Schema) -> impl Iterator<Item = &Schema> {
    let listed = ["oneOf", "enum"].into_iter().filter_map(|key| schema.get(key)?.as_array());
    listed.flatten()
}

/// A choice by its word, with the keys that come with it.
fn choice_in_words(choice: &Schema) -> Option<String> {
    if let Some(word) = choice.get("const").or(Some(choice)).and_then(Schema::as_str) {
        return Some(format!("\"{word}\""));
    }
    if let Some(words) = choice.get("enum").and_then(Schema::as_array) {
        return Some(words.iter().map(Schema::to_string).collect::<Vec<_>>().join(", "));
    }
    let (word, content) = choice.get("properties")?.as_object()?.iter().next()?;
    // In the order of the type; all keys of a choice are needed.
    let keys = content.get("required").and_then(Schema::as_array).into_iter().flatten();
    let keys: Vec<&str> = keys.filter_map(Schema::as_str).collect();
    Some(if keys.is_empty() { word.clone() } else { format!("{word} ({})", keys.join(", ")) })
}

/// A value as it stands in a file; a very small number with its power of ten.
fn written(value: &Value) -> String {
    match value {
        Value::Float(number) if *number != 0.0 && number.abs() < 1e-3 => format!("{number:e}"),
        other => other.to_string(),
    }
}
