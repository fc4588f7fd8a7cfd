//! The monitor of exported controllers: on emulated machines, in every language and from its specification alone it goes back
//! to the rule, and to the table again, at the ticks at which the onboard code does.

use super::recorded::{decoded, early_upshifts, record};
use super::targets::{STRICT, compile};
use super::{Case, run, there};
use lowgear_agents::table::LookupTable;
use lowgear_firmware::{AGAINST, Format, recorder_source, source, trial_sources};
use lowgear_onboard::{Controller, Features, Monitor, MonitorSettings, Phase, Raw, Recorder, Request};
use lowgear_sysid::recording::RecordedTick;
use std::fmt::Write as _;
use std::fs;

const TICKS: u32 = 4096;
/// On an emulated machine whose serial port is as slow as a real one.
const SLOW_TICKS: u32 = 1024;

/// Limits that the toy vehicle of the drill passes often, both ways.
pub(super) fn settings(case: &Case) -> MonitorSettings {
    let way = [77, 292, 665, 900, 1200, 1500];
    let pace = u32::from(case.span()) * way[1] / 3;
    MonitorSettings {
        count_q12_mm: way,
        pace_q12_mm: pace,
        behind_q12_mm: 60 * pace,
        failure_q12_mm: 40 * pace,
        failures_q12_mm: 50 * pace,
        failed_window_ticks: case.settings.features.failed_window_ticks,
        full_duty_permille: 900,
        release_q12_mm: 60 * pace,
    }
}

/// Writes the second controller and what lets both drive in turn next to the first.
pub(super) fn add_second(case: &Case, rule: &LookupTable, monitor: &MonitorSettings) {
    let prefix = format!("lowgear_{AGAINST}");
    let folder = case.folder.path();
    fs::create_dir_all(folder.join(AGAINST)).unwrap();
    for format in [Format::C, Format::Rust, Format::MicroPython] {
        let text = source(format, rule, &case.settings, &prefix).unwrap();
        let name = format.file_name(&prefix);
        // Python and Rust have their modules side by side.
        let place = if format == Format::C { folder.join(AGAINST).join(name) } else { folder.join(name) };
        fs::write(place, text).unwrap();
    }
    let text = recorder_source(Format::C, rule, &case.settings, &prefix).unwrap().unwrap();
    fs::write(folder.join(AGAINST).join(format!("{prefix}_recorder.h")), text).unwrap();
    for (name, text) in trial_sources(&Format::ALL, &case.settings, monitor, "lowgear").unwrap() {
        fs::write(folder.join(name), text).unwrap();
    }
}

/// Drives the onboard code with the recorded readings: the same bytes. How often the rule took over, and gave back.
fn replays(case: &Case, rule: &LookupTable, target: &str, bytes: &[u8]) -> [u32; 2] {
    let (recorded, header) = decoded(bytes);
    let (settings, limits) = (&case.settings, settings(case));
    let start = || (Controller::new(settings, 0), Monitor::new(0), Recorder::new());
    let (mut controller, mut monitor, mut recorder) = start();
    let (mut again, mut before, mut changes) = (Vec::new(), false, [0; 2]);
    for RecordedTick { tick, after_restart, frame } in &recorded {
        if *after_restart {
            (controller, monitor, recorder) = start();
            before = false;
        }
        (recorder.policy, recorder.lap) = (1, frame.lap);
        let due = controller.sense(settings, &frame.raw);
        let guard = controller.guard();
        recorder.fallback = monitor.take(&limits, &frame.raw, guard.phase(), guard.gear());
        let features = controller.features(settings);
        let decide = |features: &Features| {
            if recorder.fallback { rule.decide(features) } else { case.table.decide(features) }
        };
        let request = if due { decide(&features) } else { Request::Hold };
        let command = controller.act(settings, request, due);
        if recorder.header_due() {
            again.extend(header.encode());
        }
        let expected = recorder.frame(&controller, &frame.raw, request, due, &command);
        assert_eq!(*frame, expected, "{target}, tick {tick}");
        again.extend(expected.encode());
        if expected.fallback != before {
            changes[usize::from(before)] += 1;
            before = expected.fallback;
        }
    }
    assert_eq!(again, bytes, "{target}: the same bytes");
    changes
}

#[test]
fn monitors_on_emulated_machines_go_back_to_the_rule_at_the_same_ticks() {
    for case in [Case::usual(), Case::feeler()] {
        let rule = early_upshifts();
        add_second(&case, &rule, &settings(&case));
        let replays = |target: &str, bytes: &[u8]| {
            let [over, back] = replays(&case, &rule, target, bytes);
            println!("{target}: {over} times to the rule, {back} times to the table");
            let ticks = decoded(bytes).0.len() as u32;
            let enough = if ticks == TICKS { over >= 5 && back >= 3 } else { over > 0 };
            assert!(enough && [TICKS, SLOW_TICKS].contains(&ticks), "{target}: {over} and {back} in {ticks}");
        };
        if there("cc") {
            let flags = [&["-std=c99", "-O2", "-Wno-unused-function", "-DDRILL_TRIAL"][..], &STRICT].concat();
            replays("cc", &record(&case, TICKS, "cc", &flags, "host.c", &[]));
            in_other_languages(&case, &record(&case, TICKS, "cc", &flags, "host.c", &[]));
        }
        if there("arm-none-eabi-gcc") && there("qemu-system-arm") {
            let flags = [
                "-std=gnu99",
                "-Os",
                "-mthumb",
                "-mcpu=cortex-m0",
                "-nostartfiles",
                "-T",
                "arm.ld",
                "-DDRILL_TRIAL",
            ];
            let board = "300 qemu-system-arm -M mps2-an385 -nographic -monitor none -serial file:serial.bin \
                         -semihosting-config enable=on,target=native -kernel record.elf";
            let board: Vec<&str> = board.split_whitespace().collect();
            record(&case, TICKS, "arm-none-eabi-gcc", &flags, "arm.c", &board);
            replays("cortex-m0", &fs::read(case.folder.path().join("serial.bin")).unwrap());
        }
        if there("avr-gcc") && there("simavr") {
            let flags = ["-std=gnu99", "-Os", "-mmcu=atmega328p", "-DDRILL_TRIAL"];
            let board = ["300", "simavr", "-m", "atmega328p", "-f", "16000000", "record.elf"];
            replays("avr", &record(&case, SLOW_TICKS, "avr-gcc", &flags, "avr.c", &board));
        }
    }
}

/// The same readings in a small Python and in the Rust module: the same bytes.
fn in_other_languages(case: &Case, bytes: &[u8]) {
    let mut readings = String::new();
    for RecordedTick { after_restart, frame, .. } in decoded(bytes).0 {
        let r = frame.raw;
        let _ = writeln!(
            readings,
            "{},{},{},{},{},{},{},{},{}",
            u8::from(after_restart),
            frame.lap,
            r.encoder_counts,
            r.battery_mv,
            r.current_ma,
            r.tilt_ddeg,
            r.duty_permille,
            r.selector_ddeg,
            r.preview
        );
    }
    let folder = case.folder.path();
    fs::write(folder.join("readings.csv"), readings).unwrap();
    let same = |target: &str, said: &str| {
        let digits: String = said.split_whitespace().collect();
        let again: Vec<u8> = (0..digits.len() / 2)
            .map(|at| u8::from_str_radix(&digits[2 * at..2 * at + 2], 16).unwrap())
            .collect();
        assert!(again == bytes, "{target}: other bytes");
    };
    if there("micropython") {
        same("micropython", &run("micropython", &["trial.py", "readings.csv"], folder));
    }
    run("rustc", &["--edition", "2021", "-O", "-D", "warnings", "-A", "dead_code", "trial.rs"], folder);
    same("rust", &run(&case.path("trial"), &["readings.csv"], folder));
}

#[test]
fn the_specification_of_a_trial_is_enough_to_write_its_monitor_again() {
    if !there("python3") {
        return;
    }
    let case = Case::usual();
    let limits = settings(&case);
    add_second(&case, &early_upshifts(), &limits);
    let (mut monitor, mut lines, mut changes) = (Monitor::new(0), String::new(), 0);
    let phases = [
        Phase::Driving,
        Phase::Cutting,
        Phase::Moving,
        Phase::Recalibrating,
        Phase::Resting,
        Phase::Parked,
        Phase::Faulted,
    ];
    let mut random = 12_345_u32;
    let (mut gear, mut counts, mut before) = (0_u8, 0_u16, false);
    for tick in 0..20_000_u32 {
        random ^= random << 13;
        random ^= random >> 17;
        random ^= random << 5;
        let of = |shift: u32, below: u32| (random >> shift) % below;
        if tick % 40 == 0 {
            (gear, counts) = (of(3, 3) as u8, of(7, u32::from(case.span())) as u16);
        }
        let phase = if of(11, 8) == 0 { phases[of(14, 7) as usize] } else { Phase::Driving };
        let duty_permille = if of(17, 16) == 0 { 500 } else { 1000 };
        let raw = Raw { encoder_counts: counts, duty_permille, ..Raw::default() };
        // A new start now and then, so that the third fallback is not the end of it.
        let new = tick % 1024 == 0;
        if new {
            monitor = Monitor::new(0);
        }
        let fallback = monitor.take(&limits, &raw, phase, gear);
        changes += u32::from(fallback != before);
        before = fallback;
        let (behind, failures) = (monitor.behind_q12_mm(), monitor.failures_q12_mm());
        let _ = writeln!(
            lines,
            "{},{counts},{duty_permille},{},{gear},{},{behind},{failures}",
            u8::from(new),
            phase as u8,
            u8::from(fallback)
        );
    }
    assert!(changes > 20, "{changes}");
    fs::write(case.folder.path().join("monitor.csv"), lines).unwrap();
    let said =
        run("python3", &["trial_by_document.py", "lowgear_trial.md", "monitor.csv"], case.folder.path());
    assert_eq!(said, "20000 ticks, 0 wrong\n");
    let page = fs::read_to_string(case.path("lowgear_trial.md")).unwrap();
    let other = page.replace("BEHIND_LIMIT // 2", "BEHIND_LIMIT // 4");
    assert_ne!(page, other);
    fs::write(case.path("lowgear_trial.md"), other).unwrap();
    let said =
        run("python3", &["trial_by_document.py", "lowgear_trial.md", "monitor.csv"], case.folder.path());
    assert!(!said.ends_with(" 0 wrong\n"), "{said}");
}

#[test]
fn the_self_test_of_a_trial_passes_and_finds_a_changed_limit() {
    if !there("cc") {
        return;
    }
    let case = Case::usual();
    add_second(&case, &early_upshifts(), &settings(&case));
    let answer = || {
        let flags = [&["-std=c99", "-Wno-unused-function"][..], &STRICT].concat();
        compile(&case, "cc", &flags, 1, "trial_self_test.c", "self_test");
        run(&case.path("self_test"), &[], case.folder.path())
    };
    assert_eq!(answer(), "1\n");
    let header = fs::read_to_string(case.path("lowgear_trial.h")).unwrap();
    let limit = format!("UINT32_C({})", settings(&case).behind_q12_mm);
    let other = header.replace(&limit, &format!("UINT32_C({})", settings(&case).behind_q12_mm / 2));
    assert_ne!(header, other);
    fs::write(case.path("lowgear_trial.h"), other).unwrap();
    assert_eq!(answer(), "0\n");
}

#[test]
fn the_monitor_is_small_and_needs_no_division() {
    let case = Case::usual();
    add_second(&case, &early_upshifts(), &settings(&case));
    for (tools, machine) in
        [("arm-none-eabi-", &["-mcpu=cortex-m0", "-mthumb"][..]), ("avr-", &["-mmcu=atmega328p"])]
    {
        if !there(&format!("{tools}gcc")) {
            continue;
        }
        let flags = [machine, &["-std=c99", "-Os", "-c"]].concat();
        compile(&case, &format!("{tools}gcc"), &flags, 1, "monitor_size.c", "size.o");
        let said = run(&format!("{tools}size"), &["size.o"], case.folder.path());
        let figures: Vec<u32> = said
            .lines()
            .nth(1)
            .unwrap()
            .split_whitespace()
            .take(3)
            .map(|word| word.parse().unwrap())
            .collect();
        let (flash, ram) = (figures[0] + figures[1], figures[2]);
        println!("{tools}: {flash} bytes of program memory, {ram} bytes of state");
        assert!(flash <= 700 && ram <= 24, "{tools}: {flash} and {ram} bytes");
        let listing = run(&format!("{tools}nm"), &["size.o"], case.folder.path());
        assert!(!listing.contains("div") && !listing.contains("mod"), "{listing}");
    }
}
