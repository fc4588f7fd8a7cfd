//! `lowgear check`.

use crate::config::{SensorKind, SensorsConfig};
use crate::error::StudyError;
use crate::resolved::resolved;
use crate::schema::FileKind;
use crate::study::read_inputs;
use crate::sweep::Sweep;
use crate::terminal::print_result;
use lowgear_env::config::{ConfigError, load, shown};
use lowgear_env::load_course;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_sysid::log::Mapping;
use lowgear_sysid::sheet::Sheet;
use serde::Serialize;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// Check a study, vehicle, course, sweep, sheet, mapping or sensors file without running anything.
///
/// Reads the file and whatever it names; writes no file. Says what is wrong with file, line,
/// key and allowed range; keys that are missing are all reported at once. The kind of file is seen by its keys, unless
/// --kind names it. With --resolved it writes the file to standard output as it was understood: every
/// key with its meaning, unit and value, defaults filled in. With --json it writes what it found to standard output
/// for a program to read: file, kind, valid, description, settings with defaults, or the error. With --schema it reads nothing and writes the JSON
/// schema of a kind of file, which editors complete and check keys with.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`:\n  lowgear check vehicle.toml --resolved"
)]
pub(super) struct CheckArguments {
    /// Study, vehicle, course, sweep, sheet, mapping or sensors file (TOML)
    #[arg(required_unless_present = "schema")]
    file: Option<PathBuf>,
    /// Kind of the file [default: by its keys]
    #[arg(long, value_name = "KIND")]
    kind: Option<FileKind>,
    /// Write the file with every default filled in and every key explained
    #[arg(long)]
    resolved: bool,
    /// Write the result as JSON
    #[arg(long, conflicts_with = "resolved")]
    json: bool,
    /// Write the JSON schema of a kind of file
    #[arg(long, value_name = "KIND", conflicts_with_all = ["file", "kind", "resolved", "json"])]
    schema: Option<FileKind>,
}

pub(super) fn run(arguments: &CheckArguments) -> Result<String, StudyError> {
    let Some(file) = &arguments.file else {
        return Ok(arguments.schema.map(FileKind::schema_text).unwrap_or_default());
    };
    let checked = check(file, arguments.kind);
    if arguments.json {
        return written_as_json(file, checked);
    }
    let Checked { description, resolved, .. } = checked?;
    Ok(if arguments.resolved { resolved } else { format!("{}: OK ({description})\n", shown(file)) })
}

/// What was found in a file that is in order.
struct Checked {
    kind: FileKind,
    /// Name and size of what it describes.
    description: String,
    /// The file with every default filled in, as TOML with comments.
    resolved: String,
    /// The same values for a program.
    settings: Value,
}

impl Checked {
    fn new(kind: FileKind, description: String, config: &impl Serialize) -> Result<Checked, StudyError> {
        let settings = serde_json::to_value(config)?;
        Ok(Checked { kind, description, resolved: resolved(kind, config)?, settings })
    }
}

/// The result for a program. An error is in it and, as without `--json`, on standard error.
fn written_as_json(file: &Path, checked: Result<Checked, StudyError>) -> Result<String, StudyError> {
    let file = shown(file);
    match checked {
        Ok(Checked { kind, description, settings, .. }) => {
            let found = json!({
                "file": file, "kind": kind.name(), "valid": true, "description": description, "settings": settings,
            });
            Ok(format!("{found:#}\n"))
        }
        Err(error) => {
            let found = json!({ "file": file, "valid": false, "error": error.to_string() });
            print_result(&format!("{found:#}\n")).map_err(StudyError::path(Path::new("standard output")))?;
            Err(error)
        }
    }
}

fn check(file: &Path, named: Option<FileKind>) -> Result<Checked, StudyError> {
    let kind = match named {
        Some(kind) => kind,
        None => recognised(file)?,
    };
    match check_as(kind, file) {
        // Maybe it is of another kind.
        Err(StudyError::Config(ConfigError::Syntax { file: at, line, message }))
            if named.is_none() && at == file =>
        {
            let hint = format!("\n  hint: read as a {} file; --kind names another kind", kind.name());
            Err(ConfigError::Syntax { file: at, line, message: message + &hint }.into())
        }
        other => other,
    }
}

/// The kind of a file by what it holds.
fn recognised(file: &Path) -> Result<FileKind, StudyError> {
    let unreadable = |reason| ConfigError::Unreadable { file: file.to_owned(), reason };
    let text = std::fs::read_to_string(file).map_err(unreadable)?;
    let kinds = || FileKind::ALL.map(FileKind::name).join(", ");
    FileKind::recognised(&text).ok_or_else(|| {
        let table = |line: &str| line.contains([',', ';', '\t']) && !line.contains('=');
        let said = if text.lines().find(|line| !line.trim().is_empty()).is_some_and(table) {
            "a table of values, as logs are, and no configuration file; `lowgear fit`, `gap` and `replay` read logs"
        } else {
            "no key that a configuration file has"
        };
        let message = format!("{said}\n  hint: --kind names the kind of file, one of {}", kinds());
        ConfigError::Syntax { file: file.to_owned(), line: None, message }.into()
    })
}

fn check_as(kind: FileKind, file: &Path) -> Result<Checked, StudyError> {
    match kind {
        FileKind::Vehicle => {
            let vehicle: VehicleConfig = load(file)?;
            let gears = vehicle.gearbox.total_ratio.len();
            Checked::new(kind, format!("vehicle \"{}\", {gears} gears", vehicle.name), &vehicle)
        }
        FileKind::Course => {
            let (course, _) = load_course(file)?;
            let surfaces = course.surfaces.len();
            Checked::new(kind, format!("course \"{}\", {surfaces} surfaces", course.name), &course)
        }
        FileKind::Study => {
            let inputs = read_inputs(file, false)?;
            let found = format!(
                "study \"{}\": vehicle \"{}\", course \"{}\", {} training seeds",
                inputs.study.name,
                inputs.scenario.vehicle.name,
                inputs.scenario.course.name,
                inputs.study.training_seeds
            );
            Checked::new(kind, found, &inputs.study)
        }
        FileKind::Sweep => {
            let sweep = Sweep::read(file)?;
            let (name, axes) = (&sweep.config.name, sweep.config.axes.len());
            let found = format!("sweep \"{name}\": {axes} axes, {} jobs", sweep.jobs());
            Checked::new(kind, found, &sweep.config)
        }
        FileKind::Sheet => {
            let sheet: Sheet = load(file)?;
            // The figures must make a vehicle, too.
            let (vehicle, _) =
                sheet.vehicle().map_err(|e| StudyError::Config(ConfigError::value(file, e)))?;
            let gears = vehicle.gearbox.total_ratio.len();
            Checked::new(kind, format!("sheet \"{}\", {gears} gears", sheet.name), &sheet)
        }
        FileKind::Mapping => {
            let mapping: Mapping = load(file)?;
            Checked::new(kind, format!("mapping of {} columns", mapping.columns.len()), &mapping)
        }
        FileKind::Sensors => {
            let sensors: SensorsConfig = load(file)?;
            // An exact preview is no part.
            let parts = SensorKind::ALL.into_iter().filter(|kind| *kind != SensorKind::Exact);
            let count = parts.filter(|kind| sensors.has(*kind)).count();
            Checked::new(kind, format!("sensors to compare: {count}"), &sensors)
        }
    }
}
