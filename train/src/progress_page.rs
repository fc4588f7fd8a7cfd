//! `progress.html`: the page of a study that runs, in its run folder until the report takes its place.

use crate::store::{StoreError, sibling, write_atomically};
use lowgear_report::{JobStanding, Standing, progress_page};
use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

const FILE: &str = "progress.html";
/// Checkpoints of a short study come faster than anybody reloads a page.
const REST: Duration = Duration::from_secs(2);

/// The jobs of a study and where their page lies.
#[derive(Default)]
pub(crate) struct ProgressPage {
    /// Run folder and name of the study; none where no page is kept.
    kept_in: Option<(PathBuf, String)>,
    written: Option<Instant>,
    jobs: BTreeMap<String, JobStanding>,
}

impl ProgressPage {
    /// Keeps a page in this run folder from now on.
    pub(crate) fn keep_in(&mut self, folder: &Path, study: &str) {
        self.kept_in = Some((folder.to_owned(), study.to_owned()));
    }

    /// Takes the page away.
    ///
    /// # Errors
    /// The system's refusal.
    pub(crate) fn remove(&mut self) -> Result<(), StoreError> {
        let Some((folder, _)) = self.kept_in.take() else { return Ok(()) };
        let file = folder.join(FILE);
        // An interruption may have left a part of it.
        for file in [sibling(&file, "partial"), file] {
            match fs::remove_file(&file) {
                Err(error) if error.kind() != io::ErrorKind::NotFound => {
                    return Err(StoreError::io(&file)(error));
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// What a job has reached; `change` gets what is known of it.
    pub(crate) fn note(&mut self, name: &str, change: impl FnOnce(&mut JobStanding)) {
        if self.kept_in.is_none() {
            return;
        }
        if !self.jobs.contains_key(name) {
            let job = JobStanding { name: name.to_owned(), done: (0, 1), left_s: None, checks: Vec::new() };
            self.jobs.insert(name.to_owned(), job);
        }
        if let Some(job) = self.jobs.get_mut(name) {
            change(job);
        }
    }

    /// Writes the page, unless that was done a moment ago.
    ///
    /// # Errors
    /// The system's refusal.
    pub(crate) fn write(&mut self) -> Result<(), StoreError> {
        let Some((folder, study)) = &self.kept_in else { return Ok(()) };
        if self.written.is_some_and(|written| written.elapsed() < REST) {
            return Ok(());
        }
        let standing = Standing {
            jobs: self.jobs.values().cloned().collect(),
            disk_bytes: size_of(folder),
            memory_bytes: memory_bytes(),
        };
        write_atomically(&folder.join(FILE), progress_page(study, &standing).as_bytes())?;
        self.written = Some(Instant::now());
        Ok(())
    }
}

/// Bytes of all files below; what cannot be read counts as nothing.
fn size_of(folder: &Path) -> u64 {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .map(|entry| match entry.metadata() {
            Ok(metadata) if metadata.is_dir() => size_of(&entry.path()),
            Ok(metadata) => metadata.len(),
            Err(_) => 0,
        })
        .sum()
}

/// Memory that the program occupies, where the system lists it.
fn memory_bytes() -> Option<u64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    Some(1024 * line.split_whitespace().next()?.parse::<u64>().ok()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_is_kept_while_the_study_runs_and_taken_away_after() {
        let folder = std::env::temp_dir().join(format!("lowgear-progress-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        let file = folder.join(FILE);
        let mut page = ProgressPage::default();
        page.note("ppo seed 1", |job| job.done = (5, 10));
        page.write().unwrap();
        assert!(!file.exists() && page.jobs.is_empty(), "no page was asked for");
        page.keep_in(&folder, "demo");
        page.note("ppo seed 1", |job| job.done = (5, 10));
        page.note("ppo seed 1", |job| job.left_s = Some(30.0));
        page.write().unwrap();
        let text = fs::read_to_string(&file).unwrap();
        assert!(text.contains("0 of 1 started job done; the longest needs 30 s more."), "{text}");
        fs::remove_file(&file).unwrap();
        page.write().unwrap();
        assert!(!file.exists(), "written a moment ago");
        page.remove().unwrap();
        page.remove().unwrap();
        fs::remove_dir(&folder).unwrap();
    }
}
