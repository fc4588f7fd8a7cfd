//! The memory of the way of exported controllers: on emulated machines, in every language and from its specification alone it
//! holds back, shifts early and counts what was needless at the ticks at which the onboard code does, over whole laps.

use super::recorded::{decoded, record};
use super::targets::{STRICT, compile};
use super::{Case, run, there};
use crate::sandbox::repository;
use lowgear_env::config;
use lowgear_env::vehicle::{LapAdvice, VehicleConfig};
use lowgear_firmware::{Format, Target, laps_sources, source_with_laps};
use lowgear_onboard::{Controller, Feature, Frame, LapControl, LapSettings, Phase, Recorder, Request};
use lowgear_sysid::recording::RecordedTick;
use std::fmt::Write as _;
use std::fs;

const TICKS: u32 = 4096;
/// On an emulated machine whose serial port is as slow as a real one.
const SLOW_TICKS: u32 = 1024;

/// The memory of a vehicle, which shifts early more often than it pays.
fn settings(vehicle: &str) -> LapSettings {
    let file = repository().join("configs/vehicles").join(vehicle);
    let mut laps = config::load::<VehicleConfig>(&file).unwrap().lap_settings(LapAdvice::Early);
    laps.memory.early_permille = 500;
    laps
}

/// Writes the controller again, for a memory of the way, and the memory next to it.
fn add_memory(case: &Case, laps: &LapSettings) {
    for format in [Format::C, Format::Rust, Format::MicroPython] {
        let text = source_with_laps(format, case.decider(), &case.settings, "lowgear").unwrap();
        fs::write(case.path(&format.file_name("lowgear")), text).unwrap();
    }
    for (name, text) in laps_sources(&Format::ALL, case.decider(), &case.settings, laps, "lowgear").unwrap() {
        fs::write(case.path(&name), text).unwrap();
    }
}

/// Carts with tables that see all that the memory needs, or little of it.
pub(super) fn cases() -> [(Case, LapSettings); 2] {
    [(Case::usual(), "demo-cart.toml"), (Case::other(), "compost-tractor.toml")].map(|(case, vehicle)| {
        let laps = settings(vehicle);
        add_memory(&case, &laps);
        (case, laps)
    })
}

/// What happened on some laps.
#[derive(Default)]
struct Seen {
    laps: u32,
    held_back: u32,
    early: u32,
    needless: u32,
    /// Request, position and counter of every tick, line by line.
    lines: String,
    /// The lines that `laps.py` and `laps.rs` read.
    readings: String,
    /// The lines of `laps_by_document.py`.
    documented: String,
}

impl Seen {
    /// Notes what a reading was, and what the specification needs of the tick.
    fn note(
        &mut self,
        case: &Case,
        frame: &Frame,
        controller: &Controller,
        [due, may_rise]: [bool; 2],
        policy: Request,
    ) {
        let (r, settings) = (&frame.raw, &case.settings);
        let _ = writeln!(
            self.readings,
            "{},{},{},{},{},{},{},{}",
            frame.policy,
            r.encoder_counts,
            r.battery_mv,
            r.current_ma,
            r.tilt_ddeg,
            r.duty_permille,
            r.selector_ddeg,
            r.preview
        );
        let duty = u32::from(r.duty_permille.min(1000));
        let battery_mv =
            if settings.features.battery_fitted { r.battery_mv } else { settings.features.nominal_mv };
        let features = controller.features(settings);
        let values = [Feature::SpeedRatio, Feature::Dwell, Feature::SinceFailed, Feature::Stalled]
            .map(|feature| features.get(feature).to_string());
        let _ = write!(
            self.documented,
            "{},{},{},{},{},{},{},{},{},{}",
            frame.policy,
            r.encoder_counts,
            u32::from(battery_mv) * duty / 1000,
            settings.features.speed_gain,
            controller.guard().phase() as u8,
            controller.guard().gear(),
            values.join(","),
            u8::from(due),
            policy as u8,
            u8::from(may_rise),
        );
    }

    /// Notes the answer of a tick.
    fn answer(&mut self, request: Request, control: &LapControl) {
        let (position_mm, needless) = (control.position_mm(), control.needless());
        let _ = writeln!(self.lines, "{} {position_mm} {needless}", request as u8);
        let _ = writeln!(self.documented, ",{},{position_mm},{needless}", request as u8);
    }
}

/// Drives the onboard code with the recorded readings: the same request, position and counter at every tick, the same bytes.
fn replays(case: &Case, laps: &LapSettings, target: &str, bytes: &[u8], ticks: u32) -> Seen {
    let (recorded, header) = decoded(bytes);
    assert_eq!(recorded.len(), ticks as usize, "{target}");
    let settings = &case.settings;
    let (mut controller, mut recorder) = (Controller::new(settings, 0), Recorder::new());
    let (mut control, mut again, mut seen) = (LapControl::new(), Vec::new(), Seen::default());
    for RecordedTick { tick, frame, .. } in &recorded {
        if frame.policy == 1 {
            control.start_lap();
            seen.laps += 1;
        }
        let due = controller.sense(settings, &frame.raw);
        let (gear, phase) = (controller.guard().gear(), controller.guard().phase());
        control.count(laps, &settings.features, &frame.raw, gear, phase == Phase::Driving);
        let (features, allowed) = (controller.features(settings), controller.mask(settings));
        let asked = if due { case.decider().decide(&features).unwrap() } else { Request::Hold };
        let policy = if allowed[asked as usize] { asked } else { Request::Hold };
        seen.note(case, frame, &controller, [due, allowed[Request::Up as usize]], policy);
        let before = control.needless();
        let request = if due { control.decide(laps, &features, asked, allowed) } else { Request::Hold };
        seen.needless += u32::from(control.needless() > before);
        seen.held_back += u32::from(policy == Request::Up && request == Request::Hold);
        seen.early += u32::from(policy == Request::Hold && request == Request::Up);
        seen.answer(request, &control);
        let command = controller.act(settings, request, due);
        if recorder.header_due() {
            again.extend(header.encode());
        }
        recorder.policy = frame.policy;
        recorder.lap = control.position_mm().wrapping_add(64 * u16::from(control.needless())) as u8;
        let expected = recorder.frame(&controller, &frame.raw, request, due, &command);
        assert_eq!(*frame, expected, "{target}, tick {tick}");
        again.extend(expected.encode());
    }
    assert_eq!(again, bytes, "{target}: the same bytes");
    let Seen { laps, held_back, early, needless, .. } = seen;
    println!("{target}: {laps} laps, {held_back} held back, {early} early, {needless} needless");
    seen
}

/// Laps of the toy vehicle through the system's compiler.
fn on_the_host(case: &Case, laps: &LapSettings) -> Seen {
    let flags = [&["-std=c99", "-O2", "-Wno-unused-function", "-DDRILL_LAPS"][..], &STRICT].concat();
    replays(case, laps, "cc", &record(case, TICKS, "cc", &flags, "host.c", &[]), TICKS)
}

#[test]
fn memories_on_emulated_machines_decide_as_the_host_over_whole_laps() {
    for (case, laps) in cases() {
        if there("cc") {
            let seen = on_the_host(&case, &laps);
            in_other_languages(&case, &seen);
            assert!(seen.laps > 5, "{} laps", seen.laps);
            let Seen { held_back, early, needless, .. } = seen;
            assert!(held_back > 5 && early > 0 && needless > 0, "{held_back}, {early}, {needless}");
        }
        if there("arm-none-eabi-gcc") && there("qemu-system-arm") {
            let flags = "-std=gnu99 -Os -mthumb -mcpu=cortex-m0 -nostartfiles -T arm.ld -DDRILL_LAPS";
            let flags: Vec<&str> = flags.split(' ').collect();
            let board = "300 qemu-system-arm -M mps2-an385 -nographic -monitor none -serial file:serial.bin \
                         -semihosting-config enable=on,target=native -kernel record.elf";
            let board: Vec<&str> = board.split_whitespace().collect();
            record(&case, TICKS, "arm-none-eabi-gcc", &flags, "arm.c", &board);
            let bytes = fs::read(case.folder.path().join("serial.bin")).unwrap();
            replays(&case, &laps, "cortex-m0", &bytes, TICKS);
        }
        if there("avr-gcc") && there("simavr") {
            let flags = ["-std=gnu99", "-Os", "-mmcu=atmega328p", "-DDRILL_LAPS"];
            let board = ["300", "simavr", "-m", "atmega328p", "-f", "16000000", "record.elf"];
            let bytes = record(&case, SLOW_TICKS, "avr-gcc", &flags, "avr.c", &board);
            replays(&case, &laps, "avr", &bytes, SLOW_TICKS);
        }
    }
}

/// The same readings in a small Python and in the Rust module: the same answers.
fn in_other_languages(case: &Case, seen: &Seen) {
    let folder = case.folder.path();
    fs::write(folder.join("readings.csv"), &seen.readings).unwrap();
    if there("micropython") {
        assert!(run("micropython", &["laps.py", "readings.csv"], folder) == seen.lines, "micropython");
    }
    run("rustc", &["--edition", "2021", "-O", "-D", "warnings", "-A", "dead_code", "laps.rs"], folder);
    assert!(run(&case.path("laps"), &["readings.csv"], folder) == seen.lines, "rust");
}

#[test]
fn the_specification_of_a_memory_is_enough_to_write_it_again() {
    if !(there("python3") && there("cc")) {
        return;
    }
    for (case, laps) in cases() {
        fs::write(case.path("laps.csv"), on_the_host(&case, &laps).documented).unwrap();
        let said =
            || run("python3", &["laps_by_document.py", "lowgear_laps.md", "laps.csv"], case.folder.path());
        assert_eq!(said(), "4096 ticks, 0 wrong\n");
        let page = fs::read_to_string(case.path("lowgear_laps.md")).unwrap();
        let other = page.replace("max(m - 1, 0)", "0");
        assert_ne!(page, other);
        fs::write(case.path("lowgear_laps.md"), other).unwrap();
        assert!(!said().ends_with(" 0 wrong\n"), "a changed definition shows");
    }
}

#[test]
fn the_self_test_of_a_memory_passes_and_finds_a_changed_rule() {
    if !there("cc") {
        return;
    }
    let case = Case::usual();
    add_memory(&case, &settings("demo-cart.toml"));
    let answer = || {
        let flags = [&["-std=c99", "-Wno-unused-function"][..], &STRICT].concat();
        compile(&case, "cc", &flags, 1, "laps_self_test.c", "self_test");
        run(&case.path("self_test"), &[], case.folder.path())
    };
    assert_eq!(answer(), "1\n");
    let header = fs::read_to_string(case.path("lowgear_laps.h")).unwrap();
    for (name, value, other) in [
        ("LOOK_MM", "400u", "200u"),
        ("EARLY", "500u", "950u"),
        ("MOST_MARK", "3u", "1u"),
        ("HEAVY", "450u", "250u"),
        ("MOST_NEEDLESS", "2u", "1u"),
    ] {
        let line = |value: &str| format!("#define LOWGEAR_LAPS_{name} {value}");
        let changed = header.replace(&line(value), &line(other));
        assert_ne!(header, changed, "{name}");
        fs::write(case.path("lowgear_laps.h"), changed).unwrap();
        assert_eq!(answer(), "0\n", "{name}");
    }
}

#[test]
fn a_memory_of_the_way_is_small_and_needs_no_division() {
    let (case, laps) = (Case::usual(), settings("demo-cart.toml"));
    add_memory(&case, &laps);
    for (target, tools, machine) in [
        (Target::CortexM0, "arm-none-eabi-", &["-mcpu=cortex-m0", "-mthumb"][..]),
        (Target::Avr, "avr-", &["-mmcu=atmega328p"]),
    ] {
        if !there(&format!("{tools}gcc")) {
            continue;
        }
        let flags = [machine, &["-std=c99", "-Os", "-c"]].concat();
        compile(&case, &format!("{tools}gcc"), &flags, 1, "laps_size.c", "size.o");
        let listing = run(&format!("{tools}nm"), &["size.o"], case.folder.path());
        assert!(!listing.contains("div") && !listing.contains("mod"), "{listing}");
        let cost =
            |laps| target.cost_with(case.decider(), &case.settings, laps).expect("compiled and counted");
        let (with, without) = (cost(Some(&laps)), cost(None));
        println!("{}\n{}", with.sentence(), without.sentence());
        let (flash, ram) = (with.flash_bytes - without.flash_bytes, with.state_bytes - without.state_bytes);
        println!("the memory of the way: {flash} bytes of program memory, {ram} bytes of state");
        assert!(flash <= 2400 && ram <= 120, "{flash} and {ram} bytes");
        let most = if target == Target::Avr { 4000 } else { 800 };
        assert!(with.decision_most <= without.decision_most + most, "{}", with.sentence());
    }
}
