//! A sweep as a job array of the batch system Slurm: a script to read and to edit, with requests from a
//! measured job, and what Slurm says of jobs that it ended.

mod script;
mod trial;

use super::{JobState, Sweep, SweepFolder, WorkOptions};
use crate::error::StudyError;
use crate::progress::Reporter;
use crate::store::{create_folder, write_atomically};
use lowgear_env::config::{check_path, shown};
use script::{Script, chunks};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use trial::Trial;

/// What a job that was asked to stop leaves when it does not know why; accounting may.
pub(super) const STOP_NOTICE: &str = "asked to stop by Slurm";

/// How the script is made.
#[derive(Clone, Debug)]
pub struct SlurmOptions {
    /// The sweep file, the folder and the program as the nodes see them.
    pub program: PathBuf,
    /// Processors of each job.
    pub processors: usize,
    /// Most jobs at a time, if there is to be a limit.
    pub array_limit: Option<u32>,
    /// Whether to hand the script to Slurm.
    pub submit: bool,
}

/// Writes the script (several, when there are more jobs than an array takes); returns what to do with it.
///
/// # Errors
/// [`StudyError`]; also when nothing is missing, when the trial fails, or when Slurm refuses the script.
pub fn slurm(
    sweep: &Sweep,
    place: &SweepFolder,
    options: &SlurmOptions,
    work: &WorkOptions,
    reporter: &Reporter,
) -> Result<String, StudyError> {
    let step = StudyError::step("slurm");
    let (file, folder) = (absolute(&sweep.file)?, absolute(&place.path)?);
    check_path("FILE", &file)?;
    check_path("--out", &folder)?;
    let trial = Trial::measure(sweep, place, options, work, reporter)?;
    let missing: Vec<u64> = (1..=sweep.jobs()).filter(|&job| place.state(job) != JobState::Done).collect();
    if missing.is_empty() {
        return Ok("every job is done; nothing is left for Slurm\n".to_owned());
    }
    // Slurm opens a job's log there before the script makes anything.
    create_folder(&place.path.join("jobs"))?;
    let mut text = format!("{}\n", trial.in_words());
    let chunks = chunks(&missing);
    for (index, chunk) in chunks.iter().enumerate() {
        let name =
            if chunks.len() == 1 { "sweep.sbatch".to_owned() } else { format!("sweep-{}.sbatch", index + 1) };
        let path = place.path.join(name);
        let script =
            Script { sweep: &sweep.config.name, file: &file, folder: &folder, options, trial: &trial, chunk };
        write_atomically(&path, script.text().as_bytes())?;
        if options.submit {
            let out = Command::new("sbatch").arg("--parsable").arg(&path).output();
            let out = out.map_err(|e| step(format!("sbatch could not be started: {e}")))?;
            if !out.status.success() {
                return Err(step(format!("sbatch: {}", String::from_utf8_lossy(&out.stderr).trim())));
            }
            text.push_str(&format!("submitted: job {}\n", String::from_utf8_lossy(&out.stdout).trim()));
        } else {
            text.push_str(&format!("read it, edit it, then: sbatch {}\n", shown(&path)));
        }
    }
    text.push_str("meanwhile: the same command with --status; when all are done: with --merge\n");
    Ok(text)
}

fn absolute(path: &Path) -> Result<PathBuf, StudyError> {
    std::path::absolute(path).map_err(StudyError::step("slurm"))
}

/// What Slurm's accounting says of jobs that are not done: why they ended, by job. Empty where there is no accounting.
#[must_use]
pub(super) fn accounted(place: &SweepFolder, jobs: &[u64]) -> BTreeMap<u64, String> {
    let tasks: Vec<(u64, String)> = jobs
        .iter()
        .filter_map(|&job| {
            Some((job, std::fs::read_to_string(place.slurm_task(job)).ok()?.trim().to_owned()))
        })
        .collect();
    if tasks.is_empty() {
        return BTreeMap::new();
    }
    let names: Vec<&str> = tasks.iter().map(|(_, task)| task.as_str()).collect();
    let asked = ["--noheader", "--parsable2", "--allocations", "--format=JobID,State", "--jobs"];
    // Without the program or without accounting the marks that the script leaves have to do.
    let Ok(out) = Command::new("sacct").args(asked).arg(names.join(",")).output() else {
        return BTreeMap::new();
    };
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    let state = |task: &str| said.lines().filter_map(|line| line.split_once('|')).find(|(id, _)| *id == task);
    tasks.iter().filter_map(|(job, task)| Some((*job, in_words(state(task)?.1)?))).collect()
}

/// A state of Slurm in words; none for those that mean nothing went wrong.
fn in_words(state: &str) -> Option<String> {
    let word = state.split_whitespace().next()?;
    Some(match word {
        "TIMEOUT" => "time limit: it took longer than --time in the script allows".to_owned(),
        "OUT_OF_MEMORY" => "out of memory: it needed more than --mem in the script allows".to_owned(),
        "CANCELLED" => "cancelled".to_owned(),
        "NODE_FAIL" | "BOOT_FAIL" => "its node failed and it was not requeued".to_owned(),
        // A failure of the program leaves its own words; this one left none.
        "FAILED" => "failed; its log in the folder of the jobs may tell why".to_owned(),
        "DEADLINE" => "deadline".to_owned(),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn states_of_slurm_become_words() {
        assert!(in_words("TIMEOUT").unwrap().starts_with("time limit"));
        assert!(in_words("OUT_OF_MEMORY").unwrap().starts_with("out of memory"));
        assert_eq!(in_words("CANCELLED by 1000"), Some("cancelled".to_owned()));
        assert!(in_words("FAILED").unwrap().contains("log"));
        for fine in ["COMPLETED", "PENDING", "RUNNING", "PREEMPTED", "REQUEUED"] {
            assert_eq!(in_words(fine), None);
        }
        assert_eq!(in_words(""), None);
    }
}
