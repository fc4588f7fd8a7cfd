//! The command line: what was typed, which step it means, and the exit code.

mod check;
mod compare;
mod completions;
mod draw;
mod drive;
mod export;
mod fit;
mod init;
mod log;
mod man;
mod new;
mod recipes;
mod replace;
mod replay;
mod report;
mod route;
mod sensors;
mod study;
mod sweep;
mod trial;
mod validate;
mod why;

use crate::error::{PolicyError, StudyError};
use crate::jobs::{PolicyFile, SavedPolicy};
use crate::study::Inputs;
use crate::terminal::{print_message, print_result, unless_closed};
use clap::{CommandFactory, Parser, Subcommand};
use lowgear_env::config::escaped;
use lowgear_env::vehicle::LapAdvice;
use lowgear_eval::PolicyId;
use std::ffi::OsString;
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

/// Done.
pub const EXIT_DONE: u8 = 0;
/// A step failed: training, statistics, export or proof.
pub const EXIT_FAILED: u8 = 1;
/// Wrong usage or configuration.
pub const EXIT_USAGE: u8 = 2;
/// A file or folder could not be read or written.
pub const EXIT_FILES: u8 = 3;
/// Stopped by Ctrl-C or by the system's request to end; nothing is lost.
pub const EXIT_STOPPED: u8 = 4;

/// Trains shift strategies for small battery-electric vehicles with a motor-shifted gearbox, shows what they
/// are worth against a threshold rule, and writes them out as tables for firmware.
#[derive(Parser)]
#[command(name = "lowgear", version, after_help = EXITS)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

const EXITS: &str = "Exit codes: 0 done, 1 a step failed, 2 wrong usage or configuration, 3 files, 4 stopped.\n\
    All results are simulation. Before a table drives a real vehicle read the cautions in the README.";

#[derive(Subcommand)]
enum Command {
    New(new::NewArguments),
    Study(study::StudyArguments),
    Sweep(sweep::SweepArguments),
    Check(check::CheckArguments),
    Draw(draw::DrawArguments),
    Drive(drive::DriveArguments),
    Compare(compare::CompareArguments),
    Sensors(sensors::SensorsArguments),
    Route(route::RouteArguments),
    Report(report::ReportArguments),
    Export(export::ExportArguments),
    Init(init::InitArguments),
    Recipes(recipes::RecipesArguments),
    Fit(fit::FitArguments),
    Validate(validate::ValidateArguments),
    Replay(replay::ReplayArguments),
    Log(log::LogArguments),
    Trial(trial::TrialArguments),
    Completions(completions::CompletionsArguments),
    Man(man::ManArguments),
}

/// Runs the command line `arguments` (the program's name first).
#[must_use]
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments: Vec<OsString> = arguments.into_iter().collect();
    let typed = arguments.clone();
    let arguments = match Arguments::try_parse_from(arguments) {
        Ok(arguments) => arguments,
        Err(error) => {
            if error.use_stderr() {
                let _ = escaped_refusal(error, &typed).print();
                return ExitCode::from(EXIT_USAGE);
            }
            let printed = error.print().and_then(|()| std::io::stdout().flush());
            return ExitCode::from(printed_code(unless_closed(printed)));
        }
    };
    let outcome = match arguments.command {
        Command::New(a) => new::run(&a),
        Command::Study(a) => study::run(&a),
        Command::Sweep(a) => sweep::run(&a),
        Command::Check(a) => check::run(&a),
        Command::Draw(a) => draw::run(&a),
        Command::Drive(a) => drive::run(&a),
        Command::Compare(a) => compare::run(&a),
        Command::Sensors(a) => sensors::run(&a),
        Command::Route(a) => route::run(&a),
        Command::Report(a) => report::run(&a),
        Command::Export(a) => export::run(&a),
        Command::Init(a) => init::run(&a),
        Command::Recipes(a) => recipes::run(&a),
        Command::Fit(a) => fit::run(&a),
        Command::Validate(a) => validate::run(&a),
        Command::Replay(a) => replay::run(&a),
        Command::Log(a) => log::run(&a),
        Command::Trial(a) => trial::run(&a),
        Command::Completions(a) => Ok(completions::run(&a, &mut Arguments::command())),
        Command::Man(a) => man::run(&a, Arguments::command()),
    };
    match outcome {
        Ok(text) => ExitCode::from(printed_code(print_result(&text))),
        Err(error) => {
            print_message(&format!("error: {error}"));
            ExitCode::from(exit_code(&error))
        }
    }
}

/// The exit code after results were written to standard output: lost results are an error.
fn printed_code(written: std::io::Result<()>) -> u8 {
    let Err(reason) = written else { return EXIT_DONE };
    print_message(&format!(
        "error: standard output: {reason}; the results are not whole there\n  hint: check that the disk is not full"
    ));
    EXIT_FILES
}

/// The same usage error with the arguments escaped.
fn escaped_refusal(refusal: clap::Error, typed: &[OsString]) -> clap::Error {
    let shown = typed.iter().map(|argument| escaped(&argument.to_string_lossy()));
    Arguments::try_parse_from(shown).err().unwrap_or(refusal)
}

fn exit_code(error: &StudyError) -> u8 {
    use crate::store::StoreError;
    use lowgear_env::CourseError;
    use lowgear_env::config::ConfigError;
    use lowgear_env::terrain::ProfileError;
    use lowgear_sysid::log::LogError;
    match error {
        StudyError::Course(CourseError::Profile(ProfileError::Unreadable { reason, .. }))
            if reason.is_io_error() =>
        {
            EXIT_FILES
        }
        StudyError::Store(StoreError::Io { .. } | StoreError::Taken { .. })
        | StudyError::InUse { .. }
        | StudyError::Log(LogError::Unreadable { .. })
        | StudyError::Config(ConfigError::Unreadable { .. })
        | StudyError::Course(CourseError::Config(ConfigError::Unreadable { .. })) => EXIT_FILES,
        StudyError::Stopped => EXIT_STOPPED,
        StudyError::Config(_)
        | StudyError::Course(_)
        | StudyError::Store(_)
        | StudyError::FolderExists { .. }
        | StudyError::NoStudy { .. }
        | StudyError::NoStudyFile { .. }
        | StudyError::NoFolder { .. }
        | StudyError::Unfinished { .. }
        | StudyError::Log(_)
        | StudyError::NoLaps
        | StudyError::NoFrames { .. }
        | StudyError::NoHeader { .. }
        | StudyError::Option(_)
        | StudyError::OtherStudy { .. }
        | StudyError::OtherJobs { .. }
        | StudyError::OtherSweep { .. }
        | StudyError::Policy { .. } => EXIT_USAGE,
        _ => EXIT_FAILED,
    }
}

/// What a vehicle does with what it has learned of its way, by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Advice {
    /// Holds upshifts back before places where it has stalled
    Hold,
    /// Also shifts up early where the top gear ran easily
    Early,
}

impl From<Advice> for LapAdvice {
    fn from(advice: Advice) -> LapAdvice {
        match advice {
            Advice::Hold => LapAdvice::Hold,
            Advice::Early => LapAdvice::Early,
        }
    }
}

/// Whether policies made for other vehicles are taken.
#[derive(Clone, Copy, clap::Args)]
struct OtherVehicle {
    /// Take a policy that was made for another vehicle with as many gears
    #[arg(long)]
    other_vehicle: bool,
}

impl OtherVehicle {
    /// Compares the vehicle that a policy was made for with that of the study.
    fn check(self, file: &Path, made_for: &str, vehicle: &str) -> Result<(), StudyError> {
        if self.other_vehicle || made_for == vehicle {
            return Ok(());
        }
        let problem = PolicyError::Vehicle { made_for: made_for.to_owned(), vehicle: vehicle.to_owned() };
        Err(StudyError::Policy { file: file.to_owned(), problem })
    }
}

/// A policy by the word `hand-rule`, by the path of its file or folder, or by that of an exported file.
fn policy(
    inputs: &Inputs,
    word: &str,
    vehicles: OtherVehicle,
) -> Result<(PolicyFile, crate::jobs::PolicyInstance), StudyError> {
    let gears = inputs.scenario.gears();
    if PolicyId::HandRule == word {
        let saved = SavedPolicy::Rule(inputs.study.rule.clone());
        let instance = saved.instantiate(gears)?;
        return Ok((PolicyFile::new(word, &inputs.scenario.vehicle.name, gears, saved), instance));
    }
    let path = Path::new(word);
    let exported = path.extension().and_then(|end| end.to_str()).filter(|end| *end != "json");
    let (saved, instance) = match exported {
        Some(end) if !path.is_dir() => crate::exported::load(inputs, path, end)?,
        _ => PolicyFile::load(path, gears)?,
    };
    vehicles.check(path, &saved.vehicle, &inputs.scenario.vehicle.name)?;
    Ok((saved, instance))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_that_is_not_physical_ends_with_the_code_of_a_failed_step() {
        let fault = lowgear_env::Unphysical {
            course: "lane".into(),
            seed: 7,
            episode: 3,
            time_s: 1.25,
            what: "-3.000e1 m/s".into(),
        };
        assert_eq!(exit_code(&StudyError::from(fault)), EXIT_FAILED);
    }
}
