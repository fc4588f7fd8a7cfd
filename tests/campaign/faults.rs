//! Faults of disks and streams: output to a full device or a closed pipe, results where none can be written.

use super::chance::RandomChoices;
use super::trial::{Tally, run, run_with};
use crate::sandbox::Sandbox;
use std::fs::OpenOptions;
use std::process::Stdio;

/// Commands whose output is data.
const DATA: [&[&str]; 6] = [
    &["check", "--schema", "study"],
    &["check", "course.toml", "--resolved"],
    &["check", "tiny.toml"],
    &["recipes", "vehicle.toml"],
    &["compare", "tiny.toml", "hand-rule", "hand-rule", "--courses", "2"],
    &["drive", "tiny.toml", "--why", "1", "--out", "drive"],
];

/// Commands that end with an error, and its code.
const ERRORS: [(&[&str], i32); 3] = [
    (&["check", "absent.toml"], 3),
    (&["drive", "tiny.toml", "--course", "vehicle.toml"], 2),
    (&["study", "tiny.toml", "--effort", "0"], 2),
];

/// Places where nothing can be written, whatever the user.
const PLACES: [&str; 5] = ["/dev/full", "/proc/x.svg", "tiny.toml/x.svg", ".", "/proc/self/fd/x/y.svg"];

fn full() -> Stdio {
    OpenOptions::new().write(true).open("/dev/full").unwrap().into()
}

fn closed() -> Stdio {
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    writer.into()
}

/// One command with one fault.
pub(super) fn one(place: &Sandbox, chance: &mut RandomChoices, tally: &mut Tally) {
    let (what, expected, end) = match chance.below(4) {
        0 => {
            let data = chance.of(&DATA);
            (format!("{data:?} to a full device"), 3, run_with(place, data, full(), Stdio::null(), |_| ()))
        }
        1 => {
            let data = chance.of(&DATA);
            let err = if chance.below(2) == 0 { closed() } else { full() };
            (format!("{data:?} to a closed pipe"), 0, run_with(place, data, closed(), err, |_| ()))
        }
        2 => {
            let (arguments, code) = chance.of(&ERRORS);
            let err = if chance.below(2) == 0 { closed() } else { full() };
            (format!("{arguments:?} unheard"), *code, run_with(place, arguments, Stdio::null(), err, |_| ()))
        }
        _ => {
            let out = chance.of(&PLACES);
            (format!("a picture in {out}"), 3, run(place, &["draw", "course.toml", "--out", out]))
        }
    };
    tally.count("fault", &what, &end, false);
    if end.code != Some(expected) {
        tally.wrong("fault", &format!("{what}: code {:?}, not {expected}", end.code));
    }
}
