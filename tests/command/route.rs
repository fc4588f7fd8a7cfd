//! `lowgear route`: what a memory of the way would be worth.

use crate::sandbox::{Sandbox, repository};
use std::fs;

/// The row that begins with a name.
fn row<'a>(out: &'a str, name: &str) -> &'a str {
    out.lines().find(|line| line.starts_with(name)).unwrap_or_else(|| panic!("no {name} in:\n{out}"))
}

/// Time of a row, s.
fn time_s(out: &str, name: &str) -> f64 {
    let columns = row(out, name)[27..].split_whitespace().next().unwrap();
    columns.parse().unwrap()
}

#[test]
fn a_map_at_the_right_place_saves_time_and_the_text_does_not_depend_on_the_threads() {
    let place = Sandbox::new();
    let configs = repository().join("configs");
    fs::copy(configs.join("courses/level-path-canes.toml"), place.path("canes.toml")).unwrap();
    let run = |threads: &str| {
        let arguments = ["route", "tiny.toml", "--course", "canes.toml", "--ways", "6", "--threads", threads];
        place.run(&arguments).done().out
    };
    let out = run("1");
    assert_eq!(out, run("2"));
    let [alone, plan, exact] =
        ["the policy alone", "the plan of each lap", "map, known to 0 m"].map(|name| time_s(&out, name));
    assert!(plan < exact && exact < alone, "{out}");
    assert!(row(&out, "the policy alone").contains("+0.0 %"), "{out}");
}

#[test]
fn vehicles_learn_by_themselves_where_the_course_has_laps_the_same_on_any_number_of_threads() {
    let place = Sandbox::new();
    let configs = repository().join("configs");
    fs::copy(configs.join("courses/garden-laps.toml"), place.path("laps.toml")).unwrap();
    let run = |threads: &str| {
        let arguments =
            ["route", "tiny.toml", "--course", "laps.toml", "--ways", "3", "--learned", "--threads", threads];
        place.run(&arguments).done().out
    };
    let out = run("1");
    assert_eq!(out, run("2"));
    assert!(!out.contains("the plan"), "{out}");
    for name in ["learned, laps 3 to 10", "learned, lap 1 ", "learned, lap 10", "learned on another way"] {
        assert!(time_s(&out, name) > 0.0, "{out}");
    }
    assert!(out.contains("at the end of a lap by"), "{out}");
    for name in ["nothing has changed", "an obstacle was moved", "a hose laid across"] {
        assert!(time_s(&out, name) > 0.0, "{out}");
    }
    // The page is a file of its own, the same on any number of threads.
    let page = |threads: &str| {
        let common = ["route", "tiny.toml", "--course", "laps.toml", "--ways", "3", "--threads", threads];
        place
            .run(
                &[&common[..], &["--learned", "--lap-memory", "hold", "--out", "page.html", "--force"]]
                    .concat(),
            )
            .done();
        place.read("page.html")
    };
    assert_eq!(page("1"), page("2"));
    assert!(page("1").contains("Where on the lap it is won"));
    place
        .run(&["route", "tiny.toml", "--course", "laps.toml", "--out", "other.html"])
        .refused(2, &["--learned"]);
}

#[test]
fn what_does_not_fit_is_refused() {
    let place = Sandbox::new();
    place.run(&["route", "tiny.toml", "--ways", "1"]).refused(2, &["--ways", "2"]);
    place.run(&["route", "tiny.toml", "--ways", "2", "--learned"]).refused(2, &["laps", "3 or more"]);
    place.run(&["route", "absent.toml"]).refused(3, &["absent.toml"]);
    let text = fs::read_to_string(repository().join("configs/courses/garden-laps.toml")).unwrap();
    place.write("far.toml", text.replace("length-m = 15.0", "length-m = 80.0"));
    place.run(&["route", "tiny.toml", "--course", "far.toml", "--ways", "2"]).refused(2, &["length-m", "65"]);
}
