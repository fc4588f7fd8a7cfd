//! Saved policies: what stands in a `policy.json`.

use super::{PolicyInstance, SavedPolicy};
use crate::error::{PolicyError, StudyError};
use crate::store::{read_json, write_json};
use lowgear_env::config::check_name;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Layout of a policy file; rises with any change of meaning.
pub const POLICY_FORMAT: u32 = 3;

/// A policy file.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PolicyFile {
    /// [`POLICY_FORMAT`].
    pub format: u32,
    /// Name, for example `dqn/seed-2`.
    pub name: String,
    /// Vehicle it was made for.
    pub vehicle: String,
    /// Gears of that vehicle.
    pub gears: usize,
    /// The policy.
    pub policy: SavedPolicy,
}

impl PolicyFile {
    /// Puts a policy into a file.
    #[must_use]
    pub fn new(name: &str, vehicle: &str, gears: usize, policy: SavedPolicy) -> PolicyFile {
        PolicyFile {
            format: POLICY_FORMAT,
            name: name.to_owned(),
            vehicle: vehicle.to_owned(),
            gears,
            policy,
        }
    }

    /// Reads a policy file, or the `policy.json` in a folder, and makes it ready to drive.
    ///
    /// # Errors
    /// [`StudyError`] with the file and what does not fit.
    pub fn load(path: &Path, gears: usize) -> Result<(PolicyFile, PolicyInstance), StudyError> {
        let path = if path.is_dir() { path.join("policy.json") } else { path.to_owned() };
        let file: PolicyFile = read_json(&path)?;
        let instance =
            file.check(gears).map_err(|problem| StudyError::Policy { file: path.clone(), problem })?;
        Ok((file, instance))
    }

    /// Checks what the file says of itself, and makes the policy ready to drive.
    fn check(&self, gears: usize) -> Result<PolicyInstance, PolicyError> {
        if self.format != POLICY_FORMAT {
            return Err(PolicyError::Format { found: self.format, read: POLICY_FORMAT });
        }
        check_name("name", &self.name)?;
        check_name("vehicle", &self.vehicle)?;
        if self.gears != gears {
            return Err(PolicyError::Gears { made_for: self.gears, gears });
        }
        self.policy.instantiate(gears)
    }

    /// Writes the file.
    ///
    /// # Errors
    /// [`StudyError::Store`].
    pub fn save(&self, path: &Path) -> Result<(), StudyError> {
        Ok(write_json(path, self)?)
    }
}
