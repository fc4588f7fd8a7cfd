//! Names and paths with characters that move the cursor, break the line or turn the direction of writing.

use crate::sandbox::{Sandbox, files_below};
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
fn paths_in_results_are_escaped_and_forge_no_line() {
    let place = Sandbox::new();
    let odd = "odd\u{1b}[2J\u{202e}\npicture: forged";
    fs::create_dir(place.path(odd)).unwrap();
    fs::copy(place.path("course.toml"), place.path(odd).join("course.toml")).unwrap();
    place.write("log.csv", super::field::logged());
    let below = |name: &str| format!("{odd}/{name}");
    for arguments in [
        &["check", &below("course.toml")][..],
        &["draw", "course.toml", "--out", &below("course.svg")],
        &["drive", "tiny.toml", "--out", odd],
        &["recipes", "vehicle.toml", "--out", &below("sheet.html")],
        &["fit", "vehicle.toml", "log.csv", "--out", &below("own.toml")],
        &["replay", "tiny.toml", "log.csv", "--policy", "hand-rule", "--out", odd],
    ] {
        let out = place.run(arguments).done().out;
        plain(&out);
        assert!(out.contains("odd\\u{1b}[2J\\u{202e}\\npicture: forged"), "{arguments:?}: {out}");
        assert!(!out.contains("\npicture: forged"), "{arguments:?}: {out}");
    }
}

#[test]
fn what_was_typed_wrongly_is_shown_escaped() {
    let place = Sandbox::new();
    let err = place
        .run(&["frob\u{1b}[2J\u{202e}\nerror: forged"])
        .refused(2, &["frob\\u{1b}[2J\\u{202e}\\nerror"])
        .err;
    plain(&err);
    assert!(!err.contains("\nerror:"), "{err}");
}

#[test]
fn progress_shows_paths_escaped() {
    let place = Sandbox::new();
    let odd = "odd\u{1b}[2J\nerror: forged";
    for file in files_below(reference()) {
        let to = place.path(odd).join(&file);
        fs::create_dir_all(to.parent().unwrap()).unwrap();
        fs::copy(reference().join(&file), to).unwrap();
    }
    // Interrupted in this job, with the newest checkpoint damaged since: a warning names the file.
    let job = place.path(odd).join("contextual/seed-1");
    fs::copy(job.join("checkpoint.bin"), job.join("checkpoint.bin.previous")).unwrap();
    fs::write(job.join("checkpoint.bin"), "damaged").unwrap();
    fs::remove_file(job.join("job.json")).unwrap();
    fs::remove_file(place.path(odd).join("summary.json")).unwrap();
    let ran = place.run(&["study", "tiny.toml", "--out", odd, "--resume"]).done();
    for word in ["odd\\u{1b}[2J\\nerror: forged/contextual", "going on from the checkpoint before it"] {
        assert!(ran.err.contains(word), "no {word:?} in:\n{}", ran.err);
    }
    plain(&ran.err);
    plain(&ran.out);
    assert!(ran.err.lines().chain(ran.out.lines()).all(|line| !line.starts_with("error:")), "{ran:?}");
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
