//! Names in files, and text that goes to a terminal.

use super::KeyError;
use std::fmt::Write as _;
use std::path::Path;

/// Most characters of a name.
const LONGEST: usize = 200;

/// Checks a name for reports: one line of characters that can be seen.
///
/// # Errors
/// [`KeyError`] for `key`, the name escaped.
pub fn check_name(key: &str, name: &str) -> Result<(), KeyError> {
    let length = name.chars().count();
    if !name.trim().is_empty() && length <= LONGEST && !name.chars().any(is_hidden) {
        return Ok(());
    }
    let got =
        if length > LONGEST { format!("{length} characters long") } else { format!("\"{}\"", escaped(name)) };
    let allowed = format!(
        "1 to {LONGEST} characters, not blank, without line breaks, control characters and marks that turn the \
         direction of writing"
    );
    Err(KeyError::new(key, got, allowed))
}

/// Checks the path of a file named in a file.
///
/// # Errors
/// [`KeyError`] for `key`, the path escaped.
pub fn check_path(key: &str, path: &Path) -> Result<(), KeyError> {
    let text = path.to_string_lossy();
    if !text.is_empty() && !text.chars().any(is_hidden) {
        return Ok(());
    }
    let allowed = "the path of a file, without line breaks, control characters and marks that turn the direction of writing";
    Err(KeyError::new(key, format!("\"{}\"", escaped(&text)), allowed))
}

/// Whether a character moves the cursor, breaks the line or turns the direction of writing.
fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// Text with each such character written as `\n` or `\u{1b}`: fit for one line of a terminal.
#[must_use]
pub fn escaped(text: &str) -> String {
    escaped_but(text, |_| false)
}

/// As [`escaped`], line breaks kept: fit for a message of several lines.
#[must_use]
pub fn escaped_lines(text: &str) -> String {
    escaped_but(text, |c| c == '\n')
}

/// A path, [`escaped`].
#[must_use]
pub fn shown(path: &Path) -> String {
    escaped(&path.to_string_lossy())
}

fn escaped_but(text: &str, keep: impl Fn(char) -> bool) -> String {
    text.chars().fold(String::with_capacity(text.len()), |mut out, c| {
        if !is_hidden(c) || keep(c) {
            out.push(c);
        } else if matches!(c, '\n' | '\r' | '\t') {
            out.extend(c.escape_default());
        } else {
            // Writing to a string cannot fail.
            let _ = write!(out, "{}", c.escape_unicode());
        }
        out
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_one_line_of_visible_characters() {
        let long = "x".repeat(LONGEST + 1);
        for (name, fine) in [
            ("demo cart (INVENTED)", true),
            ("Äpfel 苹果 עגלה", true),
            ("", false),
            ("  ", false),
            (long.as_str(), false),
            ("a\nb", false),
            ("a\u{1b}[2J", false),
            ("a\u{202e}b", false),
            ("a\u{2028}b", false),
            ("a\u{9b}1m", false),
        ] {
            let result = check_name("name", name);
            assert_eq!(result.is_ok(), fine, "{name:?}: {result:?}");
            assert!(result.err().is_none_or(|e| !e.to_string().chars().any(is_hidden)), "{name:?}");
        }
    }

    #[test]
    fn text_is_escaped_and_its_lines_are_kept_on_demand() {
        assert_eq!(escaped("a\n\u{1b}b\u{202e}\r"), "a\\n\\u{1b}b\\u{202e}\\r");
        assert_eq!(escaped_lines("a\n\u{1b}b"), "a\n\\u{1b}b");
        assert_eq!(escaped("½ Ω·m"), "½ Ω·m");
        assert_eq!(shown(Path::new("runs/a\nb")), "runs/a\\nb");
    }
}
