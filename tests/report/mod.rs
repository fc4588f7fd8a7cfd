//! Reports in a real browser: the tiny study's, one of a vehicle named like markup, and the made-up example with every
//! part in it (when the unit tests of the report have written it to `EXAMPLE_REPORT`, as `tests/all.sh` has them do).
#![expect(clippy::unwrap_used, reason = "a check that cannot be made has failed")]

mod pages;

use crate::sandbox::{Sandbox, repository};
use crate::study::proven_reference;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Largest report, bytes.
const LARGEST: u64 = 3_000_000;

/// The browser's program, and axe-core.
struct Tools {
    browser: String,
    axe: PathBuf,
}

/// What the checks need; says what is missing, which is an error with `CI` set.
fn tools() -> Option<Tools> {
    let runs =
        |program: &str| Command::new(program).arg("--version").output().is_ok_and(|o| o.status.success());
    let names = ["chromium", "chromium-browser"];
    let browser = std::env::var("BROWSER_UNDER_TEST")
        .ok()
        .or_else(|| names.iter().find(|name| runs(name)).map(|name| (*name).to_owned()));
    let installed = std::env::var_os("AXE_CORE").map(PathBuf::from);
    let axe =
        installed.unwrap_or_else(|| repository().join("target/browser/node_modules/axe-core/axe.min.js"));
    let missing = match &browser {
        None => "chromium",
        Some(_) if !runs("node") => "node",
        Some(_) if !axe.exists() => "axe-core",
        Some(browser) => return Some(Tools { browser: browser.clone(), axe }),
    };
    assert!(std::env::var_os("CI").is_none(), "{missing} is missing: tests/all.sh installs it");
    println!(
        "SKIPPED: reports are not looked at in a browser, {missing} is missing (tests/all.sh installs it)"
    );
    None
}

/// What the browser says about each page.
fn inspect(tools: &Tools, pages: &[PathBuf], out: &Path) -> Vec<Value> {
    let script = repository().join("tests/report/browser.mjs");
    let ran =
        Command::new("node").arg(script).arg(&tools.browser).arg(&tools.axe).arg(out).args(pages).output();
    let ran = ran.unwrap();
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    let found: Vec<Value> = serde_json::from_slice(&ran.stdout).unwrap();
    assert_eq!(found.len(), pages.len());
    found
}

/// Everything that must hold for any page.
#[track_caller]
fn assert_readable(found: &Value) {
    let page = found["page"].as_str().unwrap();
    for empty in ["complaints", "dialogs", "requests"] {
        assert_eq!(found[empty], Value::Array(vec![]), "{page}: {empty}");
    }
    let widths = found["widths"].as_object().unwrap();
    assert_eq!(widths.len(), 6, "three widths, folded and unfolded");
    for (width, measured) in widths {
        assert_eq!(measured["scroll"], measured["client"], "{page} scrolls sideways at {width} px");
        assert_eq!(measured["beyond"], Value::Array(vec![]), "{page} at {width} px");
    }
    for scheme in ["light", "dark"] {
        let checked = &found["accessibility"][scheme];
        assert!(checked["tested"].is_string(), "axe-core ran on {page}, {scheme}");
        for empty in ["found", "undecided", "faint"] {
            assert_eq!(checked[empty], Value::Array(vec![]), "{page}, {scheme}: {empty}");
        }
    }
}

/// Everything that must hold for any report.
#[track_caller]
fn assert_in_order(found: &Value) {
    assert_readable(found);
    let page = found["page"].as_str().unwrap();
    assert!(
        found["scripts"].as_u64().unwrap() <= 3,
        "{page}: the script and the data of replay and shift maps"
    );
    assert_driven(found);
    assert_ne!(found["lightPaper"], found["darkPaper"], "{page} follows light and dark");
    let pages = found["printedPages"].as_u64().unwrap();
    assert!((3..80).contains(&pages), "{page} prints on {pages} pages");
    assert!(found["elements"].as_u64().unwrap() > 1000, "{page} is drawn");
}

/// What the script adds works by pointer and by keyboard, and takes nothing away.
#[track_caller]
fn assert_driven(found: &Value) {
    let page = found["page"].as_str().unwrap();
    let driven = &found["driven"];
    assert!(driven["pointed"].as_str().is_some_and(|tip| tip.contains(':')), "{page}: {driven}");
    assert_eq!(driven["sorted"], "ascending", "{page}: {driven}");
    for done in ["stepped", "reordered", "played", "paused", "stepsByKey", "zoomed", "paired", "pairStepped"]
    {
        assert_eq!(driven[done], true, "{page}: {done} in {driven}");
    }
    let words = |key: &str| found[key].as_u64().unwrap();
    let (with, without) = (words("words"), words("wordsWithoutScript"));
    assert!(without > 300 && with >= without, "{page}: {without} words without script, {with} with it");
}

fn assert_small(page: &Path) {
    let bytes = page.metadata().unwrap().len();
    assert!(bytes < LARGEST, "{}: {bytes} bytes", page.display());
}

#[test]
fn reports_read_well_in_a_browser_and_names_in_them_do_nothing() {
    let Some(tools) = tools() else { return };
    let place = Sandbox::new();
    place.edit("vehicle.toml", "name =", "name = \"<script>alert(1)</script>\"");
    // Without its perturbed conditions, which may be left out.
    let study = place.read("tiny.toml");
    let (before, after) = study.split_once("[robustness]").unwrap();
    place.write("tiny.toml", before.to_owned() + &after[after.find("[quick]").unwrap()..]);
    place.run(&["study", "tiny.toml", "--quick", "--out", "hostile"]).done();
    assert!(place.read("hostile/report.html").contains("No perturbed conditions were asked for"));
    let hostile = place.path("hostile.html");
    std::fs::rename(place.path("hostile/report.html"), &hostile).unwrap();
    let mut pages = vec![proven_reference().join("report.html"), hostile];
    match std::env::var_os("EXAMPLE_REPORT").map(PathBuf::from).filter(|page| page.exists()) {
        Some(example) => pages.push(example),
        None if std::env::var_os("CI").is_some() => panic!("EXAMPLE_REPORT names no file"),
        None => println!("SKIPPED in part: EXAMPLE_REPORT names no made-up report"),
    }
    pages.iter().for_each(|page| assert_small(page));
    let out = Path::new(env!("CARGO_TARGET_TMPDIR")).join("report-pictures");
    let found = inspect(&tools, &pages, &out);
    found.iter().for_each(assert_in_order);
    let heading = found[1]["heading"].as_str().unwrap();
    assert!(heading.contains("<script>alert(1)</script>"), "shown as it is written: {heading}");
}
