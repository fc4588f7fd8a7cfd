//! Source texts with parts that stand only when a table needs them.
//!
//! A line `@if a b` keeps what follows, to `@else` or `@end`, when one of the names is set. A line that is
//! only `@NAME@` gives way to a block of lines; elsewhere `@NAME@` gives way to a word.

use std::collections::{BTreeMap, BTreeSet};

/// Free text made safe for a comment in any of the languages.
pub(super) fn plain(text: &str) -> String {
    let kept = text
        .chars()
        .map(|c| if c.is_ascii_graphic() && !matches!(c, '*' | '\\' | '?' | '@' | '"') { c } else { ' ' });
    kept.take(100).collect::<String>().trim().to_owned()
}

/// What a template is filled with.
#[derive(Clone, Debug, Default)]
pub(super) struct Filling {
    /// Names that `@if` finds set.
    pub(super) set: BTreeSet<&'static str>,
    /// Words and blocks by name.
    pub(super) text: BTreeMap<&'static str, String>,
}

impl Filling {
    /// Fills `template`. Names in it start with `prefix` instead of the house's own.
    pub(super) fn render(&self, template: &str, prefix: &str) -> String {
        let mut out = String::new();
        let mut kept: Vec<bool> = Vec::new();
        for line in template.lines() {
            let word = line.trim();
            if let Some(names) = word.strip_prefix("@if ") {
                kept.push(names.split(' ').any(|name| self.set.contains(name)));
            } else if word == "@else" {
                if let Some(last) = kept.last_mut() {
                    *last = !*last;
                }
            } else if word == "@end" {
                kept.pop();
            } else if kept.iter().all(|&keep| keep) {
                self.line(line, prefix, &mut out);
            }
        }
        out
    }

    fn line(&self, line: &str, prefix: &str, out: &mut String) {
        let block = line.strip_prefix('@').and_then(|rest| rest.strip_suffix('@'));
        if let Some(text) = block.and_then(|name| self.text.get(name)) {
            text.lines().for_each(|line| push(out, line));
            return;
        }
        let mut line = with_prefix(line, prefix);
        for (name, text) in &self.text {
            if line.contains('@') {
                line = line.replace(&format!("@{name}@"), text);
            }
        }
        push(out, &line);
    }
}

fn push(out: &mut String, line: &str) {
    out.push_str(line.trim_end());
    out.push('\n');
}

/// `text` with the house prefix replaced by `prefix`.
pub(super) fn with_prefix(text: &str, prefix: &str) -> String {
    text.replace("LOWGEAR", &prefix.to_ascii_uppercase()).replace("lowgear", prefix)
}
