//! What every exported file says in its head: cautions, units, origin.

use lowgear_onboard::Settings;

use super::decider::Decider;
use super::table_features::settings_hash;
use super::template::plain;

pub(super) const CAUTIONS: &str = include_str!("cautions.txt");

/// What the units are, what a reading means, and what may be done with the controller. Lines of at most 100 characters.
pub(super) const UNITS: &str = "\
- _ticks: controller ticks; TICK_US is the length of one. _permille: thousandths. _ddeg: tenths of a degree.
  _mv: millivolts. _ma: milliamperes. A reading outside the ranges in the settings ends the drive.
- encoder_counts: pulses of the motor (PULSES_PER_TURN a turn) in the last tick, whichever way it turns.
- duty_permille: 0 to 1000, the size of the duty that the motor was really given in the last tick, forwards
  or backwards; 0 while cut, coasting or braking. Never per cent, never a timer's steps, never signed.
- tilt_ddeg: nose up positive. current_ma: positive when the motor drives. Sensors not fitted read 0.
- selector_ddeg: 0 to 3599, from the selector's own sensor; never a constant, never the angle it was sent to.
- preview: raw reading of the sensor ahead of the front axle, 0 on flat ground, more over what stands out of it; of a
  gyroscope the pitch in hundredths of a degree, nose up positive, that fades.
- Speeds are permille of the motor's no-load speed, loads permille of the top gear's stall force. Filters
  carry 6 bits of fraction. In C and Python features that no axis of the table uses are left out. Every
  definition, word for word, stands in specification.md next to this file.
- Call it exactly once a tick. A tick that is missed makes every clock and filter late by one, a doubled one
  early; neither is noticed here: on_time compares the time that has passed, a watchdog has to cut the drive.
- All state is in one variable: several controllers in one program are several of them. A tick takes a
  bounded time and may run in an interrupt, but no two calls with one state at once.
- Reset and brown-out: start again with the lowest gear. The place of the selector is unknown then, so there
  is no drive before it has been seen to arrive. The gear need not be stored.
";

/// The first word of the line that holds the hash of all others.
pub(super) const FILE_HASH: &str = "file hash:";

/// Lines that tell where a table comes from; reading back relies on them.
pub(super) fn provenance(decider: Decider<'_>, settings: &Settings) -> String {
    let origin = decider.provenance();
    format!(
        "study: {}\nvehicle: {}\nteacher: {}\nstudy seed: {}\nmade by version: {}\nformat: {}\ngears: {}\nsettings: {}\n\
         {} hash: {}\n{}\n{FILE_HASH}\n",
        plain(&origin.study),
        plain(&origin.vehicle),
        plain(&origin.teacher),
        origin.seed,
        plain(&origin.version),
        decider.format(),
        settings.guard.gears,
        settings_hash(settings),
        decider.word(),
        decider.hash(),
        decider.size()
    )
}

/// Every line of `text` behind `mark`.
pub(super) fn commented(text: &str, mark: &str) -> String {
    text.lines().map(|line| format!("{mark} {line}\n")).collect()
}
