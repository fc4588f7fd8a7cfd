//! The start of every exported name, which is also the name of the files.

/// Words that one of the languages keeps for itself, and names that the files use.
const TAKEN: [&str; 62] = [
    "abstract",
    "and",
    "as",
    "assert",
    "async",
    "auto",
    "await",
    "become",
    "box",
    "break",
    "case",
    "char",
    "class",
    "const",
    "continue",
    "core",
    "crate",
    "def",
    "default",
    "del",
    "do",
    "double",
    "elif",
    "else",
    "enum",
    "except",
    "extern",
    "final",
    "finally",
    "float",
    "fn",
    "for",
    "from",
    "global",
    "goto",
    "if",
    "impl",
    "import",
    "in",
    "int",
    "is",
    "lambda",
    "let",
    "long",
    "loop",
    "match",
    "micropython",
    "mod",
    "move",
    "mut",
    "not",
    "or",
    "pass",
    "pub",
    "raise",
    "ref",
    "return",
    "self",
    "short",
    "while",
    "with",
    "yield",
];

/// A prefix that the languages could not use.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` cannot start the exported names: use a lower-case letter, then at most 23 letters, digits or single \
     underscores, and no word that a language keeps for itself"
)]
pub struct PrefixError(pub String);

/// Refuses a prefix that is no name in C, Rust and Python alike.
///
/// # Errors
/// [`PrefixError`].
pub fn check_export_prefix(prefix: &str) -> Result<(), PrefixError> {
    let letters = prefix.bytes().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == b'_');
    let starts_well = prefix.bytes().next().is_some_and(|c| c.is_ascii_lowercase());
    let lasts_well = !prefix.contains("__") && !prefix.ends_with('_') && prefix.len() <= 24;
    if letters && starts_well && lasts_well && !TAKEN.contains(&prefix) {
        Ok(())
    } else {
        Err(PrefixError(prefix.to_owned()))
    }
}
