//! `lowgear report`.

use crate::error::StudyError;
use crate::study::{draw_again, draw_changes};
use std::path::PathBuf;

/// Make the pages of a finished study again from its run folder.
///
/// Reads summary.json and figures.json, trains and drives nothing, and writes report.html, course.svg and rule-card.html
/// with the same bytes as the study did.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`, after `lowgear study study.toml --quick`:\n  lowgear report runs/own-quick"
)]
pub(super) struct ReportArguments {
    /// Run folder, as runs/demo
    #[arg(value_name = "RUN")]
    folder: PathBuf,
    /// Earlier run folder: also write changes.html, what has changed since
    #[arg(long, value_name = "RUN")]
    against: Option<PathBuf>,
}

pub(super) fn run(arguments: &ReportArguments) -> Result<String, StudyError> {
    let pages = draw_again(&arguments.folder)?;
    let mut text: String = pages.iter().map(|page| format!("written: {}\n", page.display())).collect();
    if let Some(earlier) = &arguments.against {
        let (page, changes) = draw_changes(&arguments.folder, earlier)?;
        text.push_str(&format!("written: {}\n{changes}", page.display()));
    }
    Ok(text)
}
