//! Every page but the report, and every picture that is written as a file: each is held to what any page must hold.

use super::{assert_readable, inspect, tools};
use crate::command::{field::logged, trial::recording};
use crate::sandbox::{Sandbox, repository};
use crate::sweep;
use lowgear_report::{JobStanding, Standing, progress_page};
use std::fs;
use std::path::{Path, PathBuf};

/// A page around a picture, since what a reader opens is the browser's own page around it.
fn framed(title: &str, svg: &str) -> String {
    let style = "body { background: #fff; color: #000 } svg { width: 100%; height: auto; background: #fff }";
    format!(
        "<!DOCTYPE html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" \
         content=\"width=device-width\"><title>{title}</title><style>{style}</style></head><body><main><h1>{title}</h1>\
         {}</main></body></html>",
        svg.split_once("<svg").map_or(String::new(), |(_, rest)| format!("<svg{rest}"))
    )
}

/// Two short studies that differ in their seed: what has changed, the rule card, and a driven course.
fn of_studies(place: &Sandbox) {
    place.run(&["study", "tiny.toml", "--quick", "--out", "earlier"]).done();
    place.edit("tiny.toml", "seed =", "seed = 8");
    place.run(&["study", "tiny.toml", "--quick", "--out", "run"]).done();
    place.run(&["report", "run", "--against", "earlier"]).done();
}

/// Sheet of runs, fit, validation and replay of a log, plan and verdict of a trial.
fn of_the_ground(place: &Sandbox) {
    place.run(&["recipes", "vehicle.toml", "--out", "recipes.html"]).done();
    place.write("log.csv", logged());
    place.run(&["fit", "vehicle.toml", "log.csv", "--out", "own.toml"]).done();
    place.run(&["validate", "own.toml", "log.csv", "--course", "own-course.toml"]).done();
    place.run(&["replay", "tiny.toml", "log.csv", "--policy", "hand-rule", "--out", "over"]).done();
    let plan = ["trial", "plan", "--gain", "4", "--scatter", "3", "--out", "plan.html"];
    place.run(&plan).done();
    fs::copy(repository().join("configs/courses/garden-laps.toml"), place.path("laps.toml")).unwrap();
    let route =
        ["route", "tiny.toml", "--course", "laps.toml", "--ways", "6", "--learned", "--out", "memory.html"];
    place.run(&route).done();
    let vehicle = lowgear_env::config::load(&place.path("vehicle.toml")).unwrap();
    place.write("drive.bin", recording(&vehicle, 10, 0.05));
    place.run(&["log", "drive.bin", "--out", "laps.csv"]).done();
    place.run(&["trial", "judge", "laps.csv", "--out", "verdict.html"]).done();
}

/// A study under way with a job that is done, one on its way, and one without a check so far.
fn standing() -> Standing {
    let job = |name: &str, done, left_s, checks: &[(u64, f64)]| JobStanding {
        name: name.to_owned(),
        done: (done, 40_000),
        left_s,
        checks: checks.to_vec(),
    };
    Standing {
        jobs: vec![
            job("contextual seed 1", 40_000, None, &[(0, -140.0), (20_000, -131.5), (40_000, -129.0)]),
            job("ppo seed 1", 15_000, Some(340.0), &[(0, -140.0), (9_000, -143.5)]),
            job("ppo seed 2", 0, None, &[]),
        ],
        disk_bytes: 12_345_678,
        memory_bytes: Some(98_765_432),
    }
}

/// All of them in a folder, where a reader can look at them afterwards.
fn pages(folder: &Path) -> Vec<PathBuf> {
    let place = Sandbox::new();
    of_studies(&place);
    of_the_ground(&place);
    let swept = sweep::sandbox();
    sweep::sweep(&swept, &[]).done();
    fs::create_dir_all(folder).unwrap();
    let mut pages = vec![("progress", progress_page("demo", &standing()))];
    pages.push(("sweep", swept.read("run/report.html")));
    for (name, file) in [
        ("changes", "run/changes.html"),
        ("rule-card", "run/rule-card.html"),
        ("recipes", "recipes.html"),
        ("memory", "memory.html"),
        ("plan", "plan.html"),
        ("verdict", "verdict.html"),
    ] {
        pages.push((name, place.read(file)));
    }
    for (name, file) in [
        ("course", "run/course.svg"),
        ("fit", "own-fit.svg"),
        ("validation", "own-validate.svg"),
        ("log-replay", "over/replay.svg"),
    ] {
        pages.push((name, framed(name, &place.read(file))));
    }
    let write = |(name, text): (&str, String)| {
        let file = folder.join(format!("{name}.html"));
        fs::write(&file, text).unwrap();
        file
    };
    pages.into_iter().map(write).collect()
}

#[test]
fn every_other_page_reads_well_in_a_browser() {
    let Some(tools) = tools() else { return };
    let out = Path::new(env!("CARGO_TARGET_TMPDIR")).join("page-pictures");
    let pages = pages(&out);
    assert_eq!(pages.len(), 12);
    for found in inspect(&tools, &pages, &out) {
        assert_readable(&found);
        let printed = found["printedPages"].as_u64().unwrap();
        assert!((1..=8).contains(&printed), "{} prints on {printed} pages", found["page"]);
    }
}
