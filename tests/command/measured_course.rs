//! A measured course: a profile in CSV, driven, and its mistakes by line.

use crate::sandbox::{Sandbox, repository};
use std::fs;

fn measured() -> Sandbox {
    let place = Sandbox::new();
    for (from, to) in [("measured-course.toml", "course.toml"), ("profile.csv", "profile.csv")] {
        fs::copy(repository().join("tests/data").join(from), place.path(to)).unwrap();
    }
    place
}

/// Replaces a row of the profile, which is then refused with the number of `line`.
#[track_caller]
fn refused(row: &str, by: &str, line: usize, words: &[&str]) {
    let place = measured();
    place.edit("profile.csv", row, by);
    let number = format!("line {line}");
    let ran = || [&["profile.csv", &number], words].concat();
    place.run(&["check", "course.toml"]).refused(2, &ran());
    place.run(&["drive", "tiny.toml", "--out", "out"]).refused(2, &ran());
    assert!(!place.path("out").exists(), "nothing was written");
}

#[test]
fn it_can_be_checked_driven_and_compared_on() {
    let place = measured();
    place.run(&["check", "course.toml"]).done();
    place.run(&["drive", "tiny.toml", "--out", "out"]).done();
    let trace = place.read("out/trace.csv");
    let surfaces = ["path", "lawn"].map(|s| trace.lines().filter(|l| l.split(',').any(|f| f == s)).count());
    assert!(surfaces.iter().all(|&n| n > 10), "{surfaces:?}");
    place.run(&["compare", "tiny.toml", "hand-rule", "hand-rule", "--courses", "2"]).done();
}

#[test]
fn it_can_be_driven_beside_the_course_of_the_study() {
    let course = repository().join("tests/data/measured-course.toml");
    let place = Sandbox::new();
    place.run(&["drive", "tiny.toml", "--course", course.to_str().unwrap(), "--out", "out"]).done();
}

#[test]
fn a_distance_that_does_not_increase() {
    refused("3.0", "2.0,0.06,lawn,,", 5, &["distances must increase"]);
    refused("3.0", "1.5,0.06,lawn,,", 5, &["distances must increase"]);
}

#[test]
fn a_slope_that_is_a_wall() {
    refused("3.0", "3.0,1.06,lawn,,", 5, &["45°"]);
}

#[test]
fn an_unknown_surface() {
    refused("3.0", "3.0,0.06,ice,,", 5, &["\"ice\"", "path, lawn"]);
}

#[test]
fn an_unknown_surface_in_the_last_row_too() {
    refused("7.0", "7.0,0.00,ice,,", 9, &["\"ice\"", "path, lawn"]);
}

#[test]
fn a_word_where_a_number_belongs() {
    refused("3.0", "three,0.06,lawn,,", 5, &["distance_m", "float"]);
}

#[test]
fn a_distance_that_is_no_number_at_all() {
    refused("3.0", "NaN,0.06,lawn,,", 5, &["finite"]);
    refused("3.0", "3.0,inf,lawn,,", 5, &["finite"]);
}

#[test]
fn a_row_with_a_field_too_few() {
    refused("3.0", "3.0,0.06", 5, &["fields"]);
}

#[test]
fn an_obstacle_too_high_or_of_unknown_shape() {
    refused("1.0", "1.0,0.00,path,0.9,bump", 3, &["obstacle_height_m", "0.9", "0.5 m"]);
    refused("1.0", "1.0,0.00,path,0.004,ball", 3, &["ball", "bump"]);
}

#[test]
fn one_point_only() {
    let place = measured();
    place.write("profile.csv", "distance_m,elevation_m,surface\n0,0,path\n");
    place.run(&["check", "course.toml"]).refused(2, &["profile.csv", "1 points", "at least 2"]);
}

#[test]
fn a_profile_that_is_missing() {
    let place = measured();
    fs::remove_file(place.path("profile.csv")).unwrap();
    place.run(&["check", "course.toml"]).refused(3, &["profile.csv", "hint:"]);
}
