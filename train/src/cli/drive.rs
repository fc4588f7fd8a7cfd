//! `lowgear drive`.

use super::policy;
use crate::error::StudyError;
use crate::store::{create_folder, write_atomically};
use crate::study::read_inputs;
use lowgear_env::{load_course, write_trace};
use lowgear_eval::gallery::{run_trace, trace_picture};
use lowgear_eval::report::trace_svg;
use lowgear_eval::suite::TestSuite;
use std::path::PathBuf;

/// Drive one episode and write its trace.
///
/// Reads a study file (vehicle, course, rules of the episode) and a saved policy. Writes trace.csv, one row
/// per controller tick with units in the headings, and trace.svg. Takes about a second.
#[derive(clap::Args)]
pub(super) struct DriveArguments {
    /// Study file (TOML)
    study: PathBuf,
    /// Saved policy: a policy.json, its folder, or the word hand-rule
    #[arg(long, default_value = "hand-rule", value_name = "POLICY")]
    policy: String,
    /// Another course file than the study's
    #[arg(long, value_name = "FILE")]
    course: Option<PathBuf>,
    /// Number of the episode
    #[arg(long, default_value_t = 0, value_name = "N")]
    episode: u64,
    /// Folder for trace.csv and trace.svg
    #[arg(long, default_value = "runs/drive", value_name = "DIR")]
    out: PathBuf,
}

pub(super) fn run(arguments: &DriveArguments) -> Result<String, StudyError> {
    let mut inputs = read_inputs(&arguments.study, false)?;
    let (file, mut player) = policy(&inputs, &arguments.policy)?;
    if let Some(course) = &arguments.course {
        (inputs.scenario.course, inputs.scenario.measured) = load_course(course)?;
    }
    let suite = TestSuite::new(&inputs.scenario, 1);
    let (trace, rows) = run_trace(suite.scenario(), arguments.episode, &mut player, &file.name);
    let title = format!("{}, episode {}", inputs.scenario.course.name, arguments.episode);
    let outcome = trace.outcome.clone();
    let course = suite.scenario().lay(arguments.episode).1.course;
    let picture = trace_picture(&title, &course, inputs.scenario.gears(), vec![trace]);
    create_folder(&arguments.out)?;
    let mut csv = Vec::new();
    write_trace(&rows, &mut csv).map_err(StudyError::step("trace"))?;
    write_atomically(&arguments.out.join("trace.csv"), &csv)?;
    write_atomically(&arguments.out.join("trace.svg"), trace_svg(&picture).as_bytes())?;
    Ok(format!(
        "{}: {outcome}\ntrace: {} ({} rows) and trace.svg beside it\n",
        file.name,
        arguments.out.join("trace.csv").display(),
        rows.len()
    ))
}
