//! A small study killed at random moments, its checkpoints damaged in between, and resumed: refused with a reason,
//! or the bytes of a study that was never interrupted.

use super::chance::RandomChoices;
use super::trial::{Tally, run, start};
use crate::sandbox::{Sandbox, files_below};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::thread::sleep;
use std::time::Duration;
use toml::{Table, Value};

const RESUME: [&str; 7] = ["study", "tiny.toml", "--out", "run", "--threads", "1", "--resume"];

/// Begins the study, or resumes it where there is something to resume.
fn arguments(place: &Sandbox) -> &'static [&'static str] {
    if place.path("run").exists() { &RESUME } else { &RESUME[..RESUME.len() - 1] }
}

/// The small study, never interrupted.
pub(super) struct Whole {
    place: Sandbox,
    took: Duration,
}

/// A folder with a study of the two learners that take the least time.
fn small() -> Sandbox {
    let place = Sandbox::new();
    let mut study: Table = toml::from_str(&place.read("tiny.toml")).unwrap();
    study["training-seeds"] = Value::Integer(1);
    for key in ["hyper-search", "robustness"] {
        study.remove(key);
    }
    let learners = study["learners"].as_table_mut().unwrap();
    learners.retain(|name, _| ["contextual", "tabular"].contains(&name));
    study["tuning"].as_table_mut().unwrap().insert("searches".to_owned(), Value::Integer(1));
    place.write("tiny.toml", toml::to_string(&study).unwrap());
    place.edit("course.toml", "length-m = 8.0", "length-m = 3.0");
    place
}

fn kept(run: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let skip = |f: &PathBuf| f.ends_with("timing.csv") || f.extension().is_some_and(|end| end == "previous");
    let files = files_below(run).into_iter().filter(|f| !skip(f));
    files.map(|f| (f.clone(), fs::read(run.join(f)).unwrap())).collect()
}

impl Whole {
    pub(super) fn new() -> Whole {
        let place = small();
        let began = std::time::Instant::now();
        let end = run(&place, arguments(&place));
        assert!(end.accepted(), "{}", end.err);
        Whole { took: began.elapsed(), place }
    }

    /// One study with one to four kills; every other one has a checkpoint damaged, too.
    pub(super) fn killed(&self, chance: &mut RandomChoices, tally: &mut Tally) {
        let place = small();
        for _ in 0..=chance.below(4) {
            let mut child = start(&place, arguments(&place), Stdio::null(), Stdio::null());
            // More of them early, where checkpoints are still needed.
            let (a, b) = (chance.below(1000) as u32, chance.below(1000) as u32);
            sleep(self.took * a / 1000 * b / 1000);
            child.kill().unwrap();
            child.wait().unwrap();
        }
        let damaged = if chance.below(2) == 0 { damage(&place.path("run"), chance) } else { None };
        let kind = if damaged.is_some() { "checkpoint" } else { "kill" };
        let what = damaged.as_deref().unwrap_or("killed").to_owned();
        let end = run(&place, arguments(&place));
        tally.count(kind, &what, &end, true);
        if end.accepted() {
            let (mine, whole) = (kept(&place.path("run")), kept(&self.place.path("run")));
            if mine != whole {
                let names: Vec<_> = mine.iter().filter(|f| !whole.contains(f)).map(|f| &f.0).collect();
                tally.wrong(kind, &format!("{what}: other bytes in {names:?} or files missing"));
            }
        } else if damaged.is_none() {
            tally.wrong(kind, &format!("cannot be resumed after kills: {}", end.err));
        }
    }
}

/// Damages a checkpoint, or puts that of another job in its place; in words which. Small jobs are seldom interrupted
/// halfway, so the result of its job is removed, which makes the checkpoint needed.
fn damage(run: &Path, chance: &mut RandomChoices) -> Option<String> {
    let all: Vec<PathBuf> = if run.exists() { files_below(run) } else { vec![] };
    let checkpoints: Vec<&PathBuf> = all.iter().filter(|f| f.ends_with("checkpoint.bin")).collect();
    if checkpoints.is_empty() {
        return None;
    }
    let file = chance.of(&checkpoints);
    for result in [file.with_file_name("job.json"), PathBuf::from("summary.json")] {
        let _ = fs::remove_file(run.join(result));
    }
    let others: Vec<&&PathBuf> = checkpoints.iter().filter(|f| f.as_path() != file.as_path()).collect();
    let bytes = if !others.is_empty() && chance.below(2) == 0 {
        fs::read(run.join(chance.of(&others))).unwrap()
    } else {
        chance.damaged(&fs::read(run.join(file)).unwrap())
    };
    fs::write(run.join(file), bytes).unwrap();
    Some(format!("{} damaged or of another job", file.display()))
}
