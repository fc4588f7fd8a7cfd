//! `lowgear drive`.

use super::replace::Replace;
use super::why::{DecisionNotes, TimeSpan};
use super::{OtherVehicle, policy};
use crate::error::StudyError;
use crate::store::{create_folder, write_atomically};
use crate::study::family;
use crate::study::read_inputs;
use lowgear_agents::policy::Policy;
use lowgear_env::config::shown;
use lowgear_env::{Drive, World, load_course, write_trace};
use lowgear_eval::figures::{trace_picture, watch};
use lowgear_eval::suite::TestSuite;
use lowgear_report::trace_svg;
use std::path::PathBuf;
use std::sync::Arc;

/// Drive one episode and write its trace.
///
/// Reads a study file (vehicle, course, rules of the episode) and a saved policy. Writes trace.csv, one row
/// per controller tick with units in the headings, and trace.svg. With --why it reports what the policy knew,
/// weighed and was allowed at some ticks. Takes about a second.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`:\n  lowgear drive study.toml --why 12..13"
)]
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
    /// Explain the decisions of the policy at this time, or from one to another (as 12..13.5), s
    #[arg(long, value_name = "T")]
    why: Option<TimeSpan>,
    /// Folder for trace.csv and trace.svg
    #[arg(long, default_value = "runs/drive", value_name = "DIR")]
    out: PathBuf,
    #[command(flatten)]
    replace: Replace,
    #[command(flatten)]
    vehicles: OtherVehicle,
}

pub(super) fn run(arguments: &DriveArguments) -> Result<String, StudyError> {
    let mut inputs = read_inputs(&arguments.study, false)?;
    let (file, mut instance) = policy(&inputs, &arguments.policy, arguments.vehicles)?;
    if let Some(course) = &arguments.course {
        (inputs.scenario.course, inputs.scenario.measured) = load_course(course)?;
    }
    let (csv_file, svg_file) = (arguments.out.join("trace.csv"), arguments.out.join("trace.svg"));
    arguments
        .replace
        .of_study(&inputs, [&arguments.policy], &arguments.course)
        .check_all([&csv_file, &svg_file])?;
    let suite = TestSuite::new(&inputs.scenario, 1);
    let mut notes =
        arguments.why.map(|span| DecisionNotes::new(span, &file, &arguments.policy)).transpose()?;
    instance.reset();
    let drive = Drive::new(Arc::clone(suite.scenario()), arguments.episode);
    let (trace, rows) = watch(drive, &file.name, family(&instance), |drive| {
        if let Some(notes) = &mut notes {
            notes.ask(drive, &instance);
        }
        instance.decide(drive.observation(), drive.mask())
    });
    inputs.scenario.check_driven()?;
    let why = notes.map_or(Ok(String::new()), |notes| notes.text(&rows))?;
    let title = format!("{}, episode {}", inputs.scenario.course.name, arguments.episode);
    let outcome = trace.outcome.clone();
    let course = suite.scenario().instantiate(arguments.episode).1.course;
    let picture = trace_picture(&title, &course, inputs.scenario.gears(), vec![trace]);
    create_folder(&arguments.out)?;
    let mut csv = Vec::new();
    write_trace(&rows, &mut csv)?;
    write_atomically(&csv_file, &csv)?;
    write_atomically(&svg_file, trace_svg(&picture).as_bytes())?;
    Ok(format!(
        "{why}{}: {outcome}\ntrace: {} ({} rows) and trace.svg next to it\n",
        file.name,
        shown(&csv_file),
        rows.len()
    ))
}
