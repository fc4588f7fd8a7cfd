//! Names from logs and files where they meet a terminal or a file of ours.

use lowgear_env::config::KeyError;

/// Whether a character does something to the text around it: controls, line ends, marks of direction and joining.
fn acts(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{2028}' | '\u{2029}' | '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}

/// The text with every such character written out, as `\n` or `\u{202e}`.
#[must_use]
pub fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if acts(c) { out.extend(c.escape_default()) } else { out.push(c) }
    }
    out
}

/// Refuses a name that is more than one line of plain characters.
///
/// # Errors
/// The key, the name and what is allowed.
pub fn one_line(key: &str, name: &str) -> Result<(), KeyError> {
    if name.chars().any(acts) {
        return Err(KeyError::new(key, format!("{:?}", plain(name)), "one line without control characters"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_acts_on_a_terminal_is_written_out() {
        assert_eq!(plain("a\u{1b}[2J\r\nb"), "a\\u{1b}[2J\\r\\nb");
        assert_eq!(plain("Bäume \u{202e}x"), "Bäume \\u{202e}x");
        assert!(one_line("name", "a\rb").is_err() && one_line("name", "große Karre").is_ok());
    }
}
