//! The rooms and their borders: which crate may need which, which module may need which, and who may draw, learn or
//! touch a file.

#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a check that cannot be made has failed")]

use crate::sandbox::repository;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Each crate's folder, and the crates of this workspace that it may need.
const CRATES: [(&str, &[&str]); 8] = [
    ("env/onboard", &[]),
    ("env", &["onboard"]),
    ("env/sysid", &["onboard", "env"]),
    ("agents", &["onboard", "env"]),
    ("agents/firmware", &["onboard", "env", "agents"]),
    ("eval", &["onboard", "env", "sysid", "agents"]),
    ("eval/report", &["onboard", "env", "sysid", "agents", "eval"]),
    ("train", &["onboard", "env", "sysid", "agents", "firmware", "eval", "report"]),
];

/// Names under `[dependencies]` of a manifest.
pub(crate) fn dependencies(manifest: &str) -> Vec<String> {
    let text = fs::read_to_string(repository().join(manifest)).unwrap();
    let table = text.split("[dependencies]").nth(1).expect("a table of dependencies");
    let lines = table.lines().take_while(|l| !l.starts_with('['));
    lines
        .filter_map(|l| l.split(['.', ' ', '=']).next())
        .filter(|n| !n.is_empty())
        .map(str::to_owned)
        .collect()
}

#[test]
fn crates_need_each_other_one_way() {
    for (folder, allowed) in CRATES {
        for name in dependencies(&format!("{folder}/Cargo.toml")) {
            if let Some(ours) = name.strip_prefix("lowgear-") {
                assert!(allowed.contains(&ours), "{folder} must not depend on {name}");
            }
        }
    }
}

/// Rust files below a folder, those of tests left out.
fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()) {
        let name = entry.file_name().unwrap_or_default().to_string_lossy().into_owned();
        if entry.is_dir() && name != "tests" {
            found.extend(sources(&entry));
        } else if name.ends_with(".rs") && name != "tests.rs" && !name.starts_with("example") {
            found.push(entry);
        }
    }
    found
}

/// The code of a file: no comments, nothing from its unit tests on.
fn code(file: &Path) -> String {
    let text = fs::read_to_string(file).unwrap();
    let shipped = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or("");
    let lines = shipped.lines().filter(|l| !l.trim_start().starts_with("//"));
    lines.collect::<Vec<_>>().join("\n")
}

/// Which module at the top of a crate needs which others.
fn arrows(folder: &Path) -> BTreeMap<String, BTreeSet<String>> {
    let source = folder.join("src");
    let mut arrows: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for file in sources(&source) {
        let inner = file.strip_prefix(&source).unwrap();
        let module = inner.components().next().unwrap().as_os_str().to_string_lossy().replace(".rs", "");
        if ["lib", "main"].contains(&module.as_str()) {
            continue;
        }
        for used in code(&file).split("crate::").skip(1).flat_map(named) {
            if used != module {
                arrows.entry(module.clone()).or_default().insert(used);
            }
        }
    }
    let modules: BTreeSet<String> = arrows.keys().cloned().collect();
    arrows.values_mut().for_each(|needs| needs.retain(|n| modules.contains(n)));
    arrows
}

/// The modules that `rest`, what follows `crate::`, begins with: one, or those in braces.
fn named(rest: &str) -> Vec<String> {
    let word =
        |text: &str| text.trim().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>();
    let Some(inside) = rest.strip_prefix('{') else { return vec![word(rest)] };
    let (mut depth, mut items) = (0, vec![String::new()]);
    for c in inside.chars() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => break,
            '}' => depth -= 1,
            ',' if depth == 0 => items.push(String::new()),
            _ => items.last_mut().unwrap().push(c),
        }
    }
    items.iter().map(|item| word(item)).collect()
}

/// A way round through the modules from `at` back to itself, if there is one.
fn circle(
    arrows: &BTreeMap<String, BTreeSet<String>>,
    at: &str,
    way: &mut Vec<String>,
) -> Option<Vec<String>> {
    if let Some(start) = way.iter().position(|m| m == at) {
        return Some(way[start..].to_vec());
    }
    way.push(at.to_owned());
    for next in arrows.get(at).into_iter().flatten() {
        if let Some(found) = circle(arrows, next, way) {
            return Some(found);
        }
    }
    way.pop();
    None
}

#[test]
fn no_two_modules_of_a_crate_need_each_other() {
    let mut wrong = Vec::new();
    for (folder, _) in CRATES {
        let arrows = arrows(&repository().join(folder));
        let found = arrows.keys().find_map(|module| circle(&arrows, module, &mut Vec::new()));
        wrong.extend(found.map(|way| format!("{folder}: {}", way.join(" -> "))));
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Files of `folder` whose code holds one of `words`.
fn holding(folder: &str, words: &[&str]) -> Vec<String> {
    let files = sources(&repository().join(folder).join("src"));
    let holds = |file: &PathBuf| {
        let code = code(file);
        words.iter().find(|w| code.contains(**w)).map(|w| format!("{}: {w}", file.display()))
    };
    files.iter().filter_map(holds).collect()
}

#[test]
fn only_the_report_draws() {
    for (folder, _) in CRATES.into_iter().filter(|(folder, _)| *folder != "eval/report") {
        let found = holding(folder, &["<svg", "<html", "<table", "<polyline", "html!"]);
        assert!(found.is_empty(), "{found:#?}");
    }
    assert!(!holding("eval/report", &["html!"]).is_empty(), "and it does draw");
}

#[test]
fn the_evaluation_never_learns() {
    let learning = [
        "lowgear_agents::dqn",
        "lowgear_agents::ppo",
        "lowgear_agents::tabular",
        "::distil",
        "cmaes",
        "Learner",
    ];
    for folder in ["eval", "eval/report"] {
        let found = holding(folder, &learning);
        assert!(found.is_empty(), "{found:#?}");
    }
}

#[test]
fn policies_and_learners_know_no_file_no_clock_and_no_terminal() {
    let world = [
        "std::fs",
        "std::path",
        "std::time",
        "std::env",
        "std::process",
        "println!",
        "eprint",
        "stdout",
        "stderr",
    ];
    for folder in ["env/onboard", "agents"] {
        let found = holding(folder, &world);
        assert!(found.is_empty(), "{found:#?}");
    }
}
