//! Vehicle files with a mistake: the message names file, line, key and what is allowed.

use crate::sandbox::Sandbox;

/// Replaces one line of the vehicle and checks the message, which names the line of that mistake.
#[track_caller]
fn refused(line: &str, by: &str, words: &[&str]) {
    let place = Sandbox::new();
    let number = place.edit("vehicle.toml", line, by);
    let number = format!("line {number}:");
    let expected = [&["vehicle.toml", &number], words].concat();
    place.run(&["check", "vehicle.toml"]).refused(2, &expected);
    // The same words when the file is read for a study.
    place.run(&["study", "tiny.toml", "--out", "run"]).refused(2, &expected);
    assert!(!place.path("run").exists(), "nothing was written");
}

#[test]
fn a_negative_mass() {
    refused("mass-kg", "mass-kg = -1.0", &["chassis.mass-kg", "-1 kg", "0.1 to 200 kg"]);
}

#[test]
fn a_mass_that_is_not_a_number() {
    refused("mass-kg", "mass-kg = nan", &["chassis.mass-kg", "NaN", "0.1 to 200 kg"]);
    refused("mass-kg", "mass-kg = inf", &["chassis.mass-kg", "inf", "0.1 to 200 kg"]);
}

#[test]
fn a_mass_in_words() {
    refused("mass-kg", "mass-kg = \"five\"", &["mass-kg", "\"five\"", "a number"]);
}

#[test]
fn an_unknown_key() {
    refused("mass-kg", "mas-kg = 5.0", &["`mas-kg`", "`mass-kg`", "`wheel-radius-m`"]);
}

#[test]
fn no_gears() {
    refused("total-ratio", "total-ratio = []", &["gearbox.total-ratio", "0 gears", "1 to 6"]);
}

#[test]
fn too_many_gears() {
    refused(
        "total-ratio",
        "total-ratio = [9, 8, 7, 6, 5, 4, 3]",
        &["gearbox.total-ratio", "7 gears", "1 to 6"],
    );
}

#[test]
fn ratios_that_rise() {
    refused(
        "total-ratio",
        "total-ratio = [58.0, 132.0, 500.0]",
        &["gearbox.total-ratio[1]", "132", "falling"],
    );
}

#[test]
fn an_efficiency_too_few() {
    refused(
        "efficiency",
        "efficiency = [0.5, 0.5]",
        &["gearbox.efficiency", "2 values", "3 values, one per gear"],
    );
}

#[test]
fn a_line_that_is_not_toml() {
    refused("mass-kg", "mass-kg == 5.0", &["mass-kg"]);
}

#[test]
fn a_gear_count_in_the_selector_that_does_not_fit() {
    let place = Sandbox::new();
    place.edit("vehicle.toml", "order =", "order = [\"park\", \"1\", \"2\"]");
    place.run(&["check", "vehicle.toml"]).refused(2, &["vehicle.toml, line", "selector.", "3 positions"]);
    place.edit("vehicle.toml", "angle-deg", "angle-deg = [0.0, 70.0, 140.0]");
    place.run(&["check", "vehicle.toml"]).refused(2, &["vehicle.toml, line", "selector.order"]);
}

#[test]
fn a_missing_key() {
    let place = Sandbox::new();
    place.edit("vehicle.toml", "mass-kg", "");
    place.run(&["check", "vehicle.toml"]).refused(2, &["vehicle.toml", "line", "mass-kg"]);
}

#[test]
fn an_empty_file_and_a_file_that_is_no_text() {
    let place = Sandbox::new();
    place.write("vehicle.toml", "");
    place.run(&["check", "tiny.toml"]).refused(2, &["vehicle.toml", "keys are missing", "`mass-kg`"]);
    place.write("vehicle.toml", [0xff, 0xfe, 0x00, 0x80]);
    place.run(&["check", "tiny.toml"]).refused(3, &["vehicle.toml"]);
}

#[test]
fn a_position_twice_round_the_drum() {
    for order in ["[\"park\", \"1\", \"2\", \"3\", \"3\"]", "[\"park\", \"1\", \"park\", \"2\", \"3\"]"] {
        let place = Sandbox::new();
        place.edit("vehicle.toml", "angle-deg", "angle-deg = [0.0, 70.0, 140.0, 210.0, 280.0]");
        let line = place.edit("vehicle.toml", "order =", &format!("order = {order}"));
        place
            .run(&["check", "vehicle.toml"])
            .refused(2, &[&format!("line {line}:"), "selector.order", "at most one"]);
    }
}

#[test]
fn any_order_of_positions_with_or_without_park() {
    for (order, angles) in [
        ("[\"1\", \"2\", \"3\"]", "[0.0, 70.0, 140.0]"),
        ("[\"2\", \"park\", \"3\", \"1\"]", "[5.0, 90.0, 180.0, 350.0]"),
        ("[\"3\", \"2\", \"1\", \"park\"]", "[0.0, 60.0, 120.0, 300.0]"),
    ] {
        let place = Sandbox::new();
        place.edit("vehicle.toml", "angle-deg", &format!("angle-deg = {angles}"));
        place.edit("vehicle.toml", "order =", &format!("order = {order}"));
        assert!(place.run(&["check", "vehicle.toml"]).done().out.contains(": OK ("));
    }
}

#[test]
fn a_log_normal_that_reaches_too_far() {
    refused(
        "rolling-factor",
        "rolling-factor = { log-normal = { median = 1.0, log-sd = 0.8 } }",
        &["variation.rolling-factor", "0.2 to 5"],
    );
}

/// A motor that gives more than it takes: 7 % is no rounding.
#[test]
fn a_motor_whose_stall_torque_contradicts_its_no_load_speed() {
    let words = [
        "motor.line.data-sheet.stall-torque-nm",
        "contradicts no-load-speed-rad-s = 690",
        "4.321e-3 N·m",
        "641.5 for no-load-speed-rad-s",
    ];
    refused("stall-torque-nm", "stall-torque-nm = 4.647e-3", &words);
    // Half of the work lost in the iron is no motor either.
    refused("stall-torque-nm", "stall-torque-nm = 2.0e-3", &["stall-torque-nm", "lost in the iron"]);
}

#[test]
fn a_torque_constant_above_the_back_emf_constant() {
    let place = Sandbox::new();
    let text = place.read("vehicle.toml");
    let sheet = text.find("[motor.line.data-sheet]").unwrap();
    let end = sheet + text[sheet..].find("[motor.heat]").unwrap();
    let line = |torque: &str| {
        format!(
            "[motor.line.constants]\ntorque-constant-nm-a = {torque}\nemf-constant-v-s = 0.0095\nresistance-ohm = 14.4\n\
             no-load-current-a = 0.045\n"
        )
    };
    for (torque, fits) in [("0.0095", true), ("0.00959", true), ("0.02", false)] {
        place.write("other.toml", [&text[..sheet], &line(torque), &text[end..]].concat());
        let checked = place.run(&["check", "other.toml"]);
        if fits {
            checked.done();
        } else {
            let words = ["torque-constant-nm-a", "0.02, above emf-constant-v-s = 0.0095", "up to 0.0095"];
            checked.refused(2, &words);
        }
    }
}
