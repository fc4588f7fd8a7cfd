//! Which keys a file lacks, all of them at once: what the schema of its type requires and the file has not.

use super::lines::Lines;
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde_json::{Map, Value};
use std::fmt::Write as _;
use toml::{Table, Value as Toml};

/// A section and its keys that are not there.
#[derive(Debug, PartialEq)]
struct MissingKeys {
    /// Name with dots and numbers of entries; empty at the top.
    section: String,
    keys: Vec<String>,
}

/// The missing keys of a file that should hold a `T`, one section a line; empty when none is missing.
/// `lines` are those of the text.
pub(super) fn missing<T: JsonSchema>(text: &str, lines: &Lines<'_>) -> String {
    let Ok(table) = toml::from_str::<Table>(text) else { return String::new() };
    let schema = SchemaGenerator::default().into_root_schema_for::<T>();
    let mut search = Search { root: &schema, found: Vec::new(), list: None };
    search.look(schema.as_value(), &Toml::Table(table), "");
    let mut out = String::new();
    for MissingKeys { section, keys } in &search.found {
        let keys = keys.iter().map(|key| format!("`{key}`")).collect::<Vec<_>>().join(", ");
        let line = lines.of_key(section).map_or_else(String::new, |line| format!(" (line {line})"));
        let _ = match section.as_str() {
            "" => write!(out, "\n  at the top of the file: {keys}"),
            section => write!(out, "\n  [{section}]{line}: {keys}"),
        };
    }
    out
}

/// The first list in a file where a `T` has a table; its keys would be taken in the order of the type.
pub(super) fn list_for_table<T: JsonSchema>(text: &str) -> Option<String> {
    let table = toml::from_str::<Table>(text).ok()?;
    let schema = SchemaGenerator::default().into_root_schema_for::<T>();
    let mut search = Search { root: &schema, found: Vec::new(), list: None };
    search.look(schema.as_value(), &Toml::Table(table), "");
    search.list
}

struct Search<'a> {
    root: &'a Schema,
    found: Vec<MissingKeys>,
    /// The first list where a table belongs.
    list: Option<String>,
}

impl Search<'_> {
    /// Looks for what `schema` requires of `value` and of what lies below it.
    fn look(&mut self, schema: &Value, value: &Toml, section: &str) {
        let node = self.target(schema).clone();
        match value {
            Toml::Table(table) => self.look_into(&node, table, section),
            Toml::Array(_) if node.get("type").is_some_and(|kind| kind == "object") => {
                self.list.get_or_insert_with(|| section.to_owned());
            }
            Toml::Array(entries) => {
                let tables = entries.iter().enumerate().filter(|(_, entry)| entry.is_table());
                for (i, entry) in tables {
                    let of = node.get("items").cloned().unwrap_or_default();
                    self.look(&of, entry, &format!("{section}[{i}]"));
                }
            }
            _ => {}
        }
    }

    fn look_into(&mut self, node: &Value, table: &Table, section: &str) {
        let below = |key: &str| if section.is_empty() { key.to_owned() } else { format!("{section}.{key}") };
        for choice in list(node, "oneOf") {
            for (word, content) in properties(choice) {
                if let Some(value) = table.get(word) {
                    self.look(content, value, &below(word));
                }
            }
        }
        let place = self.found.len();
        let mut keys = Vec::new();
        for key in list(node, "required").filter_map(Value::as_str).filter(|key| !table.contains_key(*key)) {
            let property = self.target(&node["properties"][key]).clone();
            if list(&property, "required").next().is_some() {
                self.look_into(&property, &Table::new(), &below(key));
            } else {
                keys.push(key.to_owned());
            }
        }
        if !keys.is_empty() {
            self.found.insert(place, MissingKeys { section: section.to_owned(), keys });
        }
        for (key, value) in table {
            let property = node.get("properties").and_then(|known| known.get(key));
            if let Some(property) = property.or_else(|| node.get("additionalProperties")) {
                self.look(property, value, &below(key));
            }
        }
    }

    /// The schema that a reference stands for, or the one that an optional key may hold.
    fn target<'s>(&'s self, schema: &'s Value) -> &'s Value {
        if let Some(pointer) = schema.get("$ref").and_then(Value::as_str) {
            let name = pointer.trim_start_matches('#');
            return self.root.pointer(name).map_or(schema, |found| self.target(found));
        }
        let optional = list(schema, "anyOf").find(|choice| choice.get("type") != Some(&"null".into()));
        optional.map_or(schema, |choice| self.target(choice))
    }
}

fn list<'a>(node: &'a Value, key: &str) -> impl Iterator<Item = &'a Value> {
    node.get(key).and_then(Value::as_array).into_iter().flatten()
}

fn properties(node: &Value) -> impl Iterator<Item = (&String, &Value)> {
    node.get("properties").and_then(Value::as_object).into_iter().flat_map(Map::iter)
}
