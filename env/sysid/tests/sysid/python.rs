//! Python programs next to the tests: run, or skipped with a notice where NumPy and SciPy are missing (a failure in CI).

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The repository.
pub(super) fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// Whether Python with SciPy is there.
pub(super) fn there() -> bool {
    let out = Command::new("python3").args(["-c", "import numpy, scipy"]).output();
    let found = out.is_ok_and(|out| out.status.success());
    // Whatever the user for a number of fits is not to take a skipped test for a measured one.
    let asked = ["CI", "LOWGEAR_FITS"].into_iter().any(|name| std::env::var_os(name).is_some());
    assert!(found || !asked, "needs python3 with NumPy and SciPy");
    if !found {
        println!("SKIPPED: needs python3 with NumPy and SciPy");
    }
    found
}

/// Runs a program of `tests/sysid/` and returns what it printed.
pub(super) fn run(program: &str, arguments: &[&str]) -> String {
    let out = Command::new("python3")
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .env("OPENBLAS_NUM_THREADS", "1")
        .arg(repository().join("tests/sysid").join(program))
        .args(arguments)
        .output()
        .unwrap();
    assert!(out.status.success(), "{program}: {}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap()
}

/// Logs of the carts of some seeds by such a program, which takes folder and seeds after `arguments`: the folder of each.
pub(super) fn logs(
    program: &str,
    arguments: &[&str],
    folder: &Path,
    seeds: impl Iterator<Item = usize>,
) -> Vec<PathBuf> {
    let seeds: Vec<String> = seeds.map(|seed| seed.to_string()).collect();
    let end = [folder.to_str().unwrap()].into_iter().chain(seeds.iter().map(String::as_str));
    run(program, &arguments.iter().copied().chain(end).collect::<Vec<_>>());
    seeds.iter().map(|seed| folder.join(seed)).collect()
}

/// The true values next to a log.
pub(super) fn true_values(place: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(place.join("truth.json")).unwrap()).unwrap()
}

/// A folder for one test.
pub(super) fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    std::fs::create_dir_all(&folder).unwrap();
    folder
}
