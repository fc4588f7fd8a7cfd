//! Writes the firmware folder and proves that the compiled header answers as the onboard code does.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use lowgear_onboard::Settings;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use tempfile::TempDir;

use super::cost::Target;
use super::prefix::PrefixError;
use super::sheet::{ObjectSize, SizeSheet};
use super::source::{Format, SourceError, source};
use super::specification::specification;
use super::stale::remove_stale;
use super::template::with_prefix;
use super::vectors::{VectorBudget, Vectors};
use super::write_atomically;
use crate::table::{LookupTable, TableFault};

const HARNESS: &str = include_str!("c/harness.c");
const README: &str = include_str!("c/README.txt");
const OBJECT: &str = include_str!("c/whole.c");

const STRICT: [&str; 6] = ["-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror"];
const SANITIZED: [&str; 3] = ["-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"];

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
    /// The header did not compile; what the compiler said.
    NotCompiled(String),
    /// The harness did not run to its end; what it said.
    NotRun(String),
}

/// The outcome of an export and its proof.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProofOutcome {
    /// First line of the compiler's version text.
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
    /// Content hash of the table.
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
    /// The table is not sound.
    #[error(transparent)]
    Table(#[from] TableFault),
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
            SourceError::Table(error) => error.into(),
        }
    }
}

/// Writes the controller in the formats asked for, harness, vectors, table list, size sheet and notes into `out_dir`, compiles and compares.
///
/// # Errors
/// [`ExportError`] when the files cannot be made; a failed proof is an outcome, not an error.
pub fn prove(
    out_dir: &Path,
    table: &LookupTable,
    settings: &Settings,
    options: &ExportOptions,
) -> Result<ProofOutcome, ExportError> {
    let prefix = options.prefix.as_str();
    super::prefix::check_export_prefix(prefix)?;
    let vectors = Vectors::make(table, settings, &options.vectors)?;
    fs::create_dir_all(out_dir).map_err(|source| ExportError::Io { path: out_dir.to_owned(), source })?;
    let write = |name: &str, text: &str| {
        let path = out_dir.join(name);
        write_atomically(&path, text.as_bytes()).map_err(|source| ExportError::Io { path, source })
    };
    for &format in &options.formats {
        write(&format.file_name(prefix), &source(format, table, settings, prefix)?)?;
    }
    write("README.txt", &with_prefix(README, prefix))?;
    write("specification.md", &specification(settings))?;
    remove_stale(out_dir, prefix).map_err(|source| ExportError::Io { path: out_dir.to_owned(), source })?;
    let with_c = options.formats.contains(&Format::C);
    if with_c {
        write("harness.c", &with_prefix(HARNESS, prefix))?;
        write("vectors.csv", &vectors.text)?;
    }
    let mut outcome = ProofOutcome {
        compiler: None,
        sanitized: false,
        vectors: vectors.lines,
        cells: vectors.cells,
        mismatches: 0,
        status: ProofStatus::NoCompiler,
        hash: table.hash(),
        size: SizeSheet::of(table),
    };
    if !with_c {
        outcome.status = ProofStatus::NotAsked;
    } else if let Some(compiler) = Compiler::find(options.compiler.as_deref()) {
        let bench = Bench::new(out_dir)?;
        let object = with_prefix(OBJECT, prefix);
        bench.judge(&compiler, &object, &vectors, &mut outcome);
    }
    outcome.size.filled_cells = options.filled_cells;
    if with_c && options.small_machines {
        for cost in Target::ALL.into_par_iter().map(|target| target.cost(table, settings)).collect::<Vec<_>>()
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

/// A C compiler that answers.
struct Compiler {
    program: OsString,
    arguments: Vec<String>,
    version: String,
}

impl Compiler {
    fn find(named: Option<&str>) -> Option<Compiler> {
        let from_environment = std::env::var("CC").ok().filter(|text| !text.trim().is_empty());
        match named.map(str::to_owned).or(from_environment) {
            Some(command) => Compiler::try_command(&command),
            None => ["cc", "gcc", "clang"].into_iter().find_map(Compiler::try_command),
        }
    }

    fn try_command(command: &str) -> Option<Compiler> {
        let mut words = command.split_whitespace().map(str::to_owned);
        let program = OsString::from(words.next()?);
        let arguments: Vec<String> = words.collect();
        let output = Command::new(&program).args(&arguments).arg("--version").output().ok()?;
        let text = String::from_utf8_lossy(&output.stdout);
        let version = text.lines().next().unwrap_or(command).to_owned();
        output.status.success().then_some(Compiler { program, arguments, version })
    }

    /// Compiles; on failure returns what the compiler said.
    fn compile(&self, flags: &[&str], source: &Path, out: &Path) -> Result<(), String> {
        let mut command = Command::new(&self.program);
        command.args(&self.arguments).args(flags).arg("-o").arg(out).arg(source);
        let output = command.stdin(Stdio::null()).output().map_err(|error| error.to_string())?;
        let said = || String::from_utf8_lossy(&output.stderr).chars().take(2000).collect();
        if output.status.success() { Ok(()) } else { Err(said()) }
    }
}

/// A folder of its own for the compiled harness among the system's temporary files, removed at the end. No two
/// proofs share one: a compiler that outlives a killed proof would still write into it.
struct Bench {
    out_dir: PathBuf,
    folder: TempDir,
}

impl Bench {
    fn new(out_dir: &Path) -> Result<Bench, ExportError> {
        let folder =
            tempfile::tempdir().map_err(|source| ExportError::Io { path: std::env::temp_dir(), source })?;
        Ok(Bench { out_dir: out_dir.to_owned(), folder })
    }

    /// Compiles strictly and with sanitizers if the compiler has them, plainly otherwise; runs; compares.
    fn judge(&self, compiler: &Compiler, object: &str, vectors: &Vectors, outcome: &mut ProofOutcome) {
        outcome.compiler = Some(compiler.version.clone());
        let (source, program) = (self.out_dir.join("harness.c"), self.folder.path().join("harness"));
        let strict: Vec<&str> = STRICT.into_iter().chain(SANITIZED).collect();
        outcome.sanitized = compiler.compile(&strict, &source, &program).is_ok();
        if !outcome.sanitized
            && let Err(said) = compiler.compile(&["-std=c99", "-O1"], &source, &program)
        {
            outcome.status = ProofStatus::NotCompiled(said);
            return;
        }
        match self.run(&program, &[]) {
            Ok(found) => compare(&vectors.text, &found, outcome),
            Err(said) => outcome.status = ProofStatus::NotRun(said),
        }
        outcome.size.state_bytes = self.run(&program, &["sizes"]).ok().and_then(|text| state_bytes(&text));
        outcome.size.object = self.object_size(compiler, object);
    }

    fn run(&self, program: &Path, arguments: &[&str]) -> Result<String, String> {
        let input = File::open(self.out_dir.join("vectors.csv")).map_err(|error| error.to_string())?;
        let program = program.canonicalize().map_err(|error| error.to_string())?;
        let mut command = Command::new(program);
        command.args(arguments).env("ASAN_OPTIONS", "detect_leaks=0").stdin(Stdio::from(input));
        let output = command.output().map_err(|error| error.to_string())?;
        if output.status.success() {
            Ok(String::from_utf8_lossy(&output.stdout).into_owned())
        } else {
            let said = String::from_utf8_lossy(&output.stderr);
            Err(format!("{}: {}", output.status, said.chars().take(2000).collect::<String>()))
        }
    }

    fn object_size(&self, compiler: &Compiler, object: &str) -> Option<ObjectSize> {
        let (source, out) = (self.folder.path().join("whole.c"), self.folder.path().join("whole.o"));
        fs::write(&source, object).ok()?;
        let include = format!("-I{}", self.out_dir.display());
        compiler.compile(&["-std=c99", "-Os", "-c", &include], &source, &out).ok()?;
        let output = Command::new("size").arg(&out).output().ok()?;
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        let mut figures = text.lines().nth(1)?.split_whitespace().map_while(|word| word.parse().ok());
        Some(ObjectSize { text: figures.next()?, data: figures.next()?, bss: figures.next()? })
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
