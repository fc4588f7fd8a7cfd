//! One job done here and measured: how long it takes, how much memory and processor time, how many bytes it
//! leaves. The requests of the script come from it.

use super::SlurmOptions;
use crate::error::StudyError;
use crate::progress::Reporter;
use crate::store::{StoreError, read_json, write_json};
use crate::sweep::{JobState, Sweep, SweepFolder, WorkOptions};
use serde::{Deserialize, Serialize};
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// What a job took: `trial.json` in the folder of the sweep. It differs from run to run.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Trial {
    /// Number of the job.
    pub(super) job: u64,
    /// Threads that it had.
    pub(super) threads: usize,
    /// From start to end, s.
    pub(super) wall_s: f64,
    /// Processor time of all threads, s; 0 where the system does not tell.
    pub(super) processor_s: f64,
    /// Most memory at a time, KiB; 0 where the system does not tell.
    pub(super) memory_kib: u64,
    /// Bytes in its folder.
    pub(super) bytes: u64,
}

/// How often the trial is looked at.
const EVERY: Duration = Duration::from_millis(20);
/// Clock ticks of the system in a second, as `/proc` counts them on Linux.
const TICKS_PER_S: f64 = 100.0;

impl Trial {
    /// The trial of this sweep that is kept, or that of the first job that is not done, which is done for good.
    ///
    /// # Errors
    /// [`StudyError`] when the job fails or nothing is left to do.
    pub(super) fn measure(
        sweep: &Sweep,
        place: &SweepFolder,
        options: &SlurmOptions,
        work: &WorkOptions,
        reporter: &Reporter,
    ) -> Result<Trial, StudyError> {
        let file = place.path.join("trial.json");
        if file.exists() {
            return Ok(read_json(&file)?);
        }
        let step = StudyError::step("slurm");
        let missing = |job: &u64| place.state(*job) != JobState::Done;
        let job = (1..=sweep.jobs()).find(missing).ok_or_else(|| {
            step("every job is done, so none can be measured; nothing is left for Slurm".to_owned())
        })?;
        reporter.line(&format!("measuring job {job} ({}); its result is kept", sweep.words(job)));
        let began = Instant::now();
        let mut command = Command::new(&options.program);
        command.arg("sweep").arg(&sweep.file).arg("--out").arg(&place.path);
        command.args(["--threads", &options.processors.to_string(), "--job", &job.to_string()]);
        let mut child =
            command.stdin(Stdio::null()).stdout(Stdio::null()).spawn().map_err(StudyError::step("slurm"))?;
        let (mut memory_kib, mut processor_s) = (0, 0.0);
        let status = loop {
            if let Some(status) = child.try_wait().map_err(StudyError::step("slurm"))? {
                break status;
            }
            let now = seen(child.id());
            (memory_kib, processor_s) = (memory_kib.max(now.0), f64::max(processor_s, now.1));
            sleep(EVERY);
        };
        work.stop.check()?;
        if !status.success() {
            return Err(step(format!("the trial, job {job}, ended with {status}")));
        }
        let wall_s = began.elapsed().as_secs_f64();
        let bytes = bytes_below(&place.job(job))?;
        let trial = Trial { job, threads: options.processors, wall_s, processor_s, memory_kib, bytes };
        write_json(&file, &trial)?;
        Ok(trial)
    }

    /// Time to ask for, whole minutes: three times as long and two minutes more.
    pub(super) fn minutes(&self) -> u64 {
        (3.0 * self.wall_s / 60.0 + 2.0).ceil() as u64
    }

    /// Memory to ask for, MiB: half as much again and 200 MiB more, in hundreds; 1000 where it is not known.
    pub(super) fn memory_mib(&self) -> u64 {
        if self.memory_kib == 0 {
            1000
        } else {
            (1.5 * self.memory_kib as f64 / 1024.0 + 200.0).div_euclid(100.0) as u64 * 100 + 100
        }
    }

    /// In a sentence.
    pub(super) fn in_words(&self) -> String {
        format!(
            "job {} took {:.0} s on {} threads, {:.0} core-seconds, {:.0} MiB of memory, and left {:.1} MiB",
            self.job,
            self.wall_s,
            self.threads,
            self.processor_s,
            self.memory_kib as f64 / 1024.0,
            self.bytes as f64 / 1024.0 / 1024.0
        )
    }
}

/// Most memory (KiB) and processor time (s) of a process so far, from `/proc`.
fn seen(process: u32) -> (u64, f64) {
    let read = |name: &str| fs::read_to_string(format!("/proc/{process}/{name}")).unwrap_or_default();
    (peak_memory_kib(&read("status")).unwrap_or(0), processor_s(&read("stat")).unwrap_or(0.0))
}

fn peak_memory_kib(status: &str) -> Option<u64> {
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    line.split_whitespace().next()?.parse().ok()
}

/// The 14th and 15th field, proc(5); the second may hold spaces and ends with a bracket.
fn processor_s(stat: &str) -> Option<f64> {
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    let ticks = |index: usize| fields.get(index)?.parse::<f64>().ok();
    Some((ticks(11)? + ticks(12)?) / TICKS_PER_S)
}

fn bytes_below(folder: &Path) -> Result<u64, StoreError> {
    let mut sum = 0;
    for entry in fs::read_dir(folder).map_err(StoreError::io(folder))? {
        let entry = entry.map_err(StoreError::io(folder))?;
        let facts = entry.metadata().map_err(StoreError::io(&entry.path()))?;
        sum += if facts.is_dir() { bytes_below(&entry.path())? } else { facts.len() };
    }
    Ok(sum)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn requests_leave_room() {
        let trial =
            Trial { job: 1, threads: 2, wall_s: 100.0, processor_s: 180.0, memory_kib: 102_400, bytes: 0 };
        assert_eq!((trial.minutes(), trial.memory_mib()), (7, 400));
        assert_eq!(Trial { memory_kib: 0, ..trial }.memory_mib(), 1000);
    }

    #[test]
    fn what_the_system_tells_is_read_as_its_manual_says() {
        // proc(5): utime is field 14, stime field 15, in clock ticks.
        let stat = "42 (a (b) c) S 1 42 42 0 -1 4194304 100 0 0 0 250 50 0 0 20 0 1 0 100 1000 10";
        assert_eq!(processor_s(stat), Some(3.0));
        assert_eq!(peak_memory_kib("VmPeak:\t 900 kB\nVmHWM:\t    512 kB\n"), Some(512));
        assert_eq!((peak_memory_kib(""), processor_s("")), (None, None));
    }
}
