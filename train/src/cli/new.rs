//! `lowgear new`.

use super::replace::Replace;
use crate::error::StudyError;
use crate::starter::Starter;
use crate::store::{StoreError, create_folder, write_atomically};
use crate::sweep::quoted;
use lowgear_env::config::shown;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Write a folder to start from: study, vehicle, course, sweep and sheet, with comments.
///
/// Reads nothing: the files are part of the program. Writes study.toml, vehicle.toml, course.toml, sweep.toml, sheet.toml
/// and the JSON schemas that their first lines name into a new or an empty folder; it replaces no file.
#[derive(clap::Args)]
#[command(after_help = "Example:\n  lowgear new garden --like compost-tractor")]
pub(super) struct NewArguments {
    /// Folder to make
    #[arg(value_name = "DIR")]
    folder: PathBuf,
    /// Vehicle and courses to start from
    #[arg(long, value_name = "WHAT", value_enum, default_value_t = Starter::DemoCart)]
    like: Starter,
}

pub(super) fn run(arguments: &NewArguments) -> Result<String, StudyError> {
    let folder = &arguments.folder;
    check_empty(folder)?;
    let files: Vec<(PathBuf, String)> =
        arguments.like.files().into_iter().map(|(name, text)| (folder.join(name), text)).collect();
    Replace::NOTHING.outputs([] as [&Path; 0]).check_all(files.iter().map(|(file, _)| file))?;
    create_folder(&folder.join("schema"))?;
    for (file, text) in &files {
        write_atomically(file, text.as_bytes())?;
    }
    let place = shown(folder);
    let go = match folder == Path::new(".") {
        true => String::new(),
        false => format!("  cd {}\n", quoted(Path::new(&place))),
    };
    Ok(format!(
        "written: study.toml, vehicle.toml, course.toml, sweep.toml, sheet.toml, schema/ in {place}\n\
         next:\n{go}  lowgear check study.toml\n  lowgear study study.toml --quick\n"
    ))
}

/// Whether `folder` is missing or empty.
fn check_empty(folder: &Path) -> Result<(), StoreError> {
    let taken = |what: &str| {
        let hint = "name a new or an empty folder";
        Err(StoreError::Taken { file: folder.to_owned(), what: what.to_owned(), hint })
    };
    match fs::read_dir(folder) {
        Ok(mut entries) => match entries.next() {
            None => Ok(()),
            Some(Ok(_)) => taken("a folder with files in it"),
            Some(Err(reason)) => Err(StoreError::io(folder)(reason)),
        },
        Err(reason) if reason.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(reason) if reason.kind() == io::ErrorKind::NotADirectory => taken("no folder"),
        Err(reason) => Err(StoreError::io(folder)(reason)),
    }
}
