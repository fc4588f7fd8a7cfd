//! What a command may write over. Its own earlier results may be replaced; never its inputs, never what is no
//! plain file, and what lies in the folder of a run only when that is asked for.

use crate::store::{StoreError, check_place};
use std::fs;
use std::path::{Path, PathBuf};

/// First words of the files that mark the folder of a study and of a sweep.
pub const STUDY_MARK: &str = "# Everything that this run was given";
/// See [`STUDY_MARK`].
pub const SWEEP_MARK: &str = "# The sweep whose jobs these are";

/// The inputs of a command, and whether results of other runs may be replaced.
pub struct Outputs {
    inputs: Vec<PathBuf>,
    force: bool,
}

impl Outputs {
    /// For a command that reads `inputs`; those that are not there are passed over.
    pub fn new<P: AsRef<Path>>(inputs: impl IntoIterator<Item = P>, force: bool) -> Outputs {
        let place = |input: P| fs::canonicalize(input).ok();
        Outputs { inputs: inputs.into_iter().filter_map(place).collect(), force }
    }

    /// Whether `file` may be written.
    ///
    /// # Errors
    /// [`StoreError::Taken`] with what stands there.
    pub fn check(&self, file: &Path) -> Result<(), StoreError> {
        check_place(file)?;
        let taken =
            |what: String, hint: &'static str| StoreError::Taken { file: file.to_owned(), what, hint };
        let there = fs::canonicalize(file).ok();
        if there.as_ref().is_some_and(|there| self.inputs.contains(there)) {
            return Err(taken("an input of this command".to_owned(), "name another place with --out"));
        }
        let folder = file.parent().filter(|folder| *folder != Path::new("")).unwrap_or(Path::new("."));
        let folder = fs::canonicalize(folder).ok();
        let Some(run) = folder.as_deref().and_then(|folder| folder.ancestors().find(|f| is_run(f))) else {
            return Ok(());
        };
        // A summary is what says that a run is complete, so none may be put into its folder either.
        if self.force || (there.is_none() && folder.as_deref() != Some(run)) {
            return Ok(());
        }
        let what = format!("in the folder of another run, {}", run.display());
        Err(taken(what, "name another place with --out, or replace what is there with --force"))
    }

    /// Whether every one of `files` may be written.
    ///
    /// # Errors
    /// As [`Outputs::check`], of the first that may not.
    pub fn check_all<P: AsRef<Path>>(&self, files: impl IntoIterator<Item = P>) -> Result<(), StoreError> {
        files.into_iter().try_for_each(|file| self.check(file.as_ref()))
    }
}

/// Whether a folder is that of a study or a sweep.
fn is_run(folder: &Path) -> bool {
    is_study(folder) || holds(folder, "sweep.toml", SWEEP_MARK)
}

/// Whether a folder is that of a study.
#[must_use]
pub fn is_study(folder: &Path) -> bool {
    holds(folder, "resolved.toml", STUDY_MARK)
}

fn holds(folder: &Path, name: &str, mark: &str) -> bool {
    fs::read_to_string(folder.join(name)).is_ok_and(|text| text.starts_with(mark))
}
