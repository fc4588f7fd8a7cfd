//! Values beyond where the physics ends: refused with key and range, whatever file they stand in.

use crate::sandbox::{Sandbox, repository};
use std::fs;

/// File, line that is replaced, by what, and words of the message.
type Absurd = (&'static str, &'static str, &'static str, &'static [&'static str]);

const SPREAD: &[&str] = &["mass-factor", "sd 0 to 10 (high - low)"];
const NAME: &[&str] = &["name", "1 to 200 characters"];
const RATE: &[&str] = &["dqn.settings.learning-rate", "0 to 1"];
const LEAST_SHARE: &[&str] = &["chassis.cg-behind-front-m", "2 % of the weight"];

const ABSURD: &[Absurd] = &[
    (
        "vehicle.toml",
        "mass-factor",
        "mass-factor = { normal = { mean = 1.0, sd = inf, low = 0.9, high = 1.1 } }",
        SPREAD,
    ),
    (
        "vehicle.toml",
        "mass-factor",
        "mass-factor = { normal = { mean = 1.0, sd = 1e308, low = 0.9, high = 1.1 } }",
        SPREAD,
    ),
    (
        "vehicle.toml",
        "stiffness-nm-rad",
        "stiffness-nm-rad = 1e6",
        &["gearbox.stiffness-nm-rad", "0.01 to 800"],
    ),
    (
        "vehicle.toml",
        "knee-torque-nm",
        "knee-torque-nm = 1e-4",
        &["stress.knee-torque-nm", "0.01 to 100000 N·m"],
    ),
    ("vehicle.toml", "cg-behind-front-m", "cg-behind-front-m = 0.2", LEAST_SHARE),
    ("vehicle.toml", "cg-behind-front-m", "cg-behind-front-m = 0.0", LEAST_SHARE),
    (
        "vehicle.toml",
        "cg-behind-front-m",
        "cg-behind-front-m = 0.3",
        &["chassis.cg-behind-front-m", "0 to 0.2 m"],
    ),
    (
        "vehicle.toml",
        "total-ratio",
        "total-ratio = [500.0, 132.0, 132.0]",
        &["gearbox.total-ratio[2]", "132", "falling"],
    ),
    ("vehicle.toml", "name", "name = \"\"", NAME),
    ("course.toml", "name", "name = \" \"", NAME),
    ("course.toml", "name = \"gravel\"", "name = \"\"", &["surfaces[1].name", "1 to 200"]),
    (
        "tiny.toml",
        "up-permille",
        "up-permille = [850, 0]",
        &["rule.up-permille[1]", "0", "400 permille (down-permille[1]) or more"],
    ),
    ("tiny.toml", "warm-up", "reward-scale = 9e18", &["dqn.settings.reward-scale", "1000000"]),
    ("tiny.toml", "warm-up", "learning-rate = { from = 9e18, to = 1e-4, begin = 0, over = 9 }", RATE),
    ("tiny.toml", "warm-up", "learning-rate = { from = 1e-4, to = 9e18, begin = 0, over = 9 }", RATE),
    (
        "tiny.toml",
        "gru-size",
        "entropy-weight = { from = 9e18, to = 0.0, begin = 0, over = 9 }",
        &["ppo.settings.entropy-weight", "0 to 10"],
    ),
    (
        "tiny.toml",
        "gru-size",
        "learning-rate = { from = 9e18, to = 0.0, begin = 0, over = 9 }",
        &["ppo.settings.learning-rate", "0 to 1"],
    ),
];

#[test]
fn values_beyond_the_physics_are_refused() {
    for (file, line, by, words) in ABSURD {
        let place = Sandbox::new();
        let number = place.edit(file, line, by);
        let number = format!("line {number}:");
        let expected = [&[*file, number.as_str()], *words].concat();
        place.run(&["check", file]).refused(2, &expected);
    }
}

#[test]
fn a_list_in_place_of_a_table_is_refused() {
    for (file, text, key) in [
        ("vehicle.toml", "guard = []\n", "guard"),
        ("vehicle.toml", "controller = [0.05]\n", "controller"),
        ("tiny.toml", "quick = [2, 8]\n", "quick"),
    ] {
        let place = Sandbox::new();
        let text = text.to_owned() + &without_table(&place.read(file), key);
        place.write(file, text);
        let words = [file, "line 1:", &format!("`{key}` is a list"), &format!("a table [{key}]")];
        place.run(&["check", file]).refused(2, &words);
    }
}

/// The text of a file without one of its tables.
fn without_table(text: &str, table: &str) -> String {
    let mut inside = false;
    let keep = text.lines().filter(|line| {
        inside = if line.starts_with('[') { *line == format!("[{table}]") } else { inside };
        !inside
    });
    keep.collect::<Vec<_>>().join("\n") + "\n"
}

#[test]
fn a_curve_of_a_battery_with_more_points_than_anybody_measures_is_refused() {
    let place = Sandbox::new();
    let points = |count: usize| format!("ocv-v = [{}]", vec!["7.2"; count].join(", "));
    let number = place.edit("vehicle.toml", "ocv-v", &points(1001));
    let line = format!("line {number}:");
    place.run(&["check", "vehicle.toml"]).refused(2, &[&line, "battery.ocv-v", "1001 points", "2 to 1000"]);
    place.edit("vehicle.toml", "ocv-v", &points(1000));
    place.run(&["check", "vehicle.toml"]).done();
}

#[test]
fn a_profile_of_no_length_or_without_end_or_far_away_is_refused() {
    for (rows, line, words) in [
        ("0,0,path\n1e-9,0,path\n", 3, ["0.000000001 m long", "0.5 to 10000 m"]),
        ("0,0,path\n1e5,0,path\n", 3, ["100000 m long", "0.5 to 10000 m"]),
        ("0,0,path\n1e9,0,path\n", 3, ["distance_m", "-1000000 to 1000000 m"]),
        ("1e300,0,path\n1e301,0,path\n", 2, ["distance_m", "-1000000 to 1000000 m"]),
        ("0,-1e300,path\n5,0,path\n", 2, ["elevation_m", "-1000000 to 1000000 m"]),
    ] {
        let place = Sandbox::new();
        fs::copy(repository().join("tests/data/measured-course.toml"), place.path("course.toml")).unwrap();
        place.write("profile.csv", format!("distance_m,elevation_m,surface\n{rows}"));
        let line = format!("line {line}:");
        let words = [&["profile.csv", line.as_str()][..], &words].concat();
        place.run(&["check", "course.toml"]).refused(2, &words);
    }
}
