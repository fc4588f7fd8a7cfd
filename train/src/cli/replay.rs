//! `lowgear replay`.

use super::replace::Replace;
use super::{OtherVehicle, policy};
use crate::error::StudyError;
use crate::field::{LogArguments, training_coverage};
use crate::store::{StoreError, begin, create_folder, write_atomically};
use crate::study::read_inputs;
use lowgear_agents::policy::Policy;
use lowgear_env::config::shown;
use lowgear_eval::replay::{Decision, Replay};
use lowgear_report::plot::plot_svg;
use lowgear_sysid::log::LogReader;
use std::io::{BufWriter, Write};
use std::path::PathBuf;

/// Replay a policy over a log: what it would have decided compared with what was done.
///
/// Reads a study file (vehicle and training courses), a saved policy or an exported table, and a log of the real vehicle. Writes
/// decisions.csv (one row per decision, with the guard's verdict on the driver's shifts and the nearest single-feature counterfactual), and replay.svg;
/// reports hunting and failed shifts, and which share of the log lies inside what training has seen. Takes seconds; logs of a gigabyte a minute.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`, another.csv being your log:\n  lowgear replay study.toml another.csv --policy hand-rule --out replayed"
)]
pub(super) struct ReplayArguments {
    /// Study file (TOML)
    study: PathBuf,
    /// Log (CSV)
    log: PathBuf,
    /// Saved policy: a policy.json, its folder, an exported file, or the word hand-rule
    #[arg(long, value_name = "POLICY")]
    policy: String,
    /// Folder for decisions.csv and replay.svg
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    #[command(flatten)]
    reading: LogArguments,
    #[command(flatten)]
    replace: Replace,
    #[command(flatten)]
    vehicles: OtherVehicle,
}

pub(super) fn run(arguments: &ReplayArguments) -> Result<String, StudyError> {
    let inputs = read_inputs(&arguments.study, false)?;
    let (file, mut instance) = policy(&inputs, &arguments.policy, arguments.vehicles)?;
    let mapping = arguments.reading.mapping()?;
    let (place, picture) = (arguments.out.join("decisions.csv"), arguments.out.join("replay.svg"));
    let inputs_too = arguments.reading.file().into_iter().chain([&arguments.log]);
    arguments.replace.of_study(&inputs, [&arguments.policy], inputs_too).check_all([&place, &picture])?;
    let mut log = LogReader::open(&arguments.log, &mapping)?;
    let seen = training_coverage(&inputs.scenario, &instance);
    inputs.scenario.check_driven()?;
    instance.reset();
    let mut replay = Replay::new(
        &inputs.scenario.vehicle,
        move |features, mask| instance.decide(features, mask),
        Some(&seen),
    );
    create_folder(&arguments.out)?;
    // The rows go to a file next to its place as they come; it takes its place when it is whole.
    let (sibling, begun) = begin(&place)?;
    let written = |reason| StudyError::Store(StoreError::io(&place)(reason));
    let mut rows = BufWriter::new(begun);
    writeln!(rows, "{}", Decision::headings()).map_err(written)?;
    let walked: Result<(), StudyError> =
        replay.run(&mut log, |decision| writeln!(rows, "{}", decision.row()).map_err(written));
    if walked.is_err() {
        // Half of the decisions are of no use to anybody.
        let _ = std::fs::remove_file(&sibling);
    }
    walked?;
    let whole = rows.into_inner().map_err(|e| written(e.into_error()))?;
    whole.sync_all().map_err(written)?;
    std::fs::rename(&sibling, &place).map_err(written)?;
    let log_name = shown(arguments.log.file_name().unwrap_or_default().as_ref());
    let title = format!("{} over {log_name}", file.name);
    write_atomically(&picture, plot_svg(&replay.plot(&title)).as_bytes())?;
    let notes: String = log.counters().text().lines().map(|l| format!("log: {l}\n")).collect();
    Ok(format!(
        "{notes}{}decisions: {}\npicture: {}\n",
        replay.summary().text(),
        shown(&place),
        shown(&picture)
    ))
}
