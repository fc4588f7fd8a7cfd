//! The recorder of exported controllers: what it sends from emulated machines, decoded, drives the onboard code to the
//! same decisions, and the onboard recorder to the same bytes.

use super::monitored::{add_second, settings};
use super::targets::{STRICT, compile};
use super::{Case, run, there};
use crate::sandbox::repository;
use lowgear_agents::table::{LookupTable, Provenance, TableAxis};
use lowgear_env::config;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_eval::replay::{Decision, Replay};
use lowgear_onboard::{Controller, Feature, Features, Header, MonitorSettings, Recorder, Request};
use lowgear_sysid::log::{LogError, LogReader, Mapping};
use lowgear_sysid::recording::{Decoder, LOG_HEADINGS, RecordedTick, log_row};
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

const TICKS: u32 = 1200;

/// The bytes in the lines of a target.
fn sent(said: &str) -> Vec<u8> {
    let plain = said.replace("\u{1b}[32m", "").replace("\u{1b}[0m", "");
    let byte = |line: &str| line.strip_prefix("byte ")?.split(' ').next()?.parse().ok();
    plain.lines().filter_map(byte).collect()
}

pub(super) fn decoded(bytes: &[u8]) -> (Vec<RecordedTick>, Header) {
    let (mut decoder, mut ticks) = (Decoder::new(), Vec::new());
    bytes.iter().for_each(|byte| decoder.push(*byte, |tick| ticks.push(*tick)));
    decoder.finish();
    let c = decoder.counters();
    assert_eq!((c.damaged, c.lost_ticks, c.unconfirmed), (0, 0, 0), "{}", c.text());
    (ticks, *decoder.header().unwrap())
}

/// Drives the onboard controller with the recorded readings: the same decision at every tick, the same bytes.
fn replays(case: &Case, target: &str, bytes: &[u8], ticks: u32) -> Vec<RecordedTick> {
    let (recorded, header) = decoded(bytes);
    assert_eq!(recorded.len(), ticks as usize, "{target}");
    let settings = &case.settings;
    let (mut controller, mut recorder) = (Controller::new(settings, 0), Recorder::new());
    let (mut asked_for, mut again) = (0, Vec::new());
    for RecordedTick { tick, after_restart, frame } in &recorded {
        if *after_restart {
            assert_eq!(*tick, 0);
            (controller, recorder) = (Controller::new(settings, frame.gear), Recorder::new());
        }
        (recorder.policy, recorder.lap) = (frame.policy, frame.lap);
        let due = controller.sense(settings, &frame.raw);
        let features = controller.features(settings);
        let request = if due { case.table.decide(&features) } else { Request::Hold };
        let command = controller.act(settings, request, due);
        if recorder.header_due() {
            again.extend(header.encode());
        }
        let expected = recorder.frame(&controller, &frame.raw, request, due, &command);
        assert_eq!(*frame, expected, "{target}, tick {tick}");
        again.extend(expected.encode());
        asked_for += u32::from(request != Request::Hold);
    }
    assert!(asked_for > 3, "{target}: only {asked_for} requests");
    assert_eq!(again, bytes, "{target}: the same bytes");
    recorded
}

/// The same by the log: what `lowgear log` writes of a recording, replayed as `lowgear replay` does.
fn log_replays(case: &Case, vehicle: &str, target: &str, bytes: &[u8]) {
    let (recorded, header) = decoded(bytes);
    let rows: Vec<String> = recorded.iter().map(|tick| log_row(tick, &header)).collect();
    let log = format!("{LOG_HEADINGS}\n{}\n", rows.join("\n"));
    let config: VehicleConfig = config::load(&repository().join("configs/vehicles").join(vehicle)).unwrap();
    let mut reader = LogReader::new(log.as_bytes(), Path::new("log.csv"), &Mapping::default()).unwrap();
    let mut replay = Replay::new(&config, |features: &Features, _| case.table.decide(features), None);
    let mut decisions = Vec::new();
    let each = |d: &Decision| {
        decisions.push(d.clone());
        Ok::<(), LogError>(())
    };
    replay.run(&mut reader, each).unwrap();
    let asked: Vec<(usize, Request)> = recorded
        .iter()
        .enumerate()
        .filter(|(_, t)| t.frame.asked)
        .map(|(i, t)| (i, t.frame.request))
        .collect();
    // The first row of the file is its heading.
    let found: Vec<(usize, Request)> = decisions.iter().map(|d| (d.line as usize - 2, d.request)).collect();
    assert_eq!(found, asked, "{target}");
    let last = decisions.len() - 1;
    assert!(decisions[..last].iter().all(|d| d.request == d.done), "{target}: {}", replay.summary().text());
    let mut controller = Controller::new(&case.settings, 0);
    let mut seen = decisions.iter().map(|d| d.features);
    for RecordedTick { after_restart, frame, .. } in &recorded {
        if *after_restart {
            controller = Controller::new(&case.settings, frame.gear);
        }
        if controller.sense(&case.settings, &frame.raw) {
            assert_eq!(seen.next(), Some(controller.features(&case.settings)), "{target}");
        }
        controller.act(&case.settings, frame.request, frame.asked);
    }
}

pub(super) fn record(
    case: &Case,
    ticks: u32,
    compiler: &str,
    flags: &[&str],
    source: &str,
    machine: &[&str],
) -> Vec<u8> {
    let flags = [flags, &["-DDRILL_RECORD"]].concat();
    compile(case, compiler, &flags, ticks, source, "record.elf");
    let own = case.path("record.elf");
    match machine {
        [] => sent(&run(&own, &[], case.folder.path())),
        _ => sent(&run("timeout", machine, case.folder.path())),
    }
}

#[test]
fn recordings_from_emulated_machines_replay_to_the_same_decisions_bit_for_bit() {
    let cases = [
        (Case::usual(), "demo-cart.toml"),
        (Case::other(), "compost-tractor.toml"),
        (Case::feeler(), "demo-cart-feeler.toml"),
    ];
    for (case, vehicle) in cases {
        let replays = |target: &str, bytes: &[u8]| {
            replays(&case, target, bytes, TICKS);
            log_replays(&case, vehicle, target, bytes);
        };
        if there("cc") {
            let flags = [&["-std=c99", "-O2", "-Wno-unused-function"][..], &STRICT].concat();
            replays("cc", &record(&case, TICKS, "cc", &flags, "host.c", &[]));
        }
        if there("arm-none-eabi-gcc") && there("qemu-system-arm") {
            let flags = ["-std=gnu99", "-Os", "-mthumb", "-mcpu=cortex-m0", "-nostartfiles", "-T", "arm.ld"];
            // The bytes of the board's serial port go into a file as they are.
            let board = "300 qemu-system-arm -M mps2-an385 -nographic -monitor none -serial file:serial.bin \
                         -semihosting-config enable=on,target=native -kernel record.elf";
            let board: Vec<&str> = board.split_whitespace().collect();
            let said = record(&case, TICKS, "arm-none-eabi-gcc", &flags, "arm.c", &board);
            assert!(said.is_empty(), "nothing goes by another way");
            replays("cortex-m0", &fs::read(case.folder.path().join("serial.bin")).unwrap());
        }
        if there("avr-gcc") && there("simavr") {
            let flags = ["-std=gnu99", "-Os", "-mmcu=atmega328p"];
            let board = ["300", "simavr", "-m", "atmega328p", "-f", "16000000", "record.elf"];
            replays("avr", &record(&case, TICKS, "avr-gcc", &flags, "avr.c", &board));
        }
    }
}

#[test]
fn a_small_python_records_the_bytes_that_c_records() {
    if !(there("cc") && there("micropython")) {
        return;
    }
    for case in [Case::usual(), Case::other()] {
        let flags = [&["-std=c99", "-O2", "-Wno-unused-function"][..], &STRICT].concat();
        let bytes = record(&case, TICKS, "cc", &flags, "host.c", &[]);
        let mut readings = String::new();
        for RecordedTick { after_restart, frame, .. } in decoded(&bytes).0 {
            if after_restart {
                let _ = writeln!(readings, "start,{}", frame.gear);
            }
            let r = frame.raw;
            let _ = writeln!(
                readings,
                "{},{},{},{},{},{},{},{},{}",
                frame.lap,
                frame.policy,
                r.encoder_counts,
                r.battery_mv,
                r.current_ma,
                r.tilt_ddeg,
                r.duty_permille,
                r.selector_ddeg,
                r.preview
            );
        }
        fs::write(case.folder.path().join("readings.csv"), readings).unwrap();
        let said = run("micropython", &["record.py", "readings.csv"], case.folder.path());
        let digits: String = said.split_whitespace().collect();
        let again: Vec<u8> = (0..digits.len() / 2)
            .map(|at| u8::from_str_radix(&digits[2 * at..2 * at + 2], 16).unwrap())
            .collect();
        assert_eq!(again, bytes);
    }
}

/// The table of the rule in the example: up as soon as the motor turns, by one axis.
pub(super) fn early_upshifts() -> LookupTable {
    let axes = vec![TableAxis { feature: Feature::SpeedRatio, edges: vec![150, 400] }];
    LookupTable::from_requests(axes, &[Request::Down, Request::Hold, Request::Up], Provenance::default())
        .unwrap()
}

#[test]
fn two_controllers_in_one_program_change_places_only_while_the_vehicle_stands() {
    if !there("cc") {
        return;
    }
    let case = Case::usual();
    let rule = early_upshifts();
    // Limits so wide that the monitor stays out of it.
    add_second(
        &case,
        &rule,
        &MonitorSettings { behind_q12_mm: 1 << 26, failures_q12_mm: 1 << 26, ..settings(&case) },
    );
    let flags = [&["-std=c99", "example_trial_board.c"][..], &STRICT].concat();
    compile(&case, "cc", &flags, 1, "example_trial.c", "trial");
    let (ticks, _) = decoded(&sent(&run(&case.path("trial"), &[], case.folder.path())));
    assert_eq!(ticks.iter().map(|t| t.tick).collect::<Vec<_>>(), (0..1800).collect::<Vec<u64>>());
    let mut controller = Controller::new(&case.settings, 0);
    let (mut driving, mut changes, mut upshifts) = (0, 0, [0; 2]);
    for RecordedTick { frame, tick, .. } in &ticks {
        if frame.policy != driving {
            assert_eq!(
                (frame.lap, frame.raw.encoder_counts, frame.command.drive),
                (0, 0, false),
                "tick {tick}"
            );
            driving = frame.policy;
            changes += 1;
            controller = Controller::new(&case.settings, 0);
        }
        let table = if driving == 0 { &rule } else { &case.table };
        let due = controller.sense(&case.settings, &frame.raw);
        let request = if due { table.decide(&controller.features(&case.settings)) } else { Request::Hold };
        let command = controller.act(&case.settings, request, due);
        assert_eq!((frame.request, frame.asked, frame.command), (request, due, command), "tick {tick}");
        upshifts[usize::from(driving)] += u32::from(request == Request::Up);
    }
    assert!(changes >= 6 && upshifts.iter().all(|count| *count > 0), "{changes} {upshifts:?}");
}

/// Bytes of program memory (with constants) and of variables.
fn size(case: &Case, tools: &str, machine: &[&str]) -> (u32, u32) {
    let flags = [machine, &["-std=c99", "-Os", "-c"]].concat();
    compile(case, &format!("{tools}gcc"), &flags, 1, "record_size.c", "size.o");
    let said = run(&format!("{tools}size"), &["size.o"], case.folder.path());
    let figures: Vec<u32> =
        said.lines().nth(1).unwrap().split_whitespace().take(3).map(|word| word.parse().unwrap()).collect();
    // An AVR without a split of memories in its header holds constants as data.
    (figures[0] + figures[1], figures[2])
}

#[test]
fn the_recorder_is_small_and_needs_no_division() {
    let case = Case::usual();
    for (tools, machine) in
        [("arm-none-eabi-", &["-mcpu=cortex-m0", "-mthumb"][..]), ("avr-", &["-mmcu=atmega328p"])]
    {
        if !there(&format!("{tools}gcc")) {
            continue;
        }
        let (flash, ram) = size(&case, tools, machine);
        println!("{tools}: {flash} bytes of program memory, {ram} bytes of state, 24 of stack for a frame");
        assert!(flash <= 600 && ram + 24 <= 40, "{tools}: {flash} and {ram} bytes");
        let listing = run(&format!("{tools}nm"), &["size.o"], case.folder.path());
        assert!(!listing.contains("div") && !listing.contains("mod"), "{listing}");
    }
}
