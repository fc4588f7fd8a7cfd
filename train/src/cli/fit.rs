//! `lowgear fit`.

use super::replace::Replace;
use crate::error::StudyError;
use crate::field::{LogArguments, collect};
use crate::progress::Reporter;
use crate::store::write_atomically;
use crate::study::log_digests;
use lowgear_env::config::{ConfigError, KeyError, load, shown};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_report::plot::plot_svg;
use lowgear_sysid::fit::{Conditions, fit};
use lowgear_sysid::plausibility::Plausibility;
use std::path::{Path, PathBuf};

/// Fit a vehicle file to logs of the real vehicle.
///
/// Reads a vehicle file to start from and logs (CSV with headings such as time_s, motor_speed_rad_s, duty; other names
/// by --mapping), driven after the sheet of `lowgear recipes`. Writes the vehicle file with fitted values, their
/// standard errors, what the logs cannot tell and ranges for training; next to it a course file with the surfaces and a picture
/// of the residuals. Takes seconds; logs of a gigabyte a few more.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`, ground.csv being your log:\n  lowgear fit vehicle.toml ground.csv --out fitted.toml"
)]
pub(super) struct FitArguments {
    /// Vehicle file to start from (TOML)
    vehicle: PathBuf,
    /// Logs (CSV)
    #[arg(required = true, value_name = "LOG")]
    logs: Vec<PathBuf>,
    #[command(flatten)]
    reading: LogArguments,
    /// Vehicle file to write
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Write the files even where the logs do not fit the vehicle; what speaks against them then stands first
    #[arg(long)]
    accept_misfit: bool,
    /// Temperature of the air while the logs were written, °C
    #[arg(long, value_name = "C", default_value_t = 20.0, value_parser = temperature, allow_negative_numbers = true)]
    air_c: f64,
    #[command(flatten)]
    replace: Replace,
}

pub(super) fn temperature(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(air_c) if (-30.0..=60.0).contains(&air_c) => Ok(air_c),
        _ => Err("-30 to 60 °C".to_owned()),
    }
}

pub(super) fn run(arguments: &FitArguments) -> Result<String, StudyError> {
    let start: VehicleConfig = load(&arguments.vehicle)?;
    let sibling = |suffix: &str| sibling_named(&arguments.out, suffix);
    let (picture, course_file) = (sibling("fit.svg"), sibling("course.toml"));
    let inputs = arguments.logs.iter().chain([&arguments.vehicle]).chain(arguments.reading.file());
    arguments.replace.outputs(inputs).check_all([&arguments.out, &picture, &course_file])?;
    let reporter = Reporter::new();
    let mapping = arguments.reading.mapping()?;
    let (collected, notes) = collect(&start, &arguments.logs, &mapping, &reporter)?;
    refuse(&Plausibility::of(&start, &collected.runs), arguments.accept_misfit)?;
    let conditions =
        Conditions { speed_is: mapping.speed_is, air_c: arguments.air_c, ..Conditions::default() };
    let mut found = fit(&start, &collected, conditions, |line| reporter.line(line))?;
    found.logs = log_digests(&arguments.logs)?;
    refuse(&found.plausibility, arguments.accept_misfit)?;
    let names: Vec<String> = arguments
        .logs
        .iter()
        .map(|l| l.file_name().unwrap_or_default().to_string_lossy().into_owned())
        .collect();
    let text =
        found.vehicle_text(&start, &names, &notes).map_err(|error| out_of_range(&arguments.out, error))?;
    write_atomically(&arguments.out, text.as_bytes())?;
    write_atomically(&picture, plot_svg(&found.plot()).as_bytes())?;
    let mut out = format!(
        "{}\nvehicle: {}\nresiduals: {}\n",
        found.findings(&notes),
        shown(&arguments.out),
        shown(&picture)
    );
    if let Some(course) = found.course_text() {
        write_atomically(&course_file, course.as_bytes())?;
        out.push_str(&format!("surfaces: {}\n", shown(&course_file)));
    }
    Ok(out)
}

/// Ends a fit that is worth nothing before anything is written.
fn refuse(plausibility: &Plausibility, accepted: bool) -> Result<(), StudyError> {
    if accepted || plausibility.refused.is_empty() {
        return Ok(());
    }
    Err(StudyError::Misfit { reasons: plausibility.refused.join("\n  ") })
}

/// A fitted value that a vehicle file may not hold.
fn out_of_range(file: &Path, error: KeyError) -> StudyError {
    StudyError::Config(ConfigError::Value { file: file.to_owned(), line: None, error })
}

/// `vehicle.toml` and `fit.svg` become `vehicle-fit.svg`.
pub(super) fn sibling_named(file: &Path, suffix: &str) -> PathBuf {
    let stem = file.file_stem().unwrap_or_default().to_string_lossy();
    file.with_file_name(format!("{stem}-{suffix}"))
}
