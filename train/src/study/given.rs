//! What a study was given: the files that it was read from, and how what a run folder keeps differs from it.

use crate::error::StudyError;
use crate::store::StoreError;
use lowgear_env::terrain::CourseConfig;
use lowgear_report::ChangedKey;
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use toml::{Table, Value};

/// Differences that are listed one by one.
const MAX_LISTED: usize = 4;
/// The digest of a measured profile.
const OF_PROFILE: &str = "given.profile";

/// The files that a study was read from.
#[derive(Clone, Debug, Default)]
pub struct InputDigests {
    /// Every file, the study's first.
    pub files: Vec<PathBuf>,
    /// SHA-256 of the measured profile's bytes, if there is one.
    pub profile: Option<String>,
}

impl InputDigests {
    /// The files of a study whose course file, as it was read, is `course`.
    ///
    /// # Errors
    /// [`StudyError::Store`] when the profile cannot be read.
    pub fn new(files: [&Path; 3], course: &CourseConfig) -> Result<InputDigests, StudyError> {
        let mut given = InputDigests { files: files.map(Path::to_owned).to_vec(), profile: None };
        if let Some(profile) = &course.profile {
            let path = files[2].parent().unwrap_or(Path::new(".")).join(profile);
            let bytes = fs::read(&path).map_err(StoreError::io(&path))?;
            given.profile = Some(digest(&bytes));
            given.files.push(path);
        }
        Ok(given)
    }
}

/// SHA-256 in hexadecimal digits.
pub(super) fn digest(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().fold(String::new(), |mut text, byte| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// The keys in which two resolved studies differ. Of the digests, that of a measured profile alone says more than the
/// keys.
///
/// # Errors
/// What cannot be read as TOML.
pub(super) fn changed_keys(before: &str, now: &str) -> Result<Vec<ChangedKey>, toml::de::Error> {
    let (before, now) = (toml::from_str::<Table>(before)?, toml::from_str::<Table>(now)?);
    let mut found = Vec::new();
    compare("", &before, &now, &mut found);
    found.retain(|changed| !changed.key.starts_with("given.") || changed.key == OF_PROFILE);
    Ok(found)
}

/// What differs between what a run folder keeps and what would be kept now, key by key.
pub(super) fn differences(kept: &str, now: &str) -> String {
    let (Ok(kept), Ok(now)) = (toml::from_str::<Table>(kept), toml::from_str::<Table>(now)) else {
        return "it cannot be read".to_owned();
    };
    let mut found = Vec::new();
    compare("", &kept, &now, &mut found);
    // A digest tells only of what does not stand there itself: the profile.
    let profile = found.iter().any(|changed| changed.key == OF_PROFILE);
    found.retain(|changed| !changed.key.starts_with("given"));
    let line = |ChangedKey { key, before, now }| format!("{key} ({before} there, {now} now)");
    let mut found: Vec<String> = found.into_iter().map(line).collect();
    if profile {
        let name = now.get("course").and_then(|course| course.get("profile")).and_then(Value::as_str);
        found.insert(0, format!("the measured profile {}", name.unwrap_or("of the course")));
    }
    let more = found.len().saturating_sub(MAX_LISTED);
    found.truncate(MAX_LISTED);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    format!("{}{more}", found.join("; "))
}

fn compare(path: &str, kept: &Table, now: &Table, found: &mut Vec<ChangedKey>) {
    let mut keys: Vec<&String> = kept.keys().collect();
    keys.extend(now.keys().filter(|key| !kept.contains_key(*key)));
    for key in keys {
        let path = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
        match (kept.get(key), now.get(key)) {
            (Some(Value::Table(kept)), Some(Value::Table(now))) => compare(&path, kept, now, found),
            (Some(kept), Some(now)) if same(kept, now) => {}
            (kept, now) => found.push(ChangedKey { key: path, before: short(kept), now: short(now) }),
        }
    }
}

fn same(a: &Value, b: &Value) -> bool {
    a == b || a.to_string() == b.to_string()
}

fn short(value: Option<&Value>) -> String {
    match value {
        None => "none".to_owned(),
        Some(Value::Table(_)) => "a table".to_owned(),
        Some(Value::Array(all)) if all.len() > 4 || all.iter().any(Value::is_table) => {
            format!("a list of {}", all.len())
        }
        Some(value) => value.to_string(),
    }
}
