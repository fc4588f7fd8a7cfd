//! Pages made again from a run folder alone.

use super::reference;
use crate::sandbox::{Sandbox, files_below};
use std::fs;

const PAGES: [&str; 3] = ["report.html", "course.svg", "rule-card.html"];

/// The data of the reference run, without anything else.
fn data_only(place: &Sandbox) {
    fs::create_dir(place.path("run")).unwrap();
    for name in ["summary.json", "figures.json"] {
        fs::copy(reference().join(name), place.path("run").join(name)).unwrap();
    }
}

#[test]
fn the_pages_of_a_run_come_again_byte_for_byte_from_its_data_alone() {
    let place = Sandbox::new();
    data_only(&place);
    place.run(&["report", "run"]).done();
    for page in PAGES {
        assert!(
            fs::read(reference().join(page)).unwrap() == fs::read(place.path("run").join(page)).unwrap(),
            "{page}"
        );
    }
    assert_eq!(files_below(&place.path("run")).len(), 5, "and nothing else");
}

#[test]
fn a_run_against_an_earlier_one_says_what_differs() {
    let place = Sandbox::new();
    for name in ["run", "earlier"] {
        fs::create_dir(place.path(name)).unwrap();
        for file in ["summary.json", "figures.json", "resolved.toml"] {
            fs::copy(reference().join(file), place.path(name).join(file)).unwrap();
        }
    }
    let same = place.run(&["report", "run", "--against", "earlier"]).done();
    assert!(same.out.contains("Hand-written rule: ") && same.out.contains("no change shown"), "{}", same.out);
    let resolved = place.read("earlier/resolved.toml");
    place.write("earlier/resolved.toml", resolved.replacen("seed = ", "seed = 1", 1));
    place.run(&["report", "run", "--against", "earlier"]).done();
    assert!(place.read("run/changes.html").contains(">study.seed</"), "the key that differs");
    fs::remove_file(place.path("earlier/summary.json")).unwrap();
    place.run(&["report", "run", "--against", "earlier"]).refused(2, &["earlier", "no finished study"]);
}

#[test]
fn a_run_without_its_data_or_with_damaged_data_is_refused() {
    let place = Sandbox::new();
    place.run(&["report", "run"]).refused(2, &["run", "no finished study", "hint:"]);
    data_only(&place);
    let whole = place.read("run/figures.json");
    for (broken, words) in [
        (whole.replacen("\"format\":2", "\"format\":99", 1), "format 99"),
        (whole[..whole.len() / 2].to_owned(), "not readable"),
        (whole.replacen("\"decisions\":\"", "\"decisions\":\"x", 1), "shift map"),
    ] {
        place.write("run/figures.json", broken);
        place.run(&["report", "run"]).refused(2, &["run/figures.json", words]);
    }
    assert!(PAGES.iter().all(|page| !place.path("run").join(page).exists()), "nothing was written");
}
