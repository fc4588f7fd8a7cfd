//! A folder for one test with copies of the shipped vehicle and course and a study small enough to run in
//! seconds, and the command `lowgear` to use in it.
#![expect(clippy::expect_used, clippy::panic, reason = "a check that cannot be made has failed")]

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

/// The repository.
pub(crate) fn repository() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the tests stand in the repository")
}

/// Whether the command finds compilers and emulators. The proofs of firmware take half of a tiny study's time, so that only
/// tests that look at them have them made.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Compilers {
    InReach,
    OutOfReach,
}

/// A folder that is not there, to look for programs in.
pub(crate) const NO_PROGRAMS: &str = concat!(env!("CARGO_TARGET_TMPDIR"), "/no-programs");

/// The command, not started yet.
fn lowgear(folder: &Path, compilers: Compilers) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lowgear-under-test"));
    command.current_dir(folder).stdin(Stdio::null());
    if compilers == Compilers::OutOfReach {
        command.env("PATH", NO_PROGRAMS).env_remove("CC");
    }
    command
}

/// A folder with `tiny.toml`, `vehicle.toml` and `course.toml`.
pub(crate) struct Sandbox {
    folder: tempfile::TempDir,
    compilers: Compilers,
}

impl Sandbox {
    /// Nothing is proven by compilers in it.
    pub(crate) fn new() -> Sandbox {
        Sandbox::with(Compilers::OutOfReach)
    }

    /// What is exported in it is proven by the compilers and emulators that there are.
    pub(crate) fn with_compilers() -> Sandbox {
        Sandbox::with(Compilers::InReach)
    }

    fn with(compilers: Compilers) -> Sandbox {
        let folder = tempfile::tempdir().expect("a temporary folder can be made");
        furnish(folder.path());
        Sandbox { folder, compilers }
    }

    /// A path in the folder.
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file into the folder.
    pub(crate) fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        fs::write(self.path(name), content).expect("the folder can be written");
    }

    /// Replaces the line of a file that begins with `line` by `by`; returns its number, from 1.
    pub(crate) fn edit(&self, name: &str, line: &str, by: &str) -> usize {
        let text = self.read(name);
        let mut lines: Vec<&str> = text.lines().collect();
        let at = lines.iter().position(|l| l.starts_with(line)).expect("the line is in the file");
        lines[at] = by;
        self.write(name, lines.join("\n") + "\n");
        at + 1
    }

    /// A file of the folder as text.
    pub(crate) fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).expect("the file is there")
    }

    /// Runs the command in the folder.
    pub(crate) fn run(&self, arguments: &[&str]) -> Ran {
        run_with(self.compilers, self.folder.path(), arguments)
    }

    /// Starts the command in the folder.
    pub(crate) fn start(&self, arguments: &[&str]) -> Child {
        let mut command = lowgear(self.folder.path(), self.compilers);
        command.args(arguments).stdout(Stdio::null()).stderr(Stdio::null());
        command.spawn().expect("the command starts")
    }

    /// Names of what lies in the folder, in order.
    pub(crate) fn names(&self) -> Vec<String> {
        let entries = fs::read_dir(self.folder.path()).expect("the folder can be read");
        let mut names: Vec<String> =
            entries.map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }
}

/// Puts study, vehicle and course into a folder; the course is shorter than the shipped one.
pub(crate) fn furnish(folder: &Path) {
    let configs = repository().join("configs");
    for (from, to) in [
        (configs.join("vehicles/demo-cart.toml"), "vehicle.toml"),
        (configs.join("courses/garden-mix.toml"), "course.toml"),
        (repository().join("tests/study/tiny.toml"), "tiny.toml"),
    ] {
        let text = fs::read_to_string(&from).unwrap_or_else(|e| panic!("{}: {e}", from.display()));
        let shorter = text.replace("\nlength-m = 15.0", "\nlength-m = 8.0");
        fs::write(folder.join(to), shorter).expect("the folder can be written");
    }
}

/// Runs the command in any folder, with compilers in reach.
pub(crate) fn run_in<S: AsRef<OsStr>>(folder: &Path, arguments: &[S]) -> Ran {
    run_with(Compilers::InReach, folder, arguments)
}

/// Runs the command in any folder.
pub(crate) fn run_with<S: AsRef<OsStr>>(compilers: Compilers, folder: &Path, arguments: &[S]) -> Ran {
    let Output { status, stdout, stderr } =
        lowgear(folder, compilers).args(arguments).output().expect("the command starts");
    Ran {
        code: status.code(),
        out: String::from_utf8(stdout).expect("output is UTF-8"),
        err: String::from_utf8(stderr).expect("messages are UTF-8"),
    }
}

/// How a run of the command went.
#[derive(Debug)]
pub(crate) struct Ran {
    pub(crate) code: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Ran {
    /// It ended well.
    #[track_caller]
    pub(crate) fn done(self) -> Ran {
        assert_eq!(self.code, Some(0), "{}{}", self.out, self.err);
        self
    }

    /// It was refused with `code`, one message that holds all `words`, nothing on standard output, no panic.
    #[track_caller]
    pub(crate) fn refused(self, code: i32, words: &[&str]) -> Ran {
        assert!(!self.err.contains("panicked"), "{}", self.err);
        assert_eq!(self.code, Some(code), "{}{}", self.out, self.err);
        assert!(self.err.starts_with("error: "), "{}", self.err);
        self.refused_after_work(code, words)
    }

    /// As [`Ran::refused`], with lines of progress before the message.
    #[track_caller]
    pub(crate) fn refused_after_work(self, code: i32, words: &[&str]) -> Ran {
        assert!(!self.err.contains("panicked"), "{}", self.err);
        assert_eq!(self.code, Some(code), "{}{}", self.out, self.err);
        assert_eq!(self.out, "");
        for word in words {
            assert!(self.err.contains(word), "no {word:?} in:\n{}", self.err);
        }
        self
    }
}

/// Every file below a folder by its path there, in order.
pub(crate) fn files_below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_owned()];
    while let Some(next) = open.pop() {
        for entry in fs::read_dir(&next).unwrap_or_else(|e| panic!("{}: {e}", next.display())) {
            let path = entry.expect("an entry").path();
            if path.is_dir() { open.push(path) } else { found.push(path) }
        }
    }
    let mut names: Vec<PathBuf> =
        found.iter().map(|f| f.strip_prefix(folder).expect("below the folder").to_owned()).collect();
    names.sort();
    names
}
