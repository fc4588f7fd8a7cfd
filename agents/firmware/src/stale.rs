//! Files of an earlier export under another prefix.

use std::fs;
use std::io;
use std::path::Path;

use super::decider::Decider;
use super::prefix::check_export_prefix;
use super::read::read_export;
use super::source::Format;

/// Files of an export without the prefix in their names.
const OTHER_FILES: [&str; 7] = [
    "README.txt",
    "specification.md",
    "harness.c",
    "vectors.csv",
    "table.csv",
    "network.csv",
    "size-sheet.txt",
];
/// Lists: one of the other kind is stale too.
const LISTS: [&str; 2] = ["table.csv", "network.csv"];

/// Whether this is what an export that was killed has left of a file that it was writing.
fn is_half_written(path: &Path) -> bool {
    let (Some(whole), Some("partial")) = (path.file_stem(), path.extension().and_then(|end| end.to_str()))
    else {
        return false;
    };
    let whole = Path::new(whole);
    let of_a_prefix = Format::ALL
        .into_iter()
        .any(|f| whole.extension().is_some_and(|end| end == f.extension()))
        && whole.file_stem().and_then(|stem| stem.to_str()).is_some_and(|s| check_export_prefix(s).is_ok());
    of_a_prefix || OTHER_FILES.iter().any(|name| whole == Path::new(name))
}

fn entry_name(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

/// Removes what a killed export has left, of any prefix and format, and exported files for the same vehicle whose name is not `prefix`'s or that list the other kind, if they are just as they were exported. A file that
/// someone has changed, one for another vehicle, and one that is no export, stays.
pub(super) fn remove_stale(folder: &Path, prefix: &str, decider: Decider<'_>) -> io::Result<()> {
    let vehicle = &decider.provenance().vehicle;
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if is_half_written(&path) && path.symlink_metadata()?.is_file() {
            fs::remove_file(&path)?;
            continue;
        }
        let (Some(stem), Some(end)) = (path.file_stem(), path.extension().and_then(|end| end.to_str()))
        else {
            continue;
        };
        let name = entry_name(&path);
        let other_list = LISTS.contains(&name.as_str()) && name != decider.list_name();
        let of_a_prefix = Format::ALL.into_iter().any(|f| f != Format::Csv && f.extension() == end);
        let other_prefix = of_a_prefix && stem != prefix;
        if !(other_prefix || other_list) || !path.symlink_metadata()?.is_file() {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tests::table;

    #[test]
    fn what_a_killed_export_left_is_removed_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let left =
            ["lowgear.h.partial", "other_cart.rs.partial", "vectors.csv.partial", "README.txt.partial"];
        let own = ["notes.txt.partial", "lowgear.h.partial.txt", "My-Plan.h.partial", "partial"];
        for name in left.iter().chain(&own) {
            fs::write(folder.path().join(name), "half").unwrap();
        }
        fs::create_dir(folder.path().join("harness.c.partial")).unwrap();
        remove_stale(folder.path(), "lowgear", Decider::Table(&table())).unwrap();
        for name in left {
            assert!(!folder.path().join(name).exists(), "{name}");
        }
        for name in own.iter().chain(&["harness.c.partial"]) {
            assert!(folder.path().join(name).exists(), "{name}");
        }
    }
}
