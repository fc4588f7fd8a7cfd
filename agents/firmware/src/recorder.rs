//! The recorder of an exported controller, as files of their own; in Rust it is part of the onboard sources.

use std::fmt::Write as _;

use lowgear_onboard::{Header, Settings};

use super::decider::Decider;
use super::prefix::{PrefixError, check_export_prefix};
use super::source::Format;
use super::template::Filling;

const C: &str = include_str!("c/recorder.h");
const MICROPYTHON: &str = include_str!("micropython/recorder.py.in");

/// Name of the recorder's file; `None` for formats that have none of their own.
#[must_use]
pub fn recorder_file_name(format: Format, prefix: &str) -> Option<String> {
    match format {
        Format::C | Format::MicroPython => Some(format!("{prefix}_recorder.{}", format.extension())),
        Format::Rust | Format::Csv => None,
    }
}

/// Text of the recorder's file.
///
/// # Errors
/// [`PrefixError`] when the prefix is no name in all the languages.
pub fn recorder_source<'a>(
    format: Format,
    decider: impl Into<Decider<'a>>,
    settings: &Settings,
    prefix: &str,
) -> Result<Option<String>, PrefixError> {
    check_export_prefix(prefix)?;
    let template = match format {
        Format::C => C,
        Format::MicroPython => MICROPYTHON,
        Format::Rust | Format::Csv => return Ok(None),
    };
    let mut filling = Filling::default();
    filling.text.insert("HEADER", header_text(decider.into(), settings));
    Ok(Some(filling.render(template, prefix)))
}

/// Folder and end of the prefix of the controller that another one is compared with.
pub const AGAINST: &str = "against";

/// The header on the wire as numbers, a few lines of them.
pub(super) fn header_text(decider: Decider<'_>, settings: &Settings) -> String {
    let wire = Header::new(settings, [first_bytes(&decider.hash()), [0; 4]]).encode();
    let mut text = String::new();
    for line in wire.chunks(14) {
        let numbers: Vec<String> = line.iter().map(|byte| format!("{byte},")).collect();
        let _ = writeln!(text, "    {}", numbers.join(" "));
    }
    text
}

/// The first four bytes of a hash in hexadecimal digits.
fn first_bytes(hash: &str) -> [u8; 4] {
    let value = u32::from_str_radix(hash.get(..8).unwrap_or("0"), 16).unwrap_or(0);
    value.to_be_bytes()
}
