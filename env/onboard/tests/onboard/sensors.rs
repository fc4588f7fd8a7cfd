//! What a sensor that fails leads to, as a table that is made here: `SENSORS.md` next to the crate.

use lowgear_onboard::{Controller, Fault, Feature, Phase, Raw, Request, Settings};
use std::fmt::Write as _;

use super::settings;

const HEALTHY_TICKS: u32 = 100;
const FAILED_TICKS: u32 = 400;

/// A value that a failed sensor shows, by tick; the healthy value where it is not failed.
type Failure = fn(u32, u16) -> u16;

const FAILURES: [(&str, Failure); 4] = [
    ("stands still", |_, frozen| frozen),
    ("reads zero", |_, _| 0),
    ("reads full scale", |_, _| u16::MAX),
    // A linear congruence (Knuth, The Art of Computer Programming 2, 3.2.1) is noise enough here.
    ("reads noise", |tick, _| (tick.wrapping_mul(1_664_525).wrapping_add(1_013_904_223) >> 8) as u16),
];

const SENSORS: [&str; 7] = ["encoder", "battery", "current", "tilt", "duty", "selector", "preview"];

/// The reading with one sensor's value replaced by what `change` makes of it.
fn with(mut raw: Raw, sensor: usize, mut change: impl FnMut(u16) -> u16) -> Raw {
    // Full scale of a signed reading is its greatest value.
    let signed = |value: u16| if value == u16::MAX { i16::MAX } else { value as i16 };
    match sensor {
        0 => raw.encoder_counts = change(raw.encoder_counts),
        1 => raw.battery_mv = change(raw.battery_mv),
        2 => raw.current_ma = signed(change(raw.current_ma as u16)),
        3 => raw.tilt_ddeg = signed(change(raw.tilt_ddeg as u16)),
        4 => raw.duty_permille = change(raw.duty_permille),
        5 => raw.selector_ddeg = change(raw.selector_ddeg),
        6 => raw.preview = signed(change(raw.preview as u16)),
        _ => {}
    }
    raw
}

/// What a run with one failed sensor came to.
#[derive(Default)]
struct Seen {
    driven: u32,
    first_cut: Option<u32>,
    faulted: bool,
    rested: bool,
    recalibrations: u32,
    jump_outs: u8,
    /// Ticks with drive in which the ground ahead was unknown.
    unknown: u32,
}

/// A toy cart that shifts up and down by turns; its selector follows its commands.
fn run(s: &Settings, sensor: usize, failure: Failure) -> Seen {
    let mut controller = Controller::new(s, 0);
    let (mut angle, mut speed, mut duty, mut seen) = (0u16, 0u16, 0u16, Seen::default());
    let mut frozen = None;
    for tick in 0..HEALTHY_TICKS + FAILED_TICKS {
        let truth = Raw {
            encoder_counts: speed,
            battery_mv: 7400,
            current_ma: 900,
            tilt_ddeg: 20,
            duty_permille: duty,
            selector_ddeg: angle,
            preview: 0,
        };
        let raw = if tick < HEALTHY_TICKS {
            truth
        } else {
            let held = *frozen.get_or_insert(truth);
            let mut shown = 0;
            with(held, sensor, |value| std::mem::replace(&mut shown, value));
            with(truth, sensor, |_| failure(tick, shown))
        };
        let due = controller.sense(s, &raw);
        let wanted = if tick / 40 % 2 == 0 { Request::Up } else { Request::Down };
        let request = if due && tick % 40 >= 36 { wanted } else { Request::Hold };
        let c = controller.act(s, request, due);
        if tick >= HEALTHY_TICKS {
            seen.driven += u32::from(c.drive);
            let phase = controller.guard().phase();
            let recovering = c.nudge || c.recalibrate;
            if matches!(phase, Phase::Faulted | Phase::Resting) || recovering {
                seen.first_cut.get_or_insert(tick - HEALTHY_TICKS);
            }
            seen.faulted |= phase == Phase::Faulted;
            seen.rested |= phase == Phase::Resting;
            seen.recalibrations += u32::from(c.recalibrate);
            seen.unknown += u32::from(c.drive && controller.features(s).get(Feature::StrikeClass) == 0);
        }
        duty = if c.drive { 1000 } else { 0 };
        speed = if c.drive { 6 } else { 3 };
        let target = s.guard.gear_ddeg[usize::from(c.gear)];
        angle = if angle > target { target.max(angle.saturating_sub(300)) } else { target.min(angle + 300) };
    }
    seen.jump_outs = controller.guard().jump_outs();
    assert!(seen.faulted || controller.guard().fault() == Fault::None);
    seen
}

fn row(sensor: &str, name: &str, seen: &Seen) -> String {
    let mut noticed = Vec::new();
    if seen.faulted {
        noticed.push("out of range".to_owned());
    }
    if seen.jump_outs > 0 {
        noticed.push(format!("{} jump-outs", seen.jump_outs));
    }
    if seen.rested {
        noticed.push("standstill under drive, rests".to_owned());
    }
    if seen.recalibrations > 0 {
        noticed.push("no arrival, recalibrated".to_owned());
    }
    // Whatever cuts the drive also hides the ground ahead for a while.
    if seen.first_cut.is_none() && seen.unknown > 0 {
        noticed.push("ground ahead unknown".to_owned());
    }
    let (noticed, cut) = match (noticed.is_empty(), seen.first_cut) {
        (true, _) => ("not noticed".to_owned(), "-".to_owned()),
        (false, cut) => (noticed.join("; "), cut.map_or("-".to_owned(), |ticks| ticks.to_string())),
    };
    let share = 100 * seen.driven / FAILED_TICKS;
    format!("| {sensor} | {name} | {noticed} | {cut} | {share} % |\n")
}

#[test]
fn the_page_of_failing_sensors_is_what_happens() {
    let mut s = settings();
    s.features.preview = super::preview::feeler();
    let mut page = "# What a sensor that fails leads to\n\nMade by a test of this crate: a toy cart drives, shifts now and \
                    then and has one sensor fail\nfor 400 ticks. *Drive off after* are ticks until the drive was first \
                    cut for it; *driven* is the share of\nthe 400 ticks with drive (a healthy cart: see the last row). \
                    What is not noticed is yours to notice.\n\n| sensor | failure | noticed as | drive off after | \
                    driven |\n| --- | --- | --- | --- | --- |\n"
        .to_owned();
    for (sensor, what) in SENSORS.into_iter().enumerate() {
        for (name, failure) in FAILURES {
            let seen = run(&s, sensor, failure);
            page.push_str(&row(what, name, &seen));
            let sure = matches!((what, name), (_, "reads full scale" | "reads noise"))
                && what != "current"
                && what != "tilt"
                && what != "preview";
            assert!(!sure || seen.driven < FAILED_TICKS / 10, "{what} {name}: driven {}", seen.driven);
        }
    }
    let healthy = run(&s, usize::MAX, |_, held| held);
    let _ = writeln!(page, "| none | | | | {} % |", 100 * healthy.driven / FAILED_TICKS);
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/SENSORS.md");
    if std::env::var_os("LOWGEAR_WRITE_PAGES").is_some() {
        std::fs::write(file, &page).unwrap();
    }
    let kept = std::fs::read_to_string(file).unwrap_or_default();
    assert_eq!(kept, page, "run this test with LOWGEAR_WRITE_PAGES=1 and look at what changed");
}
