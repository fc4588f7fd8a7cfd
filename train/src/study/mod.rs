//! A study from file to report: start reading here.

mod card;
mod changes;
mod compare;
mod firmware;
mod fitted;
mod folder;
mod gap;
mod given;
mod network;
mod pages;
mod phases;
mod pictures;
mod publish;
mod resolved;
mod robustness;
mod thresholds;

pub use changes::{Change, ChangedRule, changed_rule};
pub use compare::{ComparedPolicy, Comparison, label};
pub use firmware::{Firmware, distil_policy, prove_decider, verdict};
pub use folder::{Inputs, RunFolder, read_inputs};
pub use gap::{gap_file, gap_text, log_digests};
pub use given::InputDigests;
pub use network::{DistilledNetwork, NetworkFirmware, distil_to_network};
pub use pages::{draw_again, draw_changes};
pub use phases::TrainingOutcome;
pub use pictures::family;
pub use publish::{SUMMARY_FILE, compare_policies};
pub use thresholds::enterable;

use crate::error::StudyError;
use crate::progress::Reporter;
use crate::sensors::preview_gain;
use crate::stop::StopRequest;
use std::path::{Path, PathBuf};

/// Level of every interval.
pub const LEVEL: f64 = 0.95;

/// How a study is run.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Run folder; `runs/<name>` by default.
    pub out: Option<PathBuf>,
    /// Small budgets, every step.
    pub quick: bool,
    /// Search for hyper-parameters first.
    pub hyper_search: bool,
    /// Factor on every budget of steps.
    pub effort: Option<f64>,
    /// Most hours for tuning and training.
    pub hours: Option<f64>,
    /// Go on with what the run folder holds.
    pub resume: bool,
    /// Threads; as many as there are cores by default.
    pub threads: Option<usize>,
    /// Whether to stop.
    pub stop: StopRequest,
}

/// Runs a study; returns the table for the terminal and the run folder.
///
/// # Errors
/// [`StudyError`]. Whatever was finished stays in the run folder for `--resume`.
pub fn run(file: &Path, options: &Options, reporter: &Reporter) -> Result<(String, PathBuf), StudyError> {
    run_inputs(folder::read_inputs_for(file, options)?, options, reporter)
}

/// Runs a study that was read already.
///
/// # Errors
/// As [`run`].
pub fn run_inputs(
    mut inputs: Inputs,
    options: &Options,
    reporter: &Reporter,
) -> Result<(String, PathBuf), StudyError> {
    let folder = RunFolder::open(&inputs, options)?;
    if options.resume && folder.file(SUMMARY_FILE).exists() {
        return Ok(("This study is finished already; nothing was changed.\n".to_owned(), folder.path));
    }
    reporter.keep_page(&folder.path, &inputs.study.name);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(options.threads.unwrap_or(0)).build()?;
    let text = pool.install(|| -> Result<String, StudyError> {
        let stop = &options.stop;
        let learned = phases::learn(&mut inputs, &folder, reporter, stop)?;
        let firmware = firmware::export(&inputs, &folder, &learned, reporter, stop)?;
        let network = network::export(&inputs, &folder, &learned, reporter, stop)?;
        let card = card::make(&inputs, &folder, &learned, &firmware, reporter, stop)?;
        let comparison =
            compare::compare(&inputs, &learned, (&firmware, network.as_ref()), &card, reporter, stop)?;
        let robustness = robustness::maps(&inputs, &comparison, reporter, stop)?;
        let fitted = fitted::comparisons(&inputs, &comparison, reporter, stop)?;
        let rule = (&learned.load_rule.settings, learned.load_rule.score);
        let ahead = preview_gain(&inputs.study, &inputs.scenario, rule, LEVEL, reporter, stop)?;
        inputs.scenario.check_driven()?;
        let driven =
            publish::StudyResults { card: &card, comparison: &comparison, robustness, fitted, ahead };
        // Before the last file of the study: a finished run folder holds nothing that depends on the clock.
        reporter.page().remove()?;
        publish::publish(&inputs, &folder, &learned, (&firmware, network.as_ref()), driven, reporter)
    })?;
    Ok((text, folder.path))
}
