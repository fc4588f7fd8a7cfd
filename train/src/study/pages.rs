//! The pages of a run, from the data in its folder alone.

use super::given::changed_keys;
use super::publish::SUMMARY_FILE;
use super::resolved::RESOLVED_FILE;
use crate::error::StudyError;
use crate::lock::FolderLock;
use crate::store::{StoreError, write_atomically};
use lowgear_eval::figures::Pictures;
use lowgear_eval::summary::Summary;
use lowgear_report::{card_page, changes_in_short, changes_page, page, trace_svg};
use std::path::{Path, PathBuf};

/// What the pages show beyond the figures of the summary.
pub(super) const FIGURES_FILE: &str = "figures.json";

/// Writes report.html, course.svg and rule-card.html; returns their paths.
///
/// # Errors
/// [`StudyError::Store`].
pub(super) fn write(
    folder: &Path,
    summary: &Summary,
    pictures: &Pictures,
) -> Result<Vec<PathBuf>, StudyError> {
    let pages = [
        ("course.svg", pictures.traces.first().map(trace_svg)),
        ("rule-card.html", pictures.card.as_ref().map(card_page)),
        ("report.html", Some(page(summary, pictures))),
    ];
    let mut written = Vec::new();
    for (name, text) in pages {
        if let Some(text) = text {
            let file = folder.join(name);
            write_atomically(&file, text.as_bytes())?;
            written.push(file);
        }
    }
    Ok(written)
}

/// What has changed since an earlier run: writes changes.html; returns its path and the main changes in words.
///
/// # Errors
/// As [`draw_again`]; [`StudyError::Store`] where a resolved study cannot be read.
pub fn draw_changes(folder: &Path, earlier: &Path) -> Result<(PathBuf, String), StudyError> {
    let _lock = FolderLock::take(folder)?;
    let read = |file: PathBuf| -> Result<(PathBuf, String), StudyError> {
        let text = std::fs::read_to_string(&file).map_err(StoreError::io(&file))?;
        Ok((file, text))
    };
    let broken = |file: &Path, problem: String| StoreError::Content { file: file.to_owned(), problem };
    let summary = |folder: &Path| -> Result<Summary, StudyError> {
        let file = folder.join(SUMMARY_FILE);
        if !file.exists() {
            return Err(StudyError::Unfinished { folder: folder.to_owned() });
        }
        let (file, text) = read(file)?;
        Ok(Summary::from_json(&text).map_err(|e| broken(&file, e.to_string()))?)
    };
    let (new, old) = (summary(folder)?, summary(earlier)?);
    let (_, before) = read(earlier.join(RESOLVED_FILE))?;
    let (file, now) = read(folder.join(RESOLVED_FILE))?;
    let keys = changed_keys(&before, &now).map_err(|e| broken(&file, e.to_string()))?;
    let page = folder.join("changes.html");
    write_atomically(&page, changes_page(&new, &old, &keys).as_bytes())?;
    Ok((page, changes_in_short(&new, &old)))
}

/// Makes the pages of a finished run again; returns their paths.
///
/// # Errors
/// [`StudyError::Unfinished`] where no study has ended, [`StudyError::InUse`] while one runs, and what cannot be read.
pub fn draw_again(folder: &Path) -> Result<Vec<PathBuf>, StudyError> {
    let (summary_file, figures_file) = (folder.join(SUMMARY_FILE), folder.join(FIGURES_FILE));
    if !summary_file.exists() || !figures_file.exists() {
        return Err(StudyError::Unfinished { folder: folder.to_owned() });
    }
    let _lock = FolderLock::take(folder)?;
    let read = |file: &Path| std::fs::read_to_string(file).map_err(StoreError::io(file));
    let broken = |file: &Path, problem: String| StoreError::Content { file: file.to_owned(), problem };
    let summary =
        Summary::from_json(&read(&summary_file)?).map_err(|e| broken(&summary_file, e.to_string()))?;
    let pictures =
        Pictures::from_json(&read(&figures_file)?).map_err(|e| broken(&figures_file, e.to_string()))?;
    write(folder, &summary, &pictures)
}
