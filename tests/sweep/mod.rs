//! Many small studies from one file: numbering, resuming, failures, merging, mistakes.
#![expect(clippy::unwrap_used, reason = "a check that cannot be made has failed")]

mod expanded;
mod listed;
mod merged;
mod mistakes;
mod mixed;
mod resumed;

use crate::sandbox::{Ran, Sandbox, files_below};
use std::fs;
use std::path::{Path, PathBuf};

/// Two by two jobs of a second or so.
pub(crate) const SWEEP: &str = include_str!("tiny-sweep.toml");

/// A folder with the tiny study and the sweep over it.
pub(crate) fn sandbox() -> Sandbox {
    let place = Sandbox::new();
    place.write("sweep.toml", SWEEP);
    place
}

/// Runs `lowgear sweep sweep.toml --out run` with more arguments.
pub(crate) fn sweep(place: &Sandbox, more: &[&str]) -> Ran {
    place.run(&[&["sweep", "sweep.toml", "--out", "run"], more].concat())
}

/// Files of a sweep's folder but for times, checkpoints before the newest, and locks, which are empty.
pub(crate) fn kept(run: &Path) -> Vec<PathBuf> {
    let ends = ["lock", "previous"];
    let skip = |f: &PathBuf| {
        f.ends_with("timing.csv") || f.extension().is_some_and(|end| ends.iter().any(|e| end == *e))
    };
    files_below(run).into_iter().filter(|f| !skip(f)).collect()
}

/// Two folders hold the same bytes, but for times.
#[track_caller]
pub(crate) fn assert_alike(a: &Path, b: &Path) {
    let files = kept(a);
    assert_eq!(kept(b), files, "the same files");
    for file in files {
        let same = fs::read(a.join(&file)).unwrap() == fs::read(b.join(&file)).unwrap();
        assert!(same, "{} differs", file.display());
    }
}
