//! `lowgear man`.

use crate::error::StudyError;
use clap_mangen::Man;
use lowgear_env::config::KeyError;
use std::path::Path;

/// Print a manual page, of the program or of one of its commands.
///
/// Reads nothing. Writes the page to standard output, for `man -l -` or a file such as lowgear.1.
#[derive(clap::Args)]
#[command(after_help = "Example:\n  lowgear man study")]
pub(super) struct ManArguments {
    /// Command [default: the program]
    #[arg(value_name = "COMMAND")]
    command: Option<String>,
}

/// The page of the program that `program` describes, or of one of its commands.
pub(super) fn run(arguments: &ManArguments, mut program: clap::Command) -> Result<String, StudyError> {
    // Gives the commands their names with that of the program in front.
    program.build();
    let described = match &arguments.command {
        None => program,
        Some(name) => named(&program, name)?,
    };
    let mut page = Vec::new();
    Man::new(described).render(&mut page).map_err(StudyError::path(Path::new("the manual page")))?;
    Ok(String::from_utf8_lossy(&page).into_owned())
}

/// One of the commands, under its whole name.
fn named(program: &clap::Command, name: &str) -> Result<clap::Command, StudyError> {
    let commands = || program.get_subcommands().filter(|command| command.get_name() != "help");
    let found = commands().find(|command| command.get_name() == name).ok_or_else(|| {
        let names: Vec<&str> = commands().map(clap::Command::get_name).collect();
        KeyError::new("COMMAND", name, format!("one of {}", names.join(", ")))
    })?;
    Ok(found.clone().display_name(format!("lowgear-{name}")))
}
