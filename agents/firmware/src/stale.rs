//! Files of an earlier export under another prefix.

use std::fs;
use std::io;
use std::path::Path;

use super::read::read_export;
use super::source::Format;

/// Removes exported files for `vehicle` whose name is not `prefix`'s, if they are just as they were exported. A file that
/// someone has changed, one for another vehicle, and one that is no export, stays.
pub(super) fn remove_stale(folder: &Path, prefix: &str, vehicle: &str) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let (Some(stem), Some(end)) = (path.file_stem(), path.extension().and_then(|end| end.to_str()))
        else {
            continue;
        };
        let of_a_prefix = Format::ALL.into_iter().any(|f| f != Format::Csv && f.extension() == end);
        if !of_a_prefix || stem == prefix || !path.symlink_metadata()?.is_file() {
            continue;
        }
        // What cannot be read as text is no export.
        let exported = fs::read_to_string(&path).ok().and_then(|text| read_export(&text, end).ok());
        if exported.is_some_and(|exported| exported.is_for(vehicle)) {
            fs::remove_file(&path)?;
        }
    }
    Ok(())
}
