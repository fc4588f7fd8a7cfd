//! An exported file as a policy.

use crate::error::{PolicyError, StudyError};
use crate::jobs::{PolicyFile, PolicyInstance, SavedPolicy};
use crate::store::StoreError;
use crate::study::Inputs;
use lowgear_env::config::check_name;
use lowgear_firmware::{ExportedPolicy, read_export, settings_hash};
use std::path::Path;

/// Reads an exported file, whose name ends in `extension`, for the vehicle of a study. The policy carries the name of the
/// vehicle it was made for, which may be another one with the same controller.
///
/// # Errors
/// [`StudyError`] with the file and why it was refused: foreign, changed, cut short, or made for a controller
/// with other settings, which would see other features than this study's vehicle shows.
pub fn load(
    inputs: &Inputs,
    path: &Path,
    extension: &str,
) -> Result<(PolicyFile, PolicyInstance), StudyError> {
    let bytes = std::fs::read(path).map_err(StoreError::io(path))?;
    read(inputs, bytes, extension).map_err(|problem| StudyError::Policy { file: path.to_owned(), problem })
}

fn read(
    inputs: &Inputs,
    bytes: Vec<u8>,
    extension: &str,
) -> Result<(PolicyFile, PolicyInstance), PolicyError> {
    let text = String::from_utf8(bytes).map_err(|_| PolicyError::NotText)?;
    let exported = read_export(&text, extension)?;
    let (made_for, gears) = (usize::from(exported.gears), inputs.scenario.gears());
    if made_for != gears {
        return Err(PolicyError::Gears { made_for, gears });
    }
    if exported.settings != settings_hash(&inputs.scenario.settings) {
        return Err(PolicyError::Controller);
    }
    let origin = exported.policy.decider().provenance().clone();
    let name = format!("{} ({})", origin.teacher, exported.format.name());
    check_name("teacher", &name)?;
    let saved = match &exported.policy {
        ExportedPolicy::Table(table) => SavedPolicy::Table(table.to_json()?),
        ExportedPolicy::Network(network) => SavedPolicy::Network(network.to_json()?),
    };
    let instance = saved.instantiate(gears)?;
    let vehicle = inputs.scenario.vehicle.name.as_str();
    let made_for = if exported.is_for(vehicle) { vehicle } else { &origin.vehicle };
    Ok((PolicyFile::new(&name, made_for, gears, saved), instance))
}
