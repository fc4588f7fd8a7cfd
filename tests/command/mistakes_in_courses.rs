//! Course files with a mistake: the message names file, line, key and what is allowed.

use crate::sandbox::Sandbox;

#[track_caller]
fn refused(line: &str, by: &str, words: &[&str]) {
    let place = Sandbox::new();
    let number = place.edit("course.toml", line, by);
    let number = format!("line {number}:");
    let expected = [&["course.toml", &number], words].concat();
    place.run(&["check", "course.toml"]).refused(2, &expected);
    place.run(&["drive", "tiny.toml", "--out", "out"]).refused(2, &expected);
    assert!(!place.path("out").exists(), "nothing was written");
}

#[test]
fn an_empty_course() {
    let place = Sandbox::new();
    place.write(
        "course.toml",
        "name = \"nothing\"\n\n[[surfaces]]\nname = \"path\"\nrolling = 0.03\nfriction = 0.8\n",
    );
    for arguments in [&["check", "course.toml"][..], &["study", "tiny.toml", "--out", "run"]] {
        place.run(arguments).refused(2, &["course.toml", "[random]", "[[sections]]", "profile", "empty"]);
    }
    assert!(!place.path("run").exists(), "nothing was written");
}

#[test]
fn no_surfaces() {
    let place = Sandbox::new();
    place.write("course.toml", "name = \"nothing\"\nsurfaces = []\n");
    place.run(&["check", "course.toml"]).refused(2, &["course.toml", "line 2", "surfaces"]);
}

#[test]
fn a_length_that_is_not_a_number() {
    refused("length-m = 8.0", "length-m = nan", &["random.length-m", "NaN", "1 to 1000 m"]);
}

#[test]
fn a_rolling_resistance_out_of_range() {
    refused("rolling = 0.032", "rolling = 3.2", &["surfaces[0].rolling", "3.2", "0 to 1"]);
}

#[test]
fn an_unknown_key() {
    refused("rolling = 0.032", "roling = 0.032", &["`roling`", "`rolling`"]);
}

#[test]
fn an_obstacle_on_an_unknown_surface() {
    let place = Sandbox::new();
    place.edit("course.toml", "on = [", "on = [\"ice\"]");
    place.run(&["check", "course.toml"]).refused(2, &["course.toml", "random.obstacles", "ice"]);
}
