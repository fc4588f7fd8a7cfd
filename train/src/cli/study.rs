//! `lowgear study`.

use super::EXIT_STOPPED;
use crate::error::StudyError;
use crate::progress::Reporter;
use crate::stop::StopRequest;
use crate::study::{Options, run as run_study};
use lowgear_env::config::{in_range, shown};
use std::path::{Path, PathBuf};

/// Run a whole study: tune the rules, train the learners, compare, report, export.
///
/// Reads the study file and the vehicle and course files that it names. Writes a run folder: resolved.toml
/// (the whole configuration, which can be given as the study file again), a folder per learner and seed,
/// episodes.csv, summary.json, figures.json, report.html, table/ and firmware/. The time it takes grows with
/// the budgets in the study file.
///
/// For a night: `lowgear study FILE --effort 50 --hours 8`. Ctrl-C or SIGTERM stops at the next checkpoint
/// (exit code 4), a power cut costs a minute; the same command with --resume continues bit for bit. Same
/// seed, same bytes, unless --hours cuts a run short.
#[derive(clap::Args)]
#[command(override_usage = "lowgear study [OPTIONS] <FILE>")]
#[command(after_help = "Example, in a folder made by `lowgear new`:\n  lowgear study study.toml --quick")]
pub(super) struct StudyArguments {
    /// Study file (TOML)
    file: Option<PathBuf>,
    /// Run folder [default: runs/NAME, with --quick runs/NAME-quick]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Small budgets, but every step: to see whether everything works
    #[arg(long)]
    quick: bool,
    /// Multiply every budget of steps, and the schedules over them, by this factor, 0.001 to 10000
    #[arg(long, value_name = "FACTOR", conflicts_with = "quick")]
    effort: Option<f64>,
    /// Most hours for tuning and training, 0.001 to 10000, in equal shares for rules and learners: one that
    /// has used up its share ends with its best policy so far; comparison and report come on top
    #[arg(long, value_name = "H")]
    hours: Option<f64>,
    /// Search for hyper-parameters first, over the ranges of the study file's [hyper-search], with the same budget for
    /// every rule and learner; the study then uses what was found (hyper-search.csv, resolved.toml)
    #[arg(long, conflicts_with = "hours")]
    hyper_search: bool,
    /// Continue an interrupted run in its folder
    #[arg(long)]
    resume: bool,
    /// Threads [default: one per core]; the results do not depend on it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
}

pub(super) fn run(arguments: &StudyArguments) -> Result<String, StudyError> {
    let Some(file) = &arguments.file else {
        return Err(StudyError::NoStudyFile { here: Path::new("study.toml").is_file() });
    };
    for (key, value) in [("--effort", arguments.effort), ("--hours", arguments.hours)] {
        value.map_or(Ok(()), |value| in_range(key, value, 1e-3, 1e4, ""))?;
    }
    let options = Options {
        out: arguments.out.clone(),
        quick: arguments.quick,
        hyper_search: arguments.hyper_search,
        effort: arguments.effort,
        hours: arguments.hours,
        resume: arguments.resume,
        threads: arguments.threads.map(usize::from),
        stop: StopRequest::listen(EXIT_STOPPED)?,
    };
    let (table, folder) = run_study(file, &options, &Reporter::new())?;
    let report = folder.join("report.html");
    Ok(format!("{table}\nreport: {}\n", shown(&report)))
}
