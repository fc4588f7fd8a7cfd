//! The part of JSON Schema (2020-12) that our schemas use: types, keys, words, choices and limits.
//!
//! Not a whole validator, which would bring some eighty packages; a keyword that is not known here fails.

use serde_json::Value;

/// What in `value` does not agree with `schema`, each with its place.
pub(super) fn faults(schema: &Value, value: &Value) -> Vec<String> {
    let mut found = Vec::new();
    Validator { root: schema }.check(schema, value, "", &mut found);
    found
}

struct Validator<'a> {
    root: &'a Value,
}

impl Validator<'_> {
    fn check(&self, schema: &Value, value: &Value, at: &str, found: &mut Vec<String>) {
        if schema == true {
            return; // anything
        }
        for (keyword, rule) in schema.as_object().unwrap() {
            let fine = match keyword.as_str() {
                "$schema" | "$defs" | "title" | "description" | "default" | "format" => true,
                "minLength" => {
                    value.as_str().is_none_or(|v| v.chars().count() as u64 >= rule.as_u64().unwrap())
                }
                "maxLength" => {
                    value.as_str().is_none_or(|v| v.chars().count() as u64 <= rule.as_u64().unwrap())
                }
                "$ref" => {
                    let target = self.root.pointer(rule.as_str().unwrap().trim_start_matches('#')).unwrap();
                    self.check(target, value, at, found);
                    true
                }
                "type" => is_of_type(value, rule.as_str().unwrap()),
                "enum" => rule.as_array().unwrap().contains(value),
                "const" => rule == value,
                "minimum" => value.as_f64().is_none_or(|v| v >= rule.as_f64().unwrap()),
                "maximum" => value.as_f64().is_none_or(|v| v <= rule.as_f64().unwrap()),
                "minItems" => value.as_array().is_none_or(|v| v.len() as u64 >= rule.as_u64().unwrap()),
                "maxItems" => value.as_array().is_none_or(|v| v.len() as u64 <= rule.as_u64().unwrap()),
                "oneOf" => {
                    let fits = |choice: &&Value| {
                        let mut inner = Vec::new();
                        self.check(choice, value, at, &mut inner);
                        inner.is_empty()
                    };
                    rule.as_array().unwrap().iter().filter(fits).count() == 1
                }
                "required" => {
                    let missing = |key: &&Value| value.get(key.as_str().unwrap()).is_none();
                    let missing: Vec<_> = rule.as_array().unwrap().iter().filter(missing).collect();
                    found.extend(missing.iter().map(|key| format!("{at}: no {key}")));
                    true
                }
                "properties" => {
                    for (key, property) in rule.as_object().unwrap() {
                        if let Some(entry) = value.get(key) {
                            self.check(property, entry, &format!("{at}/{key}"), found);
                        }
                    }
                    true
                }
                "additionalProperties" => {
                    let known = |key: &String| schema["properties"].get(key).is_some();
                    let others = value.as_object().into_iter().flatten().filter(|(key, _)| !known(key));
                    for (key, entry) in others {
                        if rule == false {
                            found.push(format!("{at}: unknown {key}"));
                        } else {
                            self.check(rule, entry, &format!("{at}/{key}"), found);
                        }
                    }
                    true
                }
                "items" => {
                    for (i, entry) in value.as_array().into_iter().flatten().enumerate() {
                        self.check(rule, entry, &format!("{at}/{i}"), found);
                    }
                    true
                }
                other => panic!("{at}: the keyword {other} is not known here"),
            };
            if !fine {
                found.push(format!("{at}: {value} against {keyword} {rule}"));
            }
        }
    }
}

fn is_of_type(value: &Value, name: &str) -> bool {
    match name {
        "object" => value.is_object(),
        "array" => value.is_array(),
        "string" => value.is_string(),
        "boolean" => value.is_boolean(),
        "number" => value.is_number(),
        "integer" => value.is_i64() || value.is_u64(),
        other => panic!("the type {other} is not known here"),
    }
}
