//! The start of every exported name, which is also the name of the files.

use super::reserved::{C, C_NAMES, FILES, PYTHON, PYTHON_NAMES, RUST, RUST_NAMES};

/// Whether a language keeps a word for itself, or a file uses it.
fn is_taken(word: &str) -> bool {
    let lists: [&[&str]; 7] = [&C, &C_NAMES, &RUST, &RUST_NAMES, &PYTHON, &PYTHON_NAMES, &FILES];
    lists.iter().any(|list| list.contains(&word))
}

/// A prefix that the languages could not use.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` cannot start the exported names: use a lower-case letter, then at most 23 letters, digits or single \
     underscores, and no word that a language keeps for itself \
     or uses already, as `static`, `stdint` or `match`"
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
    if letters && starts_well && lasts_well && !is_taken(prefix) {
        Ok(())
    } else {
        Err(PrefixError(prefix.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tests::{settings, table};
    use crate::{ExportOptions, Format, ProofStatus, prove};
    use rayon::prelude::*;
    use std::path::Path;
    use std::process::{Command, Stdio};

    /// Keywords that the interpreter of this machine knows.
    fn known_to_python() -> Option<Vec<String>> {
        let program = "import keyword; print(*keyword.kwlist, *keyword.softkwlist)";
        let output = Command::new("python3").args(["-c", program]).output().ok()?;
        let text = String::from_utf8(output.stdout).ok()?;
        output.status.success().then(|| text.split_whitespace().map(str::to_owned).collect())
    }

    #[test]
    fn every_word_that_a_language_keeps_for_itself_is_refused() {
        for word in C.iter().chain(&RUST).chain(&PYTHON).chain(&C_NAMES) {
            assert!(check_export_prefix(word).is_err(), "{word}");
        }
        // Those that passed when the list ended in its middle.
        let before = "static struct super trait true type typeof unsized use virtual where dyn macro try union \
                      override priv unsafe stdint stddef stdio nonlocal printf register volatile sizeof switch";
        for word in before.split_whitespace() {
            assert!(check_export_prefix(word).is_err(), "{word}");
        }
        match known_to_python() {
            Some(words) => {
                assert!(words.len() > 30, "{words:?}");
                words.iter().for_each(|word| assert!(check_export_prefix(word).is_err(), "{word}"));
            }
            None => eprintln!("SKIPPED in part: no Python on this machine"),
        }
    }

    /// Whether `name` compiles as a module of Rust; none where there is no compiler of Rust.
    fn is_a_module_of_rust(folder: &Path, name: &str) -> Option<bool> {
        let main = format!("#![allow(dead_code)]\nmod {name};\n");
        std::fs::write(folder.join("whole.rs"), main).unwrap();
        let mut rustc = Command::new("rustc");
        rustc.current_dir(folder).args(["--edition", "2024", "--crate-type", "lib", "--emit", "metadata"]);
        Some(rustc.arg("whole.rs").stderr(Stdio::null()).status().ok()?.success())
    }

    #[test]
    fn what_is_accepted_compiles_in_every_language() {
        // Near to words that are taken, and plain ones.
        let candidates = [
            "cart", "static", "statics", "stdint", "stdin", "where", "wherever", "type", "types", "gen",
            "raw", "match", "matches", "linux", "union", "r2", "const", "constant", "error", "table", "i8",
            "option", "vec", "result", "restrict", "inline", "signal", "index", "pow", "abs", "y0", "remove",
            "rename",
        ];
        let accepted: Vec<&str> =
            candidates.into_iter().filter(|word| check_export_prefix(word).is_ok()).collect();
        assert!((10..candidates.len()).contains(&accepted.len()), "{accepted:?}");
        accepted.into_par_iter().for_each(|prefix| {
            let folder = tempfile::tempdir().unwrap();
            let formats = vec![Format::C, Format::Rust, Format::MicroPython];
            let options = ExportOptions {
                prefix: prefix.to_owned(),
                formats,
                small_machines: false,
                ..ExportOptions::default()
            };
            let outcome = prove(folder.path(), &table(), &settings(), &options).unwrap();
            let fine = matches!(outcome.status, ProofStatus::Proven | ProofStatus::NoCompiler);
            assert!(
                fine && (outcome.sanitized || outcome.compiler.is_none()),
                "{prefix}: {:?}",
                outcome.status
            );
            assert_ne!(is_a_module_of_rust(folder.path(), prefix), Some(false), "{prefix}");
            let mut python = Command::new("python3");
            python.current_dir(folder.path()).args(["-m", "py_compile", &format!("{prefix}.py")]);
            let compiled = python.status().map(|status| status.success());
            assert!(compiled.unwrap_or(true), "{prefix}.py");
        });
    }
}
