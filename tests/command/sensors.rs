//! `lowgear sensors`: what one more sensor would be worth.

use crate::sandbox::{Sandbox, repository};
use std::fs;

/// A study of the cart with a feeler on a level path with canes, with a sensors file.
fn on_canes() -> Sandbox {
    let place = Sandbox::new();
    let configs = repository().join("configs");
    for (from, to) in [
        ("vehicles/demo-cart-feeler.toml", "vehicle.toml"),
        ("courses/level-path-canes.toml", "course.toml"),
        ("sensors/small-cart.toml", "sensors.toml"),
    ] {
        fs::copy(configs.join(from), place.path(to)).unwrap();
    }
    let study = fs::read_to_string(configs.join("studies/canes.toml")).unwrap();
    let study = study.replace("../vehicles/demo-cart-feeler.toml", "vehicle.toml");
    place.write("study.toml", study.replace("../courses/level-path-canes.toml", "course.toml"));
    place
}

/// The row of a sensor in the table.
fn row<'a>(out: &'a str, sensor: &str) -> &'a str {
    out.lines().find(|line| line.starts_with(sensor)).unwrap_or_else(|| panic!("no {sensor} in:\n{out}"))
}

#[test]
fn a_range_sensor_is_not_worth_it_among_canes_and_an_exact_preview_is() {
    let place = on_canes();
    let text = place.read("sensors.toml");
    let (before, rest) = text.split_once("# The same arm with a switch").unwrap();
    let after = &rest[rest.find("# An optical range sensor").unwrap()..];
    place.write("sensors.toml", before.to_owned() + after);
    let ran = ["sensors", "study.toml", "--sensors", "sensors.toml", "--effort", "0.25", "--courses", "400"];
    let out = place.run(&ran).done().out;
    assert!(row(&out, "range sensor").ends_with("not worth it"), "{out}");
    assert!(row(&out, "exact preview").contains("worth it: "), "{out}");
    assert!(row(&out, "feeler").contains("worth it") && !out.contains("whisker"), "{out}");
    assert!(out.contains("feeler: ") && out.contains("its drag costs"), "{out}");
}

#[test]
fn a_quick_run_writes_a_page_with_the_same_bytes_for_any_number_of_threads() {
    let place = Sandbox::new();
    let quick = |threads: &str, out: &str| {
        let ran = place.run(&["sensors", "tiny.toml", "--quick", "--threads", threads, "--out", out]);
        (ran.done().out.replace(out, "PAGE"), place.read(out))
    };
    let (text, page) = quick("1", "one.html");
    assert_eq!((text.clone(), page.clone()), quick("2", "two.html"));
    for sensor in ["feeler", "whisker", "range sensor", "exact preview"] {
        assert!(
            page.contains(sensor) && row(&text, sensor).contains("not clear")
                || row(&text, sensor).contains("worth it"),
            "{text}"
        );
    }
    assert!(text.contains("A quick run") && page.contains("A quick run"), "{text}");
    assert!(page.contains("assumed") && page.contains("<svg") && !page.contains("://"));
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn what_cannot_be_compared_is_refused_by_file_key_and_range() {
    let place = on_canes();
    let sensors = |more: &[&str]| {
        let all = [&["sensors", "study.toml", "--quick"], more].concat();
        place.run(&all)
    };
    sensors(&["--margin", "-1"]).refused(2, &["--margin"]);
    sensors(&["--ahead", "0.7"]).refused(2, &["--ahead", "0.6"]);
    sensors(&["--sensors", "absent.toml"]).refused(3, &["absent.toml"]);
    sensors(&["--out", "study.toml"]).refused(3, &["study.toml"]);
    let line = place.edit("sensors.toml", "cone-deg", "cone-deg = 90.0");
    sensors(&["--sensors", "sensors.toml"])
        .refused(2, &["sensors.toml", &format!("line {line}"), "range.cone-deg", "60"]);
    place.write("none.toml", "[spread]\n");
    sensors(&["--sensors", "none.toml"]).refused(2, &["none.toml", "[feeler]", "[whisker]", "[range]"]);
}
