//! Programs of the system that are run with a time limit: compilers, and what they make.

use std::fs::{self, File};
use std::io;
use std::path::Path;
use std::process::{Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

/// Most letters of a program's message that are kept.
const MOST_SAID: usize = 2000;

/// How a run went wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Fault {
    /// It could not be started.
    NotStarted(String),
    /// It took longer than allowed and was ended.
    TooLong(Duration),
    /// The system ended it, for example for want of memory.
    Ended(String),
    /// It said no: exit status and message.
    Failed(String),
}

impl Fault {
    /// The whole of it, with what the program said.
    pub(super) fn text(&self) -> String {
        match self {
            Fault::NotStarted(said) => format!("it could not be started: {said}"),
            Fault::TooLong(limit) => format!("it took longer than {} s and was ended", limit.as_secs()),
            Fault::Ended(said) | Fault::Failed(said) => said.clone(),
        }
    }
}

/// Runs a command to its end, `scratch` for its output; returns what it printed. Its output goes to files: a
/// process that it leaves behind cannot hold a pipe open.
pub(super) fn run(command: &mut Command, scratch: &Path, limit: Duration) -> Result<String, Fault> {
    let not_started = |error: io::Error| Fault::NotStarted(error.to_string());
    let (out, err) = (scratch.join("stdout"), scratch.join("stderr"));
    command.stdout(File::create(&out).map_err(not_started)?).stderr(File::create(&err).map_err(not_started)?);
    if std::env::var_os("PATH").is_none() {
        // Compilers look for their own parts there.
        command.env("PATH", "/usr/local/bin:/usr/bin:/bin");
    }
    own_group(command);
    let status = wait(command, limit)?;
    let said = |file: &Path| fs::read(file).map(|b| String::from_utf8_lossy(&b).into_owned());
    if status.success() {
        return said(&out).map_err(not_started);
    }
    let message: String = said(&err).unwrap_or_default().chars().take(MOST_SAID).collect();
    let text = format!("{status}: {}", message.trim_end());
    Err(if status.code().is_none() { Fault::Ended(text) } else { Fault::Failed(text) })
}

fn wait(command: &mut Command, limit: Duration) -> Result<ExitStatus, Fault> {
    let mut child = command.spawn().map_err(|error| Fault::NotStarted(error.to_string()))?;
    let begun = Instant::now();
    loop {
        match child.try_wait() {
            Ok(Some(status)) => return Ok(status),
            Ok(None) if begun.elapsed() < limit => std::thread::sleep(Duration::from_millis(2)),
            outcome => {
                end_group(child.id());
                let _ = child.kill();
                let _ = child.wait();
                return Err(match outcome {
                    Err(error) => Fault::NotStarted(error.to_string()),
                    _ => Fault::TooLong(limit),
                });
            }
        }
    }
}

/// A group of its own, so that whatever the command starts can be ended with it.
#[cfg(unix)]
fn own_group(command: &mut Command) {
    use std::os::unix::process::CommandExt;
    command.process_group(0);
}

#[cfg(unix)]
fn end_group(id: u32) {
    use nix::sys::signal::{Signal, killpg};
    use nix::unistd::Pid;
    if let Ok(id) = i32::try_from(id) {
        let _ = killpg(Pid::from_raw(id), Signal::SIGKILL);
    }
}

#[cfg(not(unix))]
fn own_group(_command: &mut Command) {}

#[cfg(not(unix))]
fn end_group(_id: u32) {}

/// The command `program` without input.
pub(super) fn command(program: impl AsRef<std::ffi::OsStr>) -> Command {
    let mut command = Command::new(program);
    command.stdin(Stdio::null());
    command
}
