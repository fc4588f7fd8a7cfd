//! Writes the firmware folder and proves that the compiled header answers as the onboard code does.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use lowgear_onboard::{LapSettings, Settings};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::bounded::Fault;
use super::compiler::{Build, Compiler};
use super::cost::Target;
use super::decider::{Decider, DeciderFault};
use super::laps::laps_sources;
use super::prefix::PrefixError;
use super::recorder::{recorder_file_name, recorder_source};
use super::scratch::Scratch;
use super::sheet::SizeSheet;
use super::source::{Format, SourceError, filled};
use super::specification::specification;
use super::stale::remove_stale;
use super::template::with_prefix;
use super::vectors::{VectorBudget, Vectors};
use super::write_atomically;

const HARNESS: &str = include_str!("c/harness.c");
const README: &str = include_str!("c/README.txt");
const OBJECT: &str = include_str!("c/whole.c");
const OBJECT_LAPS: &str = include_str!("c/whole_laps.c");

/// How to export.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExportOptions {
    /// Start of every C name and name of the files.
    pub prefix: String,
    /// What to write. Only the C header is proven here, whatever else there is.
    pub formats: Vec<Format>,
    /// How many test vectors.
    pub vectors: VectorBudget,
    /// Compiler command; `None` takes the environment's `CC`, or else looks for `cc`, `gcc`, `clang`.
    pub compiler: Option<String>,
    /// Cells that the rule filled, for the size sheet.
    pub filled_cells: Option<usize>,
    /// Whether costs on small machines are measured, where the tools are there.
    pub small_machines: bool,
    /// Constants of a memory of the way that is learned lap by lap; `None` for none.
    pub laps: Option<LapSettings>,
    /// Most time that each run of the compiler and of the harness may take.
    pub limit: Duration,
}

impl Default for ExportOptions {
    fn default() -> ExportOptions {
        ExportOptions {
            prefix: "lowgear".to_owned(),
            formats: Format::ALL.to_vec(),
            vectors: VectorBudget::default(),
            compiler: None,
            filled_cells: None,
            small_machines: true,
            laps: None,
            limit: Duration::from_secs(120),
        }
    }
}

/// What became of the proof.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProofStatus {
    /// Every vector and every cell agrees.
    Proven,
    /// Some do not: the first such line, expected and found.
    Differs {
        /// What the onboard code answers.
        expected: String,
        /// What the compiled header answers.
        found: String,
    },
    /// Skipped: no C compiler could be run.
    NoCompiler,
    /// Skipped: the C header was not asked for.
    NotAsked,
    /// Not made, for a reason that lies with this machine and not with the controller.
    NotMade {
        /// Why, alike on every machine.
        reason: NoProof,
        /// What compiler or system said.
        said: String,
    },
    /// The header did not compile; what the compiler said.
    NotCompiled(String),
    /// The harness did not run to its end; what it said.
    NotRun(String),
}

/// What kept a proof from being made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoProof {
    /// No folder for temporary files.
    NoScratch,
    /// The compiler cannot make even a trial program here.
    CompilerFails,
    /// The compiler did not end in time.
    CompilerTooLong,
    /// Compiled programs do not run here.
    HarnessFails,
    /// The harness did not end in time.
    HarnessTooLong,
}

impl NoProof {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            NoProof::NoScratch => "no folder for temporary files could be made",
            NoProof::CompilerFails => "the C compiler could not make a program here",
            NoProof::CompilerTooLong => "the C compiler did not end in time",
            NoProof::HarnessFails => "compiled programs could not be run here",
            NoProof::HarnessTooLong => "the compiled harness did not end in time",
        }
    }
}

/// The outcome of an export and its proof.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProofOutcome {
    /// Command and version number of the compiler.
    pub compiler: Option<String>,
    /// Whether it was compiled without a warning and run under the address and undefined-behaviour sanitizers.
    pub sanitized: bool,
    /// Test vectors written.
    pub vectors: u64,
    /// Cells written.
    pub cells: u64,
    /// Vectors and cells whose answers differ.
    pub mismatches: u64,
    /// The verdict.
    pub status: ProofStatus,
    /// Content hash of the table or network.
    pub hash: String,
    /// Program memory and RAM.
    pub size: SizeSheet,
}

/// Why nothing could be exported.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ExportError {
    /// The prefix is no C name.
    #[error(transparent)]
    Prefix(#[from] PrefixError),
    /// The table or network is not sound, or a network is too large.
    #[error(transparent)]
    Decider(#[from] DeciderFault),
    /// A file could not be written.
    #[error("{path}: {source}")]
    Io {
        /// Which one.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

impl From<SourceError> for ExportError {
    fn from(error: SourceError) -> ExportError {
        match error {
            SourceError::Prefix(error) => error.into(),
            SourceError::Decider(error) => error.into(),
        }
    }
}

/// Writes the controller in the formats asked for, harness, vectors, table list, size sheet and notes into `out_dir`, compiles and compares.
///
/// # Errors
/// [`ExportError`] when the files cannot be made; a failed proof is an outcome, not an error.
pub fn prove<'a>(
    out_dir: &Path,
    decider: impl Into<Decider<'a>>,
    settings: &Settings,
    options: &ExportOptions,
) -> Result<ProofOutcome, ExportError> {
    let (prefix, decider) = (options.prefix.as_str(), decider.into());
    super::prefix::check_export_prefix(prefix)?;
    decider.check_size()?;
    let vectors = Vectors::make(decider, settings, &options.vectors)?;
    fs::create_dir_all(out_dir).map_err(|source| ExportError::Io { path: out_dir.to_owned(), source })?;
    let write = |name: &str, text: &str| {
        let path = out_dir.join(name);
        write_atomically(&path, text.as_bytes()).map_err(|source| ExportError::Io { path, source })
    };
    for &format in &options.formats {
        let name = if format == Format::Csv { decider.list_name() } else { format.file_name(prefix) };
        write(&name, &filled(format, decider, settings, prefix, options.laps.is_some())?)?;
        let recorder = recorder_source(format, decider, settings, prefix)?;
        if let Some((name, text)) = recorder_file_name(format, prefix).zip(recorder) {
            write(&name, &text)?;
        }
    }
    if let Some(laps) = &options.laps {
        for (name, text) in laps_sources(&options.formats, decider, settings, laps, prefix)? {
            write(&name, &text)?;
        }
    }
    write("README.txt", &with_prefix(README, prefix))?;
    write("specification.md", &specification(settings))?;
    remove_stale(out_dir, prefix, decider)
        .map_err(|source| ExportError::Io { path: out_dir.to_owned(), source })?;
    let with_c = options.formats.contains(&Format::C);
    if with_c {
        write("harness.c", &with_prefix(&harness(options.laps.is_some()), prefix))?;
        write("vectors.csv", &vectors.text)?;
    }
    let mut outcome = ProofOutcome {
        compiler: None,
        sanitized: false,
        vectors: vectors.lines,
        cells: vectors.cells,
        mismatches: 0,
        status: ProofStatus::NoCompiler,
        hash: decider.hash(),
        size: SizeSheet::of(decider),
    };
    if !with_c {
        outcome.status = ProofStatus::NotAsked;
    } else {
        let object = if options.laps.is_some() { OBJECT_LAPS } else { OBJECT };
        attempt(out_dir, &with_prefix(object, prefix), &vectors, options, &mut outcome);
    }
    outcome.size.filled_cells = options.filled_cells;
    if with_c && options.small_machines {
        for cost in Target::ALL
            .into_par_iter()
            .map(|target| target.cost_with(decider, settings, options.laps.as_ref()))
            .collect::<Vec<_>>()
        {
            match cost {
                Ok(cost) => outcome.size.targets.push(cost),
                Err(reason) => outcome.size.not_measured.push(reason),
            }
        }
    }
    write("size-sheet.txt", &outcome.size.text())?;
    Ok(outcome)
}

/// The harness; with a memory of the way its self-test must pass, too.
fn harness(laps: bool) -> String {
    if !laps {
        return HARNESS.to_owned();
    }
    let both = "(lowgear_self_test() && lowgear_laps_self_test())";
    let include = "#include \"lowgear_laps.h\"";
    HARNESS.replace("lowgear_self_test()", both).replace("#include \"lowgear.h\"", include)
}

/// Looks for a compiler and has it judge; what keeps it from that is an outcome.
fn attempt(
    out_dir: &Path,
    object: &str,
    vectors: &Vectors,
    options: &ExportOptions,
    outcome: &mut ProofOutcome,
) {
    let not_made = |reason: NoProof, said: String| ProofStatus::NotMade { reason, said };
    let scratch = match Scratch::new() {
        Ok(scratch) => scratch,
        Err((place, error)) => {
            outcome.status = not_made(NoProof::NoScratch, format!("{}: {error}", place.display()));
            return;
        }
    };
    match Compiler::find(options.compiler.as_deref(), options.limit, scratch.path()) {
        Ok(compiler) => {
            Bench { out_dir, scratch: scratch.path(), compiler: &compiler }.verify(object, vectors, outcome)
        }
        Err(None) => outcome.status = ProofStatus::NoCompiler,
        Err(Some(fault @ Fault::TooLong(_))) => {
            outcome.status = not_made(NoProof::CompilerTooLong, fault.text());
        }
        Err(Some(fault)) => outcome.status = not_made(NoProof::CompilerFails, fault.text()),
    }
}

/// The proof at work: where the files are, where it compiles, and with what.
struct Bench<'a> {
    out_dir: &'a Path,
    scratch: &'a Path,
    compiler: &'a Compiler,
}

/// An answer of the compiled header, or what became of the proof without one.
type Answer = Result<String, ProofStatus>;

impl Bench<'_> {
    /// Compiles strictly and with sanitizers, plainly where this machine cannot do that; runs; compares.
    fn verify(&self, object: &str, vectors: &Vectors, outcome: &mut ProofOutcome) {
        outcome.compiler = Some(self.compiler.version.clone());
        let answer = self.sanitized().inspect(|_| outcome.sanitized = true);
        let answer = answer.unwrap_or_else(|fault| self.plain(&fault));
        match answer {
            Ok(found) => compare(&vectors.text, &found, outcome),
            Err(status) => outcome.status = status,
        }
        let sizes = self.compiler.run(&["sizes"], &self.vectors(), self.scratch);
        outcome.size.state_bytes = sizes.ok().and_then(|text| state_bytes(&text));
        outcome.size.object = self.compiler.object_size(object, self.out_dir, self.scratch);
    }

    /// What the sanitized harness answers; a fault that a trial program has as well is the machine's, and the error.
    fn sanitized(&self) -> Result<Answer, Fault> {
        // Warnings are no ground to call a header wrong: other compilers have others.
        self.compiler.build(Build::Sanitized, &self.source(), self.scratch)?;
        let fault = match self.compiler.run(&[], &self.vectors(), self.scratch) {
            Ok(found) => return Ok(Ok(found)),
            Err(fault) => fault,
        };
        match (&fault, self.compiler.try_out(Build::Sanitized, self.scratch)) {
            // Sanitizers end with a status; a signal may be want of memory, which they need much of.
            (Fault::Failed(_), Ok(())) => Ok(Err(ProofStatus::NotRun(fault.text()))),
            _ => Err(fault),
        }
    }

    /// What the plain harness answers, after the sanitized one could not be made or run for `before`.
    fn plain(&self, before: &Fault) -> Answer {
        let not_made = |reason: NoProof, fault: &Fault| {
            let said = format!("{}; with sanitizers before: {}", fault.text(), before.text());
            ProofStatus::NotMade { reason, said }
        };
        let trial = || self.compiler.try_out(Build::Plain, self.scratch);
        if let Err(fault) = self.compiler.build(Build::Plain, &self.source(), self.scratch) {
            return Err(match (&fault, trial()) {
                (Fault::Failed(_), Ok(())) => ProofStatus::NotCompiled(fault.text()),
                (Fault::TooLong(_), _) => not_made(NoProof::CompilerTooLong, &fault),
                _ => not_made(NoProof::CompilerFails, &fault),
            });
        }
        self.compiler.run(&[], &self.vectors(), self.scratch).map_err(|fault| match (&fault, trial()) {
            (Fault::Failed(_) | Fault::Ended(_), Ok(())) => ProofStatus::NotRun(fault.text()),
            (Fault::TooLong(_), _) => not_made(NoProof::HarnessTooLong, &fault),
            _ => not_made(NoProof::HarnessFails, &fault),
        })
    }

    fn source(&self) -> PathBuf {
        self.out_dir.join("harness.c")
    }

    fn vectors(&self) -> PathBuf {
        self.out_dir.join("vectors.csv")
    }
}

fn state_bytes(text: &str) -> Option<u64> {
    text.lines().find_map(|line| line.strip_prefix("state,"))?.trim().parse().ok()
}

/// Compares line by line; in lines of cells, cell by cell.
fn compare(expected: &str, found: &str, outcome: &mut ProofOutcome) {
    outcome.status = ProofStatus::Proven;
    let mut answers = found.lines();
    for line in expected.lines() {
        let answer = answers.next().unwrap_or("");
        if answer == line {
            continue;
        }
        if outcome.mismatches == 0 {
            outcome.status = ProofStatus::Differs { expected: line.to_owned(), found: answer.to_owned() };
        }
        outcome.mismatches += differences(line, answer);
    }
    let surplus = answers.count() as u64;
    if surplus > 0 && outcome.mismatches == 0 {
        outcome.status =
            ProofStatus::Differs { expected: String::new(), found: format!("{surplus} more lines") };
    }
    outcome.mismatches += surplus;
}

fn differences(expected: &str, found: &str) -> u64 {
    if !expected.starts_with("grid,") || expected.len() != found.len() {
        return 1;
    }
    expected.bytes().zip(found.bytes()).filter(|(a, b)| a != b).count() as u64
}
