//! `lowgear study`.

use crate::error::StudyError;
use crate::progress::Reporter;
use crate::study::{Options, run as run_study};
use std::path::PathBuf;

/// Run a whole study: tune the rules, train the learners, compare, report, export.
///
/// Reads the study file and the vehicle and course files that it names. Writes a run folder: study.toml, a
/// folder per learner and seed, episodes.csv, summary.json, report.html, table/ and firmware/. The
/// demonstration takes a few minutes on two cores, with --quick under a minute. It can be interrupted at any
/// time and continued with --resume; same seed, same bytes.
#[derive(clap::Args)]
pub(super) struct StudyArguments {
    /// Study file (TOML)
    file: PathBuf,
    /// Run folder [default: runs/NAME]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Small budgets, but every step: to see whether everything works
    #[arg(long)]
    quick: bool,
    /// Continue an interrupted run in its folder
    #[arg(long)]
    resume: bool,
    /// Threads [default: one per core]; the results do not depend on it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
}

pub(super) fn run(arguments: &StudyArguments) -> Result<String, StudyError> {
    let options = Options {
        out: arguments.out.clone(),
        quick: arguments.quick,
        resume: arguments.resume,
        threads: arguments.threads.map(usize::from),
    };
    let (table, folder) = run_study(&arguments.file, &options, &Reporter::new())?;
    let report = folder.join("report.html");
    Ok(format!("{table}\nreport: {}\n", report.display()))
}
