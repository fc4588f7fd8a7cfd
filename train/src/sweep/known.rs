//! Whether a key can stand in a file at all, by the schema of that kind of file: one that is left out stands in no
//! table, so a table alone does not tell it from a misspelt one.

use crate::schema::FileKind;
use serde_json::{Map, Value};
use std::sync::LazyLock;

static SCHEMAS: LazyLock<[(FileKind, Value); 3]> = LazyLock::new(|| {
    [FileKind::Vehicle, FileKind::Course, FileKind::Study].map(|kind| (kind, kind.schema()))
});

/// Whether a file of this kind may have the key, whose parts are joined by dots.
///
/// # Errors
/// The keys that may stand where the first wrong part does.
pub(super) fn is_key_of(kind: FileKind, key: &str) -> Result<(), String> {
    let Some((_, root)) = SCHEMAS.iter().find(|(of, _)| *of == kind) else { return Ok(()) };
    let mut nodes = vec![root];
    for part in key.split('.') {
        let (name, numbered) = part.split_once('[').map_or((part, false), |(name, _)| (name, true));
        let objects: Vec<&Map<String, Value>> = nodes
            .iter()
            .flat_map(|node| unfolded(root, node))
            .filter_map(|node| node.get("properties")?.as_object())
            .collect();
        // A table with keys of its own.
        if objects.is_empty() {
            return Ok(());
        }
        let found: Vec<&Value> = objects.iter().filter_map(|object| object.get(name)).collect();
        if found.is_empty() {
            let mut names: Vec<&str> =
                objects.iter().flat_map(|object| object.keys()).map(String::as_str).collect();
            names.sort_unstable();
            names.dedup();
            return Err(format!("one of {}", names.join(", ")));
        }
        nodes = if numbered {
            found
                .into_iter()
                .flat_map(|node| unfolded(root, node))
                .filter_map(|node| node.get("items"))
                .collect()
        } else {
            found
        };
    }
    Ok(())
}

/// A schema and all that it may stand for: what it refers to, and its choices.
fn unfolded<'a>(root: &'a Value, node: &'a Value) -> Vec<&'a Value> {
    let mut all = vec![node];
    let mut at = 0;
    while let Some(node) = all.get(at).copied() {
        let referred =
            node.get("$ref").and_then(Value::as_str).and_then(|name| root.pointer(name.strip_prefix('#')?));
        let choices =
            ["anyOf", "oneOf", "allOf"].into_iter().filter_map(|key| node.get(key)?.as_array()).flatten();
        let new: Vec<&Value> = referred.into_iter().chain(choices).collect();
        all.extend(
            new.into_iter().filter(|new| !all.iter().any(|old| std::ptr::eq(*old, *new))).collect::<Vec<_>>(),
        );
        at += 1;
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_known_whether_they_stand_in_the_file_or_not_and_misspelt_ones_are_refused() {
        for key in ["sensors.battery", "sensors.current", "variation", "chassis.mass-kg"] {
            assert_eq!(is_key_of(FileKind::Vehicle, key), Ok(()), "{key}");
        }
        for key in ["hyper-search", "table.edge-refinement", "learners.dqn", "rule.stall-ticks", "robustness"]
        {
            assert_eq!(is_key_of(FileKind::Study, key), Ok(()), "{key}");
        }
        for key in ["profile", "surfaces[0].rolling", "random.obstacles"] {
            assert_eq!(is_key_of(FileKind::Course, key), Ok(()), "{key}");
        }
        let refused = is_key_of(FileKind::Vehicle, "sensors.batery").unwrap_err();
        assert!(refused.contains("battery") && refused.contains("tilt"), "{refused}");
        assert!(is_key_of(FileKind::Vehicle, "senors.battery").is_err());
        assert!(is_key_of(FileKind::Study, "learners.dqn.sett").is_err());
        assert!(is_key_of(FileKind::Course, "surfaces[0].roling").is_err());
    }
}
