//! Names and paths with characters that move the cursor, break the line or turn the direction of writing.

use crate::sandbox::Sandbox;
use crate::study::reference;
use serde_json::Value;
use std::fs;

/// As TOML and JSON write them, and as the message shows them.
const MARKS: [(&str, &str); 4] =
    [("\\u001b[2J", "\\u{1b}[2J"), ("\\n", "\\n"), ("\\r", "\\r"), ("\\u202e", "\\u{202e}")];

/// No raw mark in what was printed.
#[track_caller]
fn plain(text: &str) {
    assert!(!text.contains(['\u{1b}', '\r', '\u{202e}', '\u{7}']), "{text:?}");
}

#[test]
fn marks_in_names_of_files_are_refused_and_shown_escaped() {
    for (mark, shown) in MARKS {
        for (file, line, key) in [
            ("vehicle.toml", "name", "`name`"),
            ("course.toml", "name", "`name`"),
            ("course.toml", "name = \"gravel\"", "`surfaces[1].name`"),
            ("tiny.toml", "name", "`name`"),
            ("tiny.toml", "vehicle", "`vehicle`"),
        ] {
            let place = Sandbox::new();
            let word = line.split(' ').next().unwrap();
            let number = place.edit(file, line, &format!("{word} = \"odd{mark}one\""));
            let line = format!("line {number}:");
            let ran = place
                .run(&["check", file])
                .refused(2, &[file, &line, key, &format!("odd{shown}one"), "allowed:"]);
            plain(&ran.err);
        }
    }
}

#[test]
fn marks_in_keys_and_values_that_are_wrong_anyway_are_shown_escaped() {
    let place = Sandbox::new();
    place.edit("vehicle.toml", "mass-kg", "\"mass\\u001b[2J\" = 5.0");
    plain(&place.run(&["check", "vehicle.toml"]).refused(2, &["mass\\u{1b}[2J"]).err);
    let place = Sandbox::new();
    place.edit("course.toml", "on = [", "on = [\"ice\\u001b[2J\"]");
    plain(&place.run(&["check", "course.toml"]).refused(2, &["ice\\u{1b}[2J"]).err);
}

#[test]
fn marks_in_a_policy_file_are_refused() {
    for (key, (mark, shown)) in [("name", MARKS[0]), ("vehicle", MARKS[3]), ("name", MARKS[1])] {
        let place = Sandbox::new();
        let text = fs::read_to_string(reference().join("tuned-load-rule/seed-1/policy.json")).unwrap();
        let mut policy: Value = serde_json::from_str(&text).unwrap();
        policy[key] = serde_json::from_str(&format!("\"odd{mark}one\"")).unwrap();
        place.write("policy.json", policy.to_string());
        let words = ["policy.json", key, &format!("odd{shown}one")];
        plain(&place.run(&["drive", "tiny.toml", "--policy", "policy.json"]).refused(2, &words).err);
    }
}

#[test]
fn paths_in_messages_are_escaped_and_forge_no_line() {
    let place = Sandbox::new();
    let ran = place.run(&["check", "a\u{1b}[2Jb\u{202e}.toml"]);
    plain(&ran.refused(3, &["a\\u{1b}[2Jb\\u{202e}.toml"]).err);
    for arguments in [
        &["check", "odd\nerror: forged.toml"][..],
        &["drive", "tiny.toml", "--policy", "odd\nerror: forged/policy.json"],
    ] {
        let err = place.run(arguments).refused(3, &["odd\\nerror: forged"]).err;
        assert!(err.lines().skip(1).all(|line| !line.starts_with("error:")), "{err}");
    }
}

#[test]
fn names_of_studies_that_look_like_options_are_refused() {
    for name in ["-rf", "--help", "-"] {
        let place = Sandbox::new();
        let number = place.edit("tiny.toml", "name =", &format!("name = \"{name}\""));
        let line = format!("line {number}:");
        place.run(&["check", "tiny.toml"]).refused(2, &["tiny.toml", &line, name, "no - at the beginning"]);
    }
}
