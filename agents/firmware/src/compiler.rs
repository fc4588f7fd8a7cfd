//! The C compiler that the proof is made with, and what it makes.

use std::ffi::{OsStr, OsString};
use std::fs::{self, File};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use super::bounded::{Fault, command, run};
use super::sheet::ObjectSize;

const STRICT: [&str; 6] = ["-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror"];
const SANITIZED: [&str; 3] = ["-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"];
const PLAIN: [&str; 2] = ["-std=c99", "-O1"];
/// A program that any compiler can make and any machine can run.
const TRIAL: &str = "int main(void)\n{\n    return 0;\n}\n";

/// How a program is compiled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Build {
    /// Warnings are errors; run under the address and undefined-behaviour sanitizers.
    Sanitized,
    /// As the standard asks.
    Plain,
}

impl Build {
    fn flags(self) -> Vec<&'static str> {
        match self {
            Build::Sanitized => STRICT.into_iter().chain(SANITIZED).collect(),
            Build::Plain => PLAIN.to_vec(),
        }
    }
}

/// A C compiler that answers.
pub(super) struct Compiler {
    program: OsString,
    arguments: Vec<String>,
    /// Its command and the number of its version.
    pub(super) version: String,
    limit: Duration,
}

impl Compiler {
    /// The compiler that is named, or that `CC` names, or the first of `cc`, `gcc` and `clang`.
    ///
    /// # Errors
    /// Why none answers; `None` where there is none.
    pub(super) fn find(
        named: Option<&str>,
        limit: Duration,
        scratch: &Path,
    ) -> Result<Compiler, Option<Fault>> {
        let from_environment = std::env::var("CC").ok().filter(|text| !text.trim().is_empty());
        let candidates = match named.map(str::to_owned).or(from_environment) {
            Some(command) => vec![command],
            None => ["cc", "gcc", "clang"].map(str::to_owned).to_vec(),
        };
        let mut fault = None;
        for candidate in candidates {
            match Compiler::try_command(&candidate, limit, scratch) {
                Ok(compiler) => return Ok(compiler),
                Err(Fault::NotStarted(_)) => {}
                Err(other) => fault = fault.or(Some(other)),
            }
        }
        Err(fault)
    }

    fn try_command(text: &str, limit: Duration, scratch: &Path) -> Result<Compiler, Fault> {
        let mut words = text.split_whitespace().map(str::to_owned);
        let program = OsString::from(words.next().unwrap_or_default());
        let arguments: Vec<String> = words.collect();
        let said = run(command(&program).args(&arguments).arg("--version"), scratch, limit)?;
        let version = named_version(&program, &said);
        Ok(Compiler { program, arguments, version, limit })
    }

    /// Compiles.
    ///
    /// # Errors
    /// What the compiler said.
    fn compile(&self, flags: &[&str], source: &Path, out: &Path, scratch: &Path) -> Result<(), Fault> {
        let mut compiler = command(&self.program);
        compiler.args(&self.arguments).args(flags).arg("-o").arg(out).arg(source);
        run(&mut compiler, scratch, self.limit).map(drop)
    }

    /// Compiles the harness.
    ///
    /// # Errors
    /// What the compiler said.
    pub(super) fn build(&self, build: Build, source: &Path, scratch: &Path) -> Result<(), Fault> {
        self.compile(&build.flags(), source, &scratch.join("harness"), scratch)
    }

    /// Runs what was built, with `input` on standard input.
    ///
    /// # Errors
    /// How it ended.
    pub(super) fn run(&self, arguments: &[&str], input: &Path, scratch: &Path) -> Result<String, Fault> {
        let input = File::open(input).map_err(|error| Fault::NotStarted(error.to_string()))?;
        self.run_program(&scratch.join("harness"), arguments, Stdio::from(input), scratch)
    }

    fn run_program(
        &self,
        program: &Path,
        arguments: &[&str],
        input: Stdio,
        scratch: &Path,
    ) -> Result<String, Fault> {
        let program = program.canonicalize().map_err(|error| Fault::NotStarted(error.to_string()))?;
        let mut program = Command::new(program);
        program.args(arguments).env("ASAN_OPTIONS", "detect_leaks=0").stdin(input);
        run(&mut program, scratch, self.limit)
    }

    /// Whether a trial program can be compiled and run this way: if not, what failed was not the controller.
    ///
    /// # Errors
    /// How the trial went wrong.
    pub(super) fn try_out(&self, build: Build, scratch: &Path) -> Result<(), Fault> {
        let (source, program) = (scratch.join("trial.c"), scratch.join("trial"));
        fs::write(&source, TRIAL).map_err(|error| Fault::NotStarted(error.to_string()))?;
        self.compile(&build.flags(), &source, &program, scratch)?;
        self.run_program(&program, &[], Stdio::null(), scratch).map(drop)
    }

    /// Sections of the controller alone, optimised for size; `object` is the source, its header in `folder`.
    pub(super) fn object_size(&self, object: &str, folder: &Path, scratch: &Path) -> Option<ObjectSize> {
        let (source, out) = (scratch.join("whole.c"), scratch.join("whole.o"));
        fs::write(&source, object).ok()?;
        let include = format!("-I{}", folder.display());
        self.compile(&["-std=c99", "-Os", "-c", &include], &source, &out, scratch).ok()?;
        let text = run(command("size").arg(&out), scratch, self.limit).ok()?;
        let mut figures = text.lines().nth(1)?.split_whitespace().map_while(|word| word.parse().ok());
        Some(ObjectSize { text: figures.next()?, data: figures.next()?, bss: figures.next()? })
    }
}

/// The name of a command, without its folder, and the number of its version in what it `said` of itself: the first word
/// of digits and points. What else stands there names anyone who built the compiler.
fn named_version(program: &OsStr, said: &str) -> String {
    let name = Path::new(program).file_name().unwrap_or(program).to_string_lossy();
    let is_number =
        |word: &&str| word.contains('.') && word.split('.').all(|part| part.parse::<u32>().is_ok());
    match said.lines().next().unwrap_or_default().split_whitespace().find(is_number) {
        Some(number) => format!("{name} {number}"),
        None => name.into_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_a_compiler_only_command_and_version_are_reported() {
        for (program, said, expected) in [
            ("cc", "cc (Vendor 12.2.0-14+v12u1) 12.2.0\nCopyright 2022", "cc 12.2.0"),
            ("/opt/tools/gcc", "gcc (GCC) 13.2.1 20230801 (Vendor 13.2.1-6)", "gcc 13.2.1"),
            ("clang", "Vendor clang version 14.0.6", "clang 14.0.6"),
            (
                "arm-none-eabi-gcc",
                "arm-none-eabi-gcc (15:12.2.rel1-1) 12.2.1 20221205",
                "arm-none-eabi-gcc 12.2.1",
            ),
            ("own-cc", "a compiler of my own", "own-cc"),
            ("silent", "", "silent"),
        ] {
            assert_eq!(named_version(OsStr::new(program), said), expected);
        }
    }
}
