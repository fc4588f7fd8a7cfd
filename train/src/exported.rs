//! An exported file as a policy.

use crate::error::StudyError;
use crate::saved::{PolicyFile, PolicyInstance, SavedPolicy};
use crate::store::StoreError;
use crate::study::Inputs;
use lowgear_env::config::check_name;
use lowgear_firmware::{read_export, settings_hash};
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
    let problem = |problem: String| StudyError::Policy { file: path.to_owned(), problem };
    let bytes = std::fs::read(path).map_err(StoreError::io(path))?;
    let text = String::from_utf8(bytes).map_err(|_| problem("not a text".to_owned()))?;
    let exported = read_export(&text, extension).map_err(|e| problem(e.to_string()))?;
    let gears = inputs.scenario.gears();
    if usize::from(exported.gears) != gears {
        return Err(problem(format!("made for {} gears, the vehicle has {gears}", exported.gears)));
    }
    if exported.settings != settings_hash(&inputs.scenario.settings) {
        return Err(problem(
            "made for a controller with other settings than this study's vehicle has: export the policy again"
                .to_owned(),
        ));
    }
    let name = format!("{} ({})", exported.table.provenance().teacher, exported.format.name());
    check_name("teacher", &name).map_err(|e| problem(e.to_string()))?;
    let saved = SavedPolicy::Table(exported.table.to_json().map_err(StudyError::step("table"))?);
    let instance = saved.instantiate(gears).map_err(problem)?;
    let vehicle = inputs.scenario.vehicle.name.as_str();
    let made_for = if exported.is_for(vehicle) { vehicle } else { &exported.table.provenance().vehicle };
    Ok((PolicyFile::new(&name, made_for, gears, saved), instance))
}
