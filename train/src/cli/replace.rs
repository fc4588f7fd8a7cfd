//! What a command may write over, from the command line.

use crate::outputs::Outputs;
use crate::study::Inputs;
use std::path::{Path, PathBuf};

/// Whether results of other runs may be replaced.
#[derive(clap::Args)]
pub(super) struct Replace {
    /// Write into the folder of another run, over the results there
    #[arg(long)]
    force: bool,
}

impl Replace {
    /// For a command that never replaces any.
    pub(super) const NOTHING: Replace = Replace { force: false };

    /// The outputs of a command that reads `inputs`.
    pub(super) fn outputs<P: AsRef<Path>>(&self, inputs: impl IntoIterator<Item = P>) -> Outputs {
        Outputs::new(inputs, self.force)
    }

    /// The same, for one that reads a study, saved policies by their `words`, and more files.
    pub(super) fn of_study<'a>(
        &self,
        inputs: &Inputs,
        words: impl IntoIterator<Item = &'a String>,
        more: impl IntoIterator<Item = &'a PathBuf>,
    ) -> Outputs {
        let policy = |word: &String| {
            let path = PathBuf::from(word);
            if path.is_dir() { path.join("policy.json") } else { path }
        };
        let files = inputs.given.files.iter().cloned();
        self.outputs(files.chain(words.into_iter().map(policy)).chain(more.into_iter().cloned()))
    }
}
