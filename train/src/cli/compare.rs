//! `lowgear compare`.

use super::replace::Replace;
use super::{OtherVehicle, policy};
use crate::error::StudyError;
use crate::jobs::PolicyInstance;
use crate::lock::FolderLock;
use crate::store::write_atomically;
use crate::study::{compare_policies, read_inputs};
use crate::terminal;
use lowgear_env::load_course;
use lowgear_eval::aggregate::wrapped;
use std::path::PathBuf;

/// What it writes.
const FILES: [&str; 2] = ["episodes.csv", "summary.json"];

/// Compare saved policies on one set of courses, paired.
///
/// Reads a study file and saved policies. Every policy meets the same courses, vehicles and noise; the
/// differences are to the first policy named. Writes episodes.csv and summary.json with --out. Takes about a
/// second per policy and hundred courses.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`, after `lowgear study study.toml --quick`:\n  lowgear compare study.toml hand-rule runs/own-quick/table/seed-1"
)]
pub(super) struct CompareArguments {
    /// Study file (TOML)
    study: PathBuf,
    /// Saved policies: a policy.json, its folder, or the word hand-rule; the first is the reference
    #[arg(required = true, num_args = 2.., value_name = "POLICY")]
    policies: Vec<String>,
    /// Another course file than the study's
    #[arg(long, value_name = "FILE")]
    course: Option<PathBuf>,
    /// Number of courses [default: the study's test courses]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(2..=100_000))]
    courses: Option<u64>,
    /// Folder for episodes.csv and summary.json
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write summary.json to standard output in place of the table
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    replace: Replace,
    #[command(flatten)]
    vehicles: OtherVehicle,
}

pub(super) fn run(arguments: &CompareArguments) -> Result<String, StudyError> {
    let mut inputs = read_inputs(&arguments.study, false)?;
    let mut instances: Vec<(String, PolicyInstance)> = Vec::new();
    for word in &arguments.policies {
        let (file, instance) = policy(&inputs, word, arguments.vehicles)?;
        let repeats =
            instances.iter().filter(|p| p.0 == file.name || p.0.starts_with(&format!("{} (", file.name)));
        let name = match repeats.count() {
            0 => file.name,
            n => format!("{} ({})", file.name, n + 1),
        };
        instances.push((name, instance));
    }
    if let Some(course) = &arguments.course {
        (inputs.scenario.course, inputs.scenario.measured) = load_course(course)?;
    }
    let courses = arguments.courses.unwrap_or(inputs.study.test_courses);
    let outputs = arguments.replace.of_study(&inputs, &arguments.policies, &arguments.course);
    let lock = match &arguments.out {
        Some(out) => {
            outputs.check_all(FILES.map(|name| out.join(name)))?;
            Some(FolderLock::take(out)?)
        }
        None => None,
    };
    let (summary, table, episodes) = compare_policies(&inputs, &instances, courses)?;
    if let Some(out) = &arguments.out {
        write_atomically(&out.join("episodes.csv"), &episodes)?;
        write_atomically(&out.join("summary.json"), summary.as_bytes())?;
    }
    drop(lock);
    if arguments.json {
        return Ok(summary + "\n");
    }
    let note = format!("Both \"vs\" columns are against {}, the first policy named.\n", instances[0].0);
    Ok(table + &wrapped(&note, terminal::width()))
}
