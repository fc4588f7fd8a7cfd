//! `lowgear completions`.

use clap_complete::{Shell, generate};

/// Print the completions of a shell: commands, options and their words.
///
/// Reads nothing. Writes the script to standard output, for the shell's folder of completions; with bash for example
/// `lowgear completions bash > ~/.local/share/bash-completion/completions/lowgear`.
#[derive(clap::Args)]
#[command(after_help = "Example:\n  lowgear completions bash")]
pub(super) struct CompletionsArguments {
    /// Shell
    #[arg(value_name = "SHELL", value_enum)]
    shell: Shell,
}

/// The script for the program that `program` describes.
pub(super) fn run(arguments: &CompletionsArguments, program: &mut clap::Command) -> String {
    let mut script = Vec::new();
    generate(arguments.shell, program, "lowgear", &mut script);
    String::from_utf8_lossy(&script).into_owned()
}
