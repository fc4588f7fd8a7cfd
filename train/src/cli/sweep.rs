//! `lowgear sweep`.

use super::EXIT_STOPPED;
use crate::error::StudyError;
use crate::progress::Reporter;
use crate::stop::StopRequest;
use crate::sweep::{
    SlurmOptions, Sweep, SweepFolder, WorkOptions, check_jobs, job_states, merge, quoted, run_all, run_one,
    slurm, status,
};
use crate::terminal;
use lowgear_env::config::{KeyError, check_path, shown};
use lowgear_eval::aggregate::wrapped;
use std::path::{Path, PathBuf};
use std::thread;

/// Run a parameter sweep and summarise it.
///
/// Reads a sweep file: a study and what is varied in it, as axes. Every combination of values is one job, an
/// ordinary study in jobs/0001, jobs/0002 and so on, that depends on no other. Writes points.csv, summary.json
/// and report.html over all of them. The same command again does only what is missing and tries again what
/// failed; Ctrl-C or SIGTERM stops at the next checkpoint (exit code 4). Takes as long as its studies; the
/// results do not depend on threads, order or interruptions.
#[derive(clap::Args)]
#[command(after_help = "Example, in a folder made by `lowgear new`:\n  lowgear sweep sweep.toml --list")]
pub(super) struct SweepArguments {
    /// Sweep file (TOML)
    file: PathBuf,
    /// Folder of the sweep [default: runs/NAME]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Do this job only, from 1, without putting all together
    #[arg(long, value_name = "N", group = "what")]
    job: Option<u64>,
    /// Write the command of every job, one per line, with whole paths: each runs in any working directory
    #[arg(long, group = "what")]
    list: bool,
    /// List which jobs are done, running, failed or waiting
    #[arg(long, group = "what")]
    status: bool,
    /// With --status, the list as JSON
    #[arg(long, requires = "status")]
    json: bool,
    /// Put together what is done, without doing any job
    #[arg(long, group = "what")]
    merge: bool,
    /// Write a batch script for Slurm, with requests from a job that is done and measured here first
    #[arg(long, group = "what")]
    slurm: bool,
    /// Hand the script to Slurm (sbatch) at once
    #[arg(long, requires = "slurm")]
    submit: bool,
    /// Most jobs that Slurm runs at a time [default: as many as there is room for]
    #[arg(long, value_name = "N", requires = "slurm", value_parser = clap::value_parser!(u32).range(1..=9999))]
    array_limit: Option<u32>,
    /// Threads, with --slurm those of each job [default: one per core]; the results do not depend on it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
}

pub(super) fn run(arguments: &SweepArguments) -> Result<String, StudyError> {
    let sweep = Sweep::read(&arguments.file)?;
    let place = SweepFolder::new(&sweep, arguments.out.as_deref());
    if let Some(job) = arguments.job.filter(|job| !(1..=sweep.jobs()).contains(job)) {
        return Err(KeyError::new("--job", job, format!("1 to {}", sweep.jobs())).into());
    }
    if arguments.list {
        return list(&sweep, arguments);
    }
    if arguments.status {
        let jobs = job_states(&sweep, &place);
        return if arguments.json {
            Ok(serde_json::to_string_pretty(&jobs)? + "\n")
        } else {
            Ok(status(&jobs))
        };
    }
    if arguments.merge {
        return merged(&sweep, &place);
    }
    let options =
        WorkOptions { threads: arguments.threads.map(usize::from), stop: StopRequest::listen(EXIT_STOPPED)? };
    let reporter = Reporter::new();
    check_jobs(&sweep, &place)?;
    if arguments.slurm {
        let cores = || thread::available_parallelism().map_or(1, usize::from);
        let slurm_options = SlurmOptions {
            program: program()?,
            processors: options.threads.unwrap_or_else(cores),
            array_limit: arguments.array_limit,
            submit: arguments.submit,
        };
        return slurm(&sweep, &place, &slurm_options, &options, &reporter);
    }
    if let Some(job) = arguments.job {
        run_one(&sweep, &place, job, &options, &reporter)?;
        return Ok(format!("job {job} ({}): {}\n", sweep.words(job), shown(&place.job(job))));
    }
    let failed = run_all(&sweep, &place, &options, &reporter)?;
    let text = merged(&sweep, &place)?;
    if failed.is_empty() {
        return Ok(text);
    }
    let reasons: Vec<String> =
        failed.iter().map(|(job, reason)| format!("job {job} ({}): {reason}", sweep.words(*job))).collect();
    Err(StudyError::JobsFailed {
        failed: failed.len(),
        all: sweep.jobs(),
        report: shown(&place.path.join("report.html")),
        reasons: reasons.join("\n"),
    })
}

/// The path of this program.
fn program() -> Result<PathBuf, StudyError> {
    std::env::current_exe().map_err(StudyError::path(Path::new("lowgear")))
}

fn merged(sweep: &Sweep, place: &SweepFolder) -> Result<String, StudyError> {
    let merged = merge(sweep, place)?;
    Ok(format!("{}\nreport: {}\n", wrapped(&merged.text, terminal::width()), shown(&merged.report)))
}

/// A command per job, for any working directory. The paths stand on standard output alone, in no file.
fn list(sweep: &Sweep, arguments: &SweepArguments) -> Result<String, StudyError> {
    let program = program()?;
    let here = |path: &Path| std::path::absolute(path).map_err(StudyError::path(path));
    // Without --out the folder is below the working directory of each call; so it is named here.
    let out = here(&SweepFolder::new(sweep, arguments.out.as_deref()).path)?;
    // A line break in a path would end the command early.
    check_path("FILE", &sweep.file)?;
    check_path("--out", &out)?;
    let threads = arguments.threads.map_or_else(String::new, |n| format!(" --threads {n}"));
    let command =
        format!("{} sweep {} --out {}{threads}", quoted(&program), quoted(&here(&sweep.file)?), quoted(&out));
    Ok((1..=sweep.jobs()).map(|job| format!("{command} --job {job}\n")).collect())
}
