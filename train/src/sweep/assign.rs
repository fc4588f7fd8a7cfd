//! Values by key path: where a key stands in a table, and which assignment is to blame for a value that is
//! not allowed.

use crate::config::{SetKey, in_words};
use lowgear_env::config::KeyError;
use toml::{Table, Value};

/// A key with its value, or one to leave out, and where the sweep file says so.
#[derive(Clone, Debug)]
pub(super) struct Assignment {
    /// Key with dots, and with `vehicle.` or `course.` for those files.
    pub(super) key: String,
    /// None: left out.
    pub(super) value: Option<Value>,
    /// Key of the sweep file.
    pub(super) origin: String,
}

impl Assignment {
    pub(super) fn set(set: &SetKey, origin: String) -> Assignment {
        Assignment { key: set.key.clone(), value: Some(set.value.clone()), origin }
    }

    pub(super) fn leave_out(key: &str, origin: String) -> Assignment {
        Assignment { key: key.to_owned(), value: None, origin }
    }

    fn in_words(&self) -> String {
        match &self.value {
            Some(value) => format!("{} for \"{}\"", in_words(value), self.key),
            None => format!("\"{}\" left out", self.key),
        }
    }
}

/// Sets a key; the tables above it are made where they are left to their defaults.
///
/// # Errors
/// What may stand there.
pub(super) fn assign(table: &mut Table, key: &str, value: Value) -> Result<(), String> {
    let (first, rest) = key.split_once('.').map_or((key, None), |(first, rest)| (first, Some(rest)));
    let (name, index) = numbered(first);
    let Some(index) = index else {
        return match rest {
            None => {
                table.insert(name.to_owned(), value);
                Ok(())
            }
            Some(rest) => {
                let known = known(table);
                match table.get_mut(name).map(Value::as_table_mut) {
                    Some(Some(inner)) => assign(inner, rest, value),
                    Some(None) => Err(format!("no key below \"{name}\", which is a value")),
                    None => Err(known),
                }
            }
        };
    };
    let known = known(table);
    let entries = table.get_mut(name).and_then(Value::as_array_mut).ok_or(known)?;
    let count = entries.len();
    let entry =
        entries.get_mut(index).ok_or_else(|| format!("{name}[0] to {name}[{}]", count.saturating_sub(1)))?;
    match (rest, entry) {
        (None, entry) => *entry = value,
        (Some(rest), Value::Table(inner)) => assign(inner, rest, value)?,
        (Some(_), _) => return Err(format!("no key below \"{first}\", which is a value")),
    }
    Ok(())
}

/// Takes a key out.
///
/// # Errors
/// What stands there.
pub(super) fn remove(table: &mut Table, key: &str) -> Result<(), String> {
    let known = known(table);
    match key.split_once('.') {
        Some((first, rest)) => {
            let inner = table.get_mut(first).and_then(Value::as_table_mut).ok_or(known)?;
            remove(inner, rest)
        }
        // Left out already is left out.
        None => {
            table.remove(key);
            Ok(())
        }
    }
}

fn known(table: &Table) -> String {
    format!("one of {}", table.keys().map(String::as_str).collect::<Vec<_>>().join(", "))
}

/// "surfaces[2]" as name and number.
fn numbered(part: &str) -> (&str, Option<usize>) {
    let split = part.strip_suffix(']').and_then(|part| part.split_once('['));
    match split.and_then(|(name, index)| Some((name, index.parse().ok()?))) {
        Some((name, index)) => (name, Some(index)),
        None => (part, None),
    }
}

/// The error as one of the sweep file: at the assignment whose key is at fault, or at the axes when several
/// together are. `prefix` is that of the error's keys.
pub(super) fn locate_error(all: &[&Assignment], prefix: &str, error: KeyError, words: &str) -> KeyError {
    let fault = format!("{prefix}{}", error.key);
    let mine = |a: &&&Assignment| {
        let in_file = ["vehicle.", "course."].iter().find(|p| a.key.starts_with(**p)).copied().unwrap_or("");
        in_file == prefix
    };
    let related = |a: &&&Assignment| {
        let (key, fault) = (a.key.as_str(), fault.as_str());
        !error.key.is_empty() && (under(key, fault) || under(fault, key))
    };
    let named = |a: &&&Assignment| {
        let last = a.key.rsplit('.').next().unwrap_or_default();
        error.allowed.contains(&format!("`{last}`"))
    };
    let candidates = || all.iter().rev().filter(mine);
    let found = candidates().find(related).or_else(|| candidates().find(named));
    let only = || {
        let mut candidates = candidates();
        candidates.next().filter(|_| error.key.is_empty() && candidates.next().is_none())
    };
    let place = if error.key.is_empty() { String::new() } else { format!("`{fault}` is {}; ", error.got) };
    match found.or_else(only) {
        Some(a) if a.key == fault => KeyError::new(&a.origin, a.in_words(), error.allowed),
        Some(a) => KeyError::new(&a.origin, a.in_words(), format!("{place}{}", error.allowed)),
        None => KeyError::new("axes", words, format!("{place}{}", error.allowed)),
    }
}

/// Whether `key` is `above` or lies below it.
fn under(key: &str, above: &str) -> bool {
    key.strip_prefix(above).is_some_and(|rest| rest.is_empty() || rest.starts_with(['.', '[']))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> Table {
        toml::from_str("a = 1\n[b]\nc = [1, 2]\n[[d]]\ne = 1\n[[d]]\ne = 2\n").unwrap()
    }

    #[test]
    fn keys_with_dots_and_numbers_are_found() {
        let mut t = table();
        assign(&mut t, "b.c[1]", Value::from(7)).unwrap();
        assign(&mut t, "d[0].e", Value::from("x")).unwrap();
        assign(&mut t, "new", Value::from(true)).unwrap();
        remove(&mut t, "a").unwrap();
        let expected = "new = true\n[b]\nc = [1, 7]\n[[d]]\ne = \"x\"\n[[d]]\ne = 2\n";
        assert_eq!(t, toml::from_str::<Table>(expected).unwrap());
    }

    #[test]
    fn a_key_that_leads_nowhere_says_what_is_there() {
        let refused = |key: &str| assign(&mut table(), key, Value::from(1)).unwrap_err();
        assert_eq!(refused("x.y"), "one of a, b, d");
        assert!(refused("a.y").contains("which is a value"));
        assert_eq!(refused("d[2].e"), "d[0] to d[1]");
        assert_eq!(remove(&mut table(), "x.y").unwrap_err(), "one of a, b, d");
    }

    #[test]
    fn the_assignment_at_fault_is_blamed() {
        let one = Assignment {
            key: "vehicle.mass".into(),
            value: Some(Value::from(1)),
            origin: "axes[0].values".into(),
        };
        let two =
            Assignment { key: "rule.up".into(), value: Some(Value::from(2)), origin: "set[0].value".into() };
        let all = [&one, &two];
        let blamed = |prefix: &str, key: &str| {
            locate_error(&all, prefix, KeyError::new(key, "1", "more"), "job 1").key
        };
        assert_eq!(blamed("vehicle.", "mass"), "axes[0].values");
        assert_eq!(blamed("", "rule.up[0]"), "set[0].value");
        assert_eq!(blamed("", "mass"), "axes");
    }
}
