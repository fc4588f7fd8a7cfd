//! Where the keys of a TOML text stand, by the positions that the parser keeps.

use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A text with the position of every key; of a text with mistakes, the keys that could be read.
pub(super) struct Lines<'a> {
    text: &'a str,
    root: DeTable<'a>,
}

impl<'a> Lines<'a> {
    pub(super) fn of(text: &'a str) -> Lines<'a> {
        let (root, _) = DeTable::parse_recoverable(text);
        Lines { text, root: root.into_inner() }
    }

    /// The line of `key` as in `axles[1].at`, from 1; of the innermost table or list above it where the key is left to
    /// its default. None where nothing of the path is in the text.
    pub(super) fn of_key(&self, key: &str) -> Option<usize> {
        let mut table = Some(&self.root);
        let mut place = None;
        for part in key.split('.') {
            let (name, entries) = part.split_once('[').unwrap_or((part, ""));
            let Some((found, mut value)) = table.and_then(|t| t.get_key_value(name)) else { break };
            place = Some(found.span().start);
            for entry in entries.split(['[', ']']).filter_map(|number| number.parse::<usize>().ok()) {
                let Some(inner) = value.get_ref().get(entry) else {
                    return place.map(|start| self.at(start));
                };
                // An entry has no key; the parser places one with a header there.
                place = Some(inner.span().start);
                value = inner;
            }
            table = value.get_ref().as_table();
        }
        place.map(|start| self.at(start))
    }

    /// The line of a byte, from 1.
    pub(super) fn at(&self, byte: usize) -> usize {
        1 + self.text.bytes().take(byte).filter(|&b| b == b'\n').count()
    }

    /// The innermost key whose value a position lies in, without the tables above it.
    pub(super) fn key_at(&self, position: &Range<usize>) -> Option<&str> {
        self.key_in(&self.root, position.start)
    }

    fn key_in<'t>(&self, table: &'t DeTable<'_>, byte: usize) -> Option<&'t str> {
        table.iter().find_map(|(key, value)| {
            // A table with a header is placed there and does not enclose its keys.
            let inner = tables(value).find_map(|inner| self.key_in(inner, byte));
            let (start, mut end) = (key.span().start, value.span().end);
            if end < start {
                // A value that could not be read has no place; it takes the rest of the line.
                end = start + self.text[start..].find('\n').unwrap_or(self.text.len() - start);
            }
            inner.or_else(|| (start <= byte && byte <= end).then_some(key.get_ref().as_ref()))
        })
    }
}

/// The table that a value is, or those in the list that it is.
fn tables<'v, 't>(value: &'v Spanned<DeValue<'t>>) -> impl Iterator<Item = &'v DeTable<'t>> {
    let entries = value.get_ref().as_array().into_iter().flat_map(|list| list.iter());
    entries.chain([value]).filter_map(|entry| entry.get_ref().as_table())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn found(text: &str, lines: &[(&str, Option<usize>)]) {
        let place = Lines::of(text);
        for (key, line) in lines {
            assert_eq!(place.of_key(key), *line, "{key}");
        }
    }

    #[test]
    fn a_key_is_found_below_its_header_and_in_its_entry() {
        let text = "name = 'x'\n[motor]\n# comment\nrotor = 1\n[motor.line]\nkt = 2\n[[axles]]\nat = 0\n[[axles]]\nat = 1\n";
        found(
            text,
            &[
                ("name", Some(1)),
                ("motor.rotor", Some(4)),
                ("motor.line", Some(5)),
                ("motor.line.kt", Some(6)),
                ("axles[0].at", Some(8)),
                ("axles[1].at", Some(10)),
            ],
        );
        let nested = "[[a]]\n[[a.b]]\nx = 1\n[[a]]\n[[a.b]]\nx = 2\n[[a.b]]\nx = 3\n";
        found(nested, &[("a[1].b[1].x", Some(8)), ("a[1].b[0].x", Some(6)), ("a[0].b[0]", Some(2))]);
    }

    #[test]
    fn a_key_left_to_its_default_is_placed_at_the_table_above_it() {
        let text = "top = 1\n[motor]\nrotor = 1\n[[axles]]\nat = 0\n[[axles]]\n[a.b.c]\nx = 1\n";
        found(
            text,
            &[
                ("motor.absent", Some(2)),
                ("motor.line.absent", Some(2)),
                ("axles[1].absent", Some(6)),
                ("axles[7].absent", Some(4)),
                ("a.absent", Some(7)),
                ("absent", None),
                ("", None),
            ],
        );
    }

    #[test]
    fn keys_are_found_however_they_are_written() {
        let text = "[motor]\n\"rotor\" = 1\nline.kt = 2\nline.ke = 3\nheat = { limit = 4 }\nlist = [\n  5,\n  6,\n]\n\
                    text = '''\n[axles]\nat = 1\n'''\n[ 'axles' ] # [motor]\nat = 7\n";
        found(
            text,
            &[
                ("motor.rotor", Some(2)),
                ("motor.line.ke", Some(4)),
                ("motor.heat.limit", Some(5)),
                ("motor.list", Some(6)),
                ("motor.list[1]", Some(8)),
                ("axles.at", Some(15)),
            ],
        );
    }

    #[test]
    fn the_key_of_a_position_is_the_innermost_one() {
        let text = "[motor]\nheat = { limit = 'x' }\nlist = [\n  5,\n  'y',\n]\n[[axles]]\nat = 'z'\n";
        let place = Lines::of(text);
        for (value, key) in [("'x'", "limit"), ("'y'", "list"), ("'z'", "at")] {
            let start = text.find(value).unwrap();
            assert_eq!(place.key_at(&(start..start + 3)), Some(key), "{value}");
        }
        assert_eq!(place.key_at(&(0..1)), None);
        let broken = Lines::of("[motor]\nmass == 5\nrotor = 1\n");
        assert_eq!(broken.key_at(&(14..15)), Some("mass"));
        assert_eq!(broken.of_key("motor.mass"), Some(2));
        assert_eq!(Lines::of("").key_at(&(0..0)), None);
    }
}
