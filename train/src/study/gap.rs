//! The gap between a fitted vehicle and runs that it was not fitted to: `lowgear validate` writes it into a file next to the
//! vehicle file, a study of that vehicle reads it there.

use super::given::digest;
use crate::error::StudyError;
use crate::store::StoreError;
use lowgear_env::config::{Check, ConfigError, KeyError, in_range, load};
use lowgear_env::vehicle::VehicleConfig;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Layout of the file.
const FORMAT: u32 = 1;
/// Digits of a log's digest that are kept: enough to know it again.
const LOG_DIGITS: usize = 16;

/// The file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct GapFile {
    /// Layout.
    format: u32,
    /// SHA-256 of the vehicle as it stands in TOML.
    vehicle: String,
    /// By how much the vehicle misses the runs, %.
    gap_percent: f64,
    /// Runs that were compared.
    runs: u64,
}

impl Check for GapFile {
    fn check(&self) -> Result<(), KeyError> {
        if self.format != FORMAT {
            return Err(KeyError::new(
                "format",
                self.format,
                format!("{FORMAT}; run `lowgear validate` again"),
            ));
        }
        in_range("gap-percent", self.gap_percent, 0.0, 100.0, "%")
    }
}

/// Where the gap of a vehicle file lies: `fitted.toml` has `fitted-gap.toml`.
#[must_use]
pub fn gap_file(vehicle: &Path) -> PathBuf {
    let stem = vehicle.file_stem().unwrap_or_default().to_string_lossy();
    vehicle.with_file_name(format!("{stem}-gap.toml"))
}

/// How logs are named in a fitted vehicle file: the first digits of their SHA-256.
///
/// # Errors
/// A log that cannot be read.
pub fn log_digests(logs: &[PathBuf]) -> Result<Vec<String>, StudyError> {
    let one = |log: &PathBuf| {
        let bytes = std::fs::read(log).map_err(StoreError::io(log))?;
        Ok(digest(&bytes).chars().take(LOG_DIGITS).collect())
    };
    logs.iter().map(one).collect()
}

fn vehicle_digest(vehicle: &VehicleConfig, file: &Path) -> Result<String, StudyError> {
    let text = toml::to_string(vehicle)
        .map_err(|e| StoreError::Content { file: file.to_owned(), problem: e.to_string() })?;
    Ok(digest(text.as_bytes()))
}

/// Text of the file.
///
/// # Errors
/// What TOML cannot hold.
pub fn gap_text(
    vehicle: &VehicleConfig,
    file: &Path,
    gap_percent: f64,
    runs: usize,
) -> Result<String, StudyError> {
    let rounded = (100.0 * gap_percent.clamp(0.0, 100.0)).round() / 100.0;
    let content = GapFile {
        format: FORMAT,
        vehicle: vehicle_digest(vehicle, file)?,
        gap_percent: rounded,
        runs: runs as u64,
    };
    let text = toml::to_string(&content)
        .map_err(|e| StoreError::Content { file: file.to_owned(), problem: e.to_string() })?;
    Ok(format!(
        "# Written by `lowgear validate`; a study of this vehicle reads it. Delete it when it no longer holds.\n{text}"
    ))
}

/// Gives a fitted vehicle its gap from the file next to `vehicle_file`; the file, if there was one. A gap that stands in the
/// vehicle file itself is kept.
///
/// # Errors
/// A gap file that cannot be read, or one of another vehicle.
pub(super) fn read_gap(
    vehicle_file: &Path,
    vehicle: &mut VehicleConfig,
) -> Result<Option<PathBuf>, StudyError> {
    let file = gap_file(vehicle_file);
    let known = vehicle.fitted.as_ref().is_none_or(|fitted| fitted.gap_percent.is_some());
    if known || !file.exists() {
        return Ok(None);
    }
    let found: GapFile = load(&file)?;
    if found.vehicle != vehicle_digest(vehicle, vehicle_file)? {
        let allowed = "the digest of the vehicle file, which has changed since: run `lowgear validate` again, or delete \
                       this file";
        return Err(ConfigError::value(&file, KeyError::new("vehicle", found.vehicle, allowed)).into());
    }
    if let Some(fitted) = &mut vehicle.fitted {
        fitted.gap_percent = Some(found.gap_percent);
    }
    Ok(Some(file))
}
