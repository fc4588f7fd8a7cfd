//! `lowgear validate`.

use super::fit::{sibling_named, temperature};
use super::replace::Replace;
use crate::error::StudyError;
use crate::field::{LogArguments, collect};
use crate::progress::Reporter;
use crate::store::write_atomically;
use crate::study::{gap_file, gap_text, log_digests};
use lowgear_env::config::{load, shown};
use lowgear_env::load_course;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_report::plot::plot_svg;
use lowgear_sysid::fit::Surfaces;
use lowgear_sysid::validate::{Validation, compare};
use std::path::{Path, PathBuf};

/// Validate the model against the vehicle: simulate a log's own runs.
///
/// Reads a vehicle file, a course file with the surfaces, and logs with labelled runs, best such that were not fitted to. Writes
/// measured against simulated speed as a picture and the errors of each run; in the end one number for how far to trust a trained
/// policy. For a fitted vehicle that number goes into a file next to it, VEHICLE-gap.toml, which its studies read. Takes seconds.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`, after `lowgear fit`, another.csv being your log:\n  lowgear validate fitted.toml another.csv --course fitted-course.toml"
)]
pub(super) struct ValidateArguments {
    /// Vehicle file (TOML)
    vehicle: PathBuf,
    /// Logs (CSV)
    #[arg(required = true, value_name = "LOG")]
    logs: Vec<PathBuf>,
    /// Course file whose surfaces are those of the labels
    #[arg(long, value_name = "FILE")]
    course: PathBuf,
    #[command(flatten)]
    reading: LogArguments,
    /// Picture to write
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Temperature of the air while the logs were written, °C
    #[arg(long, value_name = "C", default_value_t = 20.0, value_parser = temperature, allow_negative_numbers = true)]
    air_c: f64,
    #[command(flatten)]
    replace: Replace,
}

pub(super) fn run(arguments: &ValidateArguments) -> Result<String, StudyError> {
    let vehicle: VehicleConfig = load(&arguments.vehicle)?;
    let (course, _) = load_course(&arguments.course)?;
    let picture = arguments.out.clone().unwrap_or_else(|| sibling_named(&arguments.vehicle, "validate.svg"));
    let inputs = arguments.logs.iter().chain([&arguments.vehicle, &arguments.course]);
    let gap = gap_file(&arguments.vehicle);
    arguments.replace.outputs(inputs.chain(arguments.reading.file())).check_all([&picture, &gap])?;
    let mapping = arguments.reading.mapping()?;
    let (collected, notes) = collect(&vehicle, &arguments.logs, &mapping, &Reporter::new())?;
    let known = course.plain_surfaces();
    let mut surfaces = Surfaces::new(known.iter().map(|s| s.name.clone()).collect());
    surfaces.rolling = known.iter().map(|s| s.rolling).collect();
    surfaces.drag_s_m = known.iter().map(|s| s.drag_s_m).collect();
    let missing =
        |r: &&lowgear_sysid::runs::Run| r.surface.as_ref().is_some_and(|s| !surfaces.names.contains(s));
    if let Some(run) = collected.runs.iter().find(missing) {
        let allowed = format!("one of the course's: {}", surfaces.names.join(", "));
        let got = run.surface.clone().unwrap_or_default();
        let key = format!("surface of the run at line {}", run.line());
        return Err(lowgear_env::config::KeyError::new(key, got, allowed).into());
    }
    let validation = compare(&vehicle, &surfaces, &collected.runs, arguments.air_c);
    write_atomically(
        &picture,
        plot_svg(&validation.plot(&format!("{}: measured and simulated", vehicle.name))).as_bytes(),
    )?;
    let gap_line = write_gap(arguments, &vehicle, &validation, &gap)?;
    let printed_notes: String = notes.lines().map(|l| format!("{l}\n")).collect();
    Ok(format!("{printed_notes}{}picture: {}\n{gap_line}", validation.text(), shown(&picture)))
}

/// Writes the gap of a fitted vehicle, if these runs may tell it; what is to say about it.
fn write_gap(
    arguments: &ValidateArguments,
    vehicle: &VehicleConfig,
    validation: &Validation,
    file: &Path,
) -> Result<String, StudyError> {
    let (Some(fitted), Some(share)) = (&vehicle.fitted, validation.trust()) else { return Ok(String::new()) };
    let known = log_digests(&arguments.logs)?.into_iter().find(|log| fitted.logs.contains(log));
    if known.is_some() {
        return Ok("no gap file: the vehicle was fitted to one of these logs; drive other runs, and give only them\n"
            .to_owned());
    }
    let text = gap_text(vehicle, &arguments.vehicle, 100.0 * share, validation.runs.len())?;
    write_atomically(file, text.as_bytes())?;
    Ok(format!("gap, for studies of this vehicle: {}\n", shown(file)))
}
