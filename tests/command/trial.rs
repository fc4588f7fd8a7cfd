//! `lowgear log` and `lowgear trial`: from the bytes of a recorder to a verdict.

use crate::sandbox::Sandbox;
use lowgear_env::config::load;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_onboard::{Controller, Header, Raw, Recorder, Request};

/// What a recorder writes over pairs of laps of this vehicle: the tested policy (1) saves `saved` of a lap, in an order
/// that swaps from pair to pair. Not a driven vehicle: a controller with readings that lead it through two gears.
pub(crate) fn recording(vehicle: &VehicleConfig, pairs: u32, saved: f64) -> Vec<u8> {
    let settings = vehicle.controller_settings();
    let (mut controller, mut recorder) = (Controller::new(&settings, 0), Recorder::new());
    let header = Header::new(&settings, [[7; 4], [8; 4]]);
    let mut selector_ddeg = i32::from(settings.guard.gear_ddeg[0]);
    let mut bytes = Vec::new();
    let mut tick = |recorder: &mut Recorder, request: Request| {
        let raw = Raw {
            encoder_counts: settings.ranges.max_encoder_counts / 3,
            battery_mv: settings.features.nominal_mv,
            current_ma: 500,
            tilt_ddeg: 10,
            duty_permille: 1000,
            selector_ddeg: selector_ddeg as u16,
            preview: 0,
        };
        let asked = controller.sense(&settings, &raw);
        let request = if asked { request } else { Request::Hold };
        let command = controller.act(&settings, request, asked);
        let goal = i32::from(settings.guard.gear_ddeg[usize::from(command.gear)]);
        selector_ddeg += (goal - selector_ddeg).clamp(-200, 200);
        if recorder.header_due() {
            bytes.extend(header.encode());
        }
        bytes.extend(recorder.frame(&controller, &raw, request, asked, &command).encode());
    };
    for lap in 1..=2 * pairs {
        recorder.policy = u8::from((lap / 2) % 2 == 1);
        // Scatter of about a per cent, the same on every machine.
        let wobble = f64::from((lap * 7919) % 101) / 50.0 - 1.0;
        let shorter = if recorder.policy == 1 { saved } else { 0.0 };
        let ticks = (400.0 * (1.0 - shorter + 0.012 * wobble)) as u32;
        for at in 0..20 + ticks {
            recorder.lap = if at < 20 { 0 } else { lap as u8 };
            let request = if at % 200 < 100 { Request::Up } else { Request::Down };
            tick(&mut recorder, request);
        }
    }
    recorder.lap = 0;
    for _ in 0..20 {
        tick(&mut recorder, Request::Hold);
    }
    bytes
}

/// A folder with a recording of ten pairs.
fn recorded(saved: f64) -> Sandbox {
    let place = Sandbox::new();
    let vehicle: VehicleConfig = load(&place.path("vehicle.toml")).unwrap();
    place.write("drive.bin", recording(&vehicle, 10, saved));
    place
}

#[test]
fn a_recording_becomes_a_log_that_replay_and_trial_read() {
    let place = recorded(0.05);
    let out = place.run(&["log", "drive.bin", "--out", "run.csv"]).done().out;
    assert!(out.contains("drive.bin: ") && out.contains("frames") && !out.contains("missing"), "{out}");
    let log = place.read("run.csv");
    assert!(log.lines().count() > 8000 && log.starts_with("time_s,motor_speed_rad_s,"), "{}", &log[..200]);
    place.run(&["replay", "tiny.toml", "run.csv", "--policy", "hand-rule", "--out", "over"]).done();
    let out = place.run(&["trial", "judge", "run.csv", "--out", "verdict.html"]).done().out;
    for words in
        ["table is faster than rule", "10 pairs", "no statement about safety", "gear changes per lap"]
    {
        assert!(out.contains(words), "no {words:?} in:\n{out}");
    }
    assert!(!out.contains("damage per lap"), "no model, no damage");
    let out = place.run(&["trial", "judge", "run.csv", "--study", "tiny.toml"]).done().out;
    for words in ["damage per lap", "hard engagements per lap", "difference (its interval)"] {
        assert!(out.contains(words), "no {words:?} in:\n{out}");
    }
    let page = place.read("verdict.html");
    assert!(page.contains("<polyline") && page.contains("table is faster than rule"), "{page}");
}

#[test]
fn standard_input_is_read_and_damage_is_reported() {
    use std::io::Write as _;
    use std::process::{Command, Stdio};
    let place = recorded(0.05);
    let mut bytes = std::fs::read(place.path("drive.bin")).unwrap();
    for at in [5000, 20_000, 20_001, 90_000] {
        bytes[at] ^= 0x55;
    }
    bytes.drain(60_000..63_000);
    let mut command = Command::new(env!("CARGO_BIN_EXE_lowgear-under-test"));
    command.args(["log", "-", "--out", "run.csv"]).current_dir(place.path(""));
    let mut child =
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(&bytes).unwrap();
    let output = child.wait_with_output().unwrap();
    let out = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{out}{}", String::from_utf8_lossy(&output.stderr));
    assert!(out.contains("damaged pieces") && out.contains("ticks are missing in"), "{out}");
    // Every row that is there is a row of the undamaged recording.
    let damaged = place.read("run.csv");
    place.run(&["log", "drive.bin", "--out", "whole.csv"]).done();
    let whole = place.read("whole.csv");
    let whole: std::collections::HashSet<&str> = whole.lines().collect();
    assert!(damaged.lines().count() > 8000 && damaged.lines().all(|row| whole.contains(row)));
}

#[test]
fn what_is_no_recording_is_refused_and_leaves_no_log() {
    let place = recorded(0.05);
    place.write("noise.bin", [1, 2, 3, 0].repeat(500));
    place.run(&["log", "noise.bin", "--out", "run.csv"]).refused(2, &["noise.bin", "no frame", "hint:"]);
    place.run(&["log", "absent.bin", "--out", "run.csv"]).refused(3, &["absent.bin", "hint:"]);
    place.run(&["log", "drive.bin", "--out", "drive.bin"]).refused(3, &["drive.bin", "an input"]);
    // Without its headers.
    let bytes = std::fs::read(place.path("drive.bin")).unwrap();
    let frames = bytes.split_inclusive(|byte| *byte == 0).filter(|frame| frame.len() == 24);
    place.write("bare.bin", frames.flatten().copied().collect::<Vec<u8>>());
    place.run(&["log", "bare.bin", "--out", "run.csv"]).refused(2, &["bare.bin", "--vehicle"]);
    assert!(!place.names().iter().any(|name| name.starts_with("run.csv")), "{:?}", place.names());
    place.run(&["log", "bare.bin", "--vehicle", "vehicle.toml", "--out", "run.csv"]).done();
    place.run(&["log", "drive.bin", "--out", "whole.csv"]).done();
    assert_eq!(place.read("run.csv"), place.read("whole.csv"));
}

#[test]
fn a_plan_names_every_lap_and_is_the_same_for_the_same_seed() {
    let place = Sandbox::new();
    let plan = ["trial", "plan", "--gain", "4", "--scatter", "3"];
    let out = place.run(&plan).done().out;
    for words in [
        "pair   1: lap   1",
        "change the battery",
        "Stop for:",
        "no statement about safety",
        "at most 1 % slower",
    ] {
        assert!(out.contains(words), "no {words:?} in:\n{out}");
    }
    assert_eq!(place.run(&plan).done().out, out);
    let other = place.run(&[&plan[..], &["--seed", "2"]].concat()).done().out;
    assert_ne!(other, out);
    place.run(&[&plan[..], &["--pairs", "6", "--policies", "old,new", "--out", "plan.html"]].concat()).done();
    let page = place.read("plan.html");
    assert!(page.contains("old") && page.contains("12: ") && !page.contains("13: "), "{page}");
    for (option, value, word) in [
        ("--scatter", "0", "0.01"),
        ("--gain", "nan", "-90"),
        ("--pairs", "200", "127"),
        ("--confidence", "20", "50"),
    ] {
        let mut wrong = plan.to_vec();
        wrong.extend([option, value]);
        let ran = place.run(&wrong);
        assert_eq!(ran.code, Some(2), "{ran:?}");
        assert!(ran.err.contains(word) || ran.err.contains("cannot be used multiple times"), "{}", ran.err);
    }
    place
        .run(&[&plan[..], &["--policies", "same,same"]].concat())
        .refused(2, &["--policies", "two different names"]);
}

/// Rows of a log whose laps are events, with a distance.
fn walked(laps: &[(&str, f64)]) -> String {
    let mut text = String::from("time_s,motor_speed_rad_s,duty,gear,distance_m,event\n");
    let mut time_s = 0.0;
    for (number, (policy, lap_s)) in laps.iter().enumerate() {
        let rows = (lap_s / 0.05).round() as u32;
        for row in 0..rows + 10 {
            let event = match row {
                5 => format!("lap {} {policy}", number + 1),
                r if r == rows + 5 => "end".to_owned(),
                _ => String::new(),
            };
            let along = 40.0 * (f64::from(row) - 5.0) / f64::from(rows);
            text += &format!("{time_s:.2},100,1,{},{along:.4},{event}\n", 1 + row / 40 % 2);
            time_s += 0.05;
        }
    }
    text
}

#[test]
fn laps_are_found_by_events_and_by_landmarks_alike() {
    let place = Sandbox::new();
    let mut laps = Vec::new();
    for pair in 0..8 {
        let (rule, table) = (20.0 + 0.1 * f64::from(pair % 3), 21.0 + 0.1 * f64::from(pair % 2));
        laps.extend(if pair % 2 == 0 {
            [("rule", rule), ("table", table)]
        } else {
            [("table", table), ("rule", rule)]
        });
    }
    place.write("laps.csv", walked(&laps));
    let by_events = place.run(&["trial", "judge", "laps.csv"]).done().out;
    assert!(by_events.contains("table is slower than rule") && by_events.contains("8 pairs"), "{by_events}");
    let by_landmarks = place.run(&["trial", "judge", "laps.csv", "--landmarks", "1,39"]).done().out;
    assert!(by_landmarks.contains("table is slower than rule"), "{by_landmarks}");
    let left_out = place.run(&["trial", "judge", "laps.csv", "--leave-out", "3"]).done().out;
    assert!(left_out.contains("7 pairs") && left_out.contains("lap 3: left out"), "{left_out}");
    place
        .run(&["trial", "judge", "laps.csv", "--landmarks", "9,1"])
        .refused(2, &["--landmarks", "END above START"]);
    // A log of other things has no laps.
    place.write("free.csv", super::field::logged());
    place.run(&["trial", "judge", "free.csv"]).refused(2, &["no laps", "hint:", "--landmarks"]);
}

#[test]
fn a_lap_that_was_not_finished_is_named_with_its_policy() {
    let place = Sandbox::new();
    let laps =
        [("rule", 20.0), ("table", 19.0), ("table", 19.1), ("rule", 20.2), ("rule", 20.1), ("table", 19.3)];
    let text = walked(&laps);
    let cut = text.lines().count() - 60;
    place.write("laps.csv", text.lines().take(cut).collect::<Vec<_>>().join("\n") + "\n");
    let out = place.run(&["trial", "judge", "laps.csv"]).done().out;
    for words in [
        "2 pairs",
        "Laps begun and not finished: 0 by rule, 1 by table",
        "lap 6: not finished",
        "too few pairs",
    ] {
        assert!(out.contains(words), "no {words:?} in:\n{out}");
    }
}
