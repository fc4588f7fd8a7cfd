//! Files with keys left out: all that are missing are reported at once, and few are needed.

use crate::sandbox::Sandbox;

/// Writes a file and checks the message about it.
#[track_caller]
fn missing(name: &str, text: &str, words: &[&str]) {
    let place = Sandbox::new();
    place.write(name, text);
    place.run(&["check", name]).refused(2, &[&[name, "keys are missing"], words].concat());
}

#[test]
fn every_missing_key_of_a_vehicle_is_told_with_its_section() {
    let place = Sandbox::new();
    for key in ["mass-kg", "cg-height-m", "rotor-inertia-kg-m2", "behind-front-m = 0.20", "stall-torque-nm"] {
        place.edit("vehicle.toml", key, "");
    }
    let text = place.read("vehicle.toml");
    let (before, rest) = text.split_once("[gearbox]").unwrap();
    let cut = format!("{before}{}", &rest[rest.find("[selector]").unwrap()..]);
    let line = |header: &str| cut.lines().position(|line| line == header).unwrap() + 1;
    missing(
        "v.toml",
        &cut,
        &[
            &format!("[chassis] (line {}): `mass-kg`, `cg-height-m`", line("[chassis]")),
            "[chassis.axles[1]]",
            "`behind-front-m`",
            "[gearbox]: `total-ratio`, `efficiency`, `back-efficiency`, `stiffness-nm-rad`",
            &format!("[motor] (line {}): `rotor-inertia-kg-m2`", line("[motor]")),
            &format!("[motor.line.data-sheet] (line {}): `stall-torque-nm`", line("[motor.line.data-sheet]")),
        ],
    );
}

#[test]
fn so_is_every_missing_key_of_the_other_kinds() {
    missing("s.toml", "seed = 1\ntraining-seeds = 2\n", &["top of the file: `name`, `vehicle`, `course`"]);
    missing("c.toml", "[[surfaces]]\nname = \"path\"\n", &["`name`", "[surfaces[0]] (line 1): `rolling`"]);
    missing(
        "w.toml",
        "effort = 1.0\n[[axes]]\nkey = \"seed\"\n",
        &["`name`, `study`", "[axes[0]]", "`label`"],
    );
    missing("h.toml", "teeth = []\nmass-kg = 1.0\n", &["`name`", "`wheel-diameter-m`", "`pulses-per-turn`"]);
    missing("m.toml", "[columns]\ntime = { unit = \"s\" }\n", &["[columns.time]", "`column`"]);
}

#[test]
fn an_unknown_key_is_told_together_with_what_is_missing() {
    let place = Sandbox::new();
    place.edit("vehicle.toml", "mass-kg", "mas-kg = 5.0");
    place.edit("vehicle.toml", "capacity-ah", "");
    place
        .run(&["check", "vehicle.toml"])
        .refused(2, &["`mas-kg`", "missing, too", "`mass-kg`", "`capacity-ah`"]);
}

#[test]
fn a_study_of_name_vehicle_and_course_passes_and_runs() {
    let place = Sandbox::new();
    place.write("short.toml", "name = \"short\"\nvehicle = \"vehicle.toml\"\ncourse = \"course.toml\"\n");
    place.run(&["check", "short.toml"]).done();
    let whole = place.run(&["check", "short.toml", "--resolved"]).done().out;
    for words in [
        "seed = 2026\n",
        "up-permille = [850, 850]\n",
        "[learners.contextual.budget]",
        "prefix = \"lowgear\"\n",
    ] {
        assert!(whole.contains(words), "no {words:?} in:\n{whole}");
    }
    place.write("whole.toml", &whole);
    assert_eq!(place.run(&["check", "whole.toml", "--resolved"]).done().out, whole);
    place.run(&["study", "short.toml", "--quick", "--out", "run"]).done();
    assert!(place.path("run/report.html").exists());
}

#[test]
fn a_vehicle_needs_nothing_that_its_owner_cannot_know() {
    let place = Sandbox::new();
    let text = place.read("vehicle.toml");
    let mut kept = String::new();
    let mut section = "";
    for line in text.lines() {
        section = if line.starts_with('[') { line } else { section };
        let unknown = ["[motor.heat]", "[dogs]", "[controller]", "[guard]", "[variation]"].contains(&section)
            || [
                "settling-s",
                "window-deg",
                "arrival-",
                "interrupted-",
                "free-chance",
                "knee-cycles",
                "slope",
                "miner",
            ]
            .iter()
            .any(|key| line.starts_with(key));
        if !unknown {
            kept += &format!("{line}\n");
        }
    }
    place.write("vehicle.toml", kept);
    let out = place.run(&["check", "vehicle.toml", "--resolved"]).done().out;
    // 7.2 V times 0.5 A over 1.2 K/s.
    for words in ["winding-j-k = 3.0\n", "[dogs]\n", "window-deg = 7.0\n", "slope = 6.0\n"] {
        assert!(out.contains(words), "no {words:?} in:\n{out}");
    }
}
