//! What every exported file says in its head: cautions, units, origin.

use lowgear_onboard::Settings;

use super::shape::settings_hash;
use super::template::plain;
use crate::table::{LookupTable, TABLE_FORMAT};

pub(super) const CAUTIONS: &str = include_str!("cautions.txt");

pub(super) const UNITS: &str = "\
- _ticks: controller ticks; call the controller exactly once a tick.
- _permille: thousandths. _ddeg: tenths of a degree. _mv: millivolts. _ma: milliamperes.
- Speeds are permille of the motor's no-load speed, loads permille of the top gear's stall force.
- Filters carry 6 bits of fraction. Features that no axis of the table uses are left out.
";

/// The first word of the line that holds the hash of all others.
pub(super) const FILE_HASH: &str = "file hash:";

/// Lines that tell where a table comes from; reading back relies on them.
pub(super) fn provenance(table: &LookupTable, settings: &Settings) -> String {
    let origin = table.provenance();
    format!(
        "teacher: {}\nstudy seed: {}\nmade by version: {}\nformat: {TABLE_FORMAT}\ngears: {}\nsettings: {}\n\
         table hash: {}\n{} cells in {} bytes\n{FILE_HASH}\n",
        plain(&origin.teacher),
        origin.seed,
        plain(&origin.version),
        settings.guard.gears,
        settings_hash(settings),
        table.hash(),
        table.count(),
        table.cells().len()
    )
}

/// Every line of `text` behind `mark`.
pub(super) fn commented(text: &str, mark: &str) -> String {
    text.lines().map(|line| format!("{mark} {line}\n")).collect()
}
