//! One command of the campaign with a time limit, and how its end is counted.

use crate::sandbox::Sandbox;
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// Nothing of the campaign may take longer than this; the machine may be busy.
const LIMIT: Duration = Duration::from_secs(120);

/// How a command ended.
#[derive(Debug)]
pub(super) struct End {
    /// None when it hung or was ended by a signal.
    pub(super) code: Option<i32>,
    pub(super) out: String,
    pub(super) err: String,
    hung: bool,
}

impl End {
    pub(super) fn accepted(&self) -> bool {
        self.code == Some(0)
    }
}

/// Runs the command in the folder, its output to files next to it.
pub(super) fn run(place: &Sandbox, arguments: &[&str]) -> End {
    let (out, err) = (place.path(".stdout"), place.path(".stderr"));
    let to = |file| Stdio::from(File::create(file).expect("the folder can be written"));
    run_with(place, arguments, to(&out), to(&err), |end| {
        let text = |file| String::from_utf8_lossy(&fs::read(file).unwrap_or_default()).into_owned();
        (end.out, end.err) = (text(&out), text(&err));
    })
}

/// Runs the command with these streams; `tell` may fill in what they took.
pub(super) fn run_with(
    place: &Sandbox,
    arguments: &[&str],
    out: Stdio,
    err: Stdio,
    tell: impl FnOnce(&mut End),
) -> End {
    wait(start(place, arguments, out, err), tell)
}

/// Starts the command in the folder. It finds no compiler and no emulator, whose coming or going on this machine
/// during a long campaign would change what firmware is said to cost.
pub(super) fn start(place: &Sandbox, arguments: &[&str], out: Stdio, err: Stdio) -> Child {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lowgear-under-test"));
    command.env("PATH", place.path("no-programs")).env("CC", "no-such-compiler");
    command.current_dir(place.path("")).args(arguments).stdin(Stdio::null()).stdout(out).stderr(err);
    command.spawn().expect("the command starts")
}

fn wait(mut child: Child, tell: impl FnOnce(&mut End)) -> End {
    let began = Instant::now();
    let status = loop {
        match child.try_wait().expect("the command can be waited for") {
            Some(status) => break Some(status),
            None if began.elapsed() < LIMIT => sleep(Duration::from_millis(1)),
            None => {
                let _ = child.kill();
                let _ = child.wait();
                break None;
            }
        }
    };
    let hung = status.is_none();
    let mut end = End { code: status.and_then(|s| s.code()), out: String::new(), err: String::new(), hung };
    tell(&mut end);
    end
}

/// Counts of one kind of trial.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Counts {
    pub(super) inputs: u64,
    refused: u64,
    accepted: u64,
    panics: u64,
    hangs: u64,
    wrong: u64,
}

/// Counts by kind, and every fault with what led to it.
#[derive(Debug, Default)]
pub(super) struct Tally {
    pub(super) kinds: BTreeMap<&'static str, Counts>,
    pub(super) faults: Vec<String>,
}

impl Tally {
    /// Counts an end. A refusal has one of the codes for it and a message that begins with `error: `, unless
    /// nobody could read it.
    pub(super) fn count(&mut self, kind: &'static str, what: &str, end: &End, readable: bool) {
        let counts = self.kinds.entry(kind).or_default();
        counts.inputs += 1;
        let panicked = end.code == Some(101) || end.err.contains("panicked");
        let told = !readable || end.err.contains("error: ");
        let fault = match end.code {
            _ if end.hung => Some(("hang", &mut counts.hangs)),
            _ if panicked || end.code.is_none() => Some(("panic", &mut counts.panics)),
            Some(0) => {
                counts.accepted += 1;
                None
            }
            Some(1..=3) if told => {
                counts.refused += 1;
                None
            }
            _ => Some(("wrong", &mut counts.wrong)),
        };
        if let Some((name, count)) = fault {
            *count += 1;
            let said: String = end.err.chars().take(400).collect();
            self.faults.push(format!("{kind}: {name}, {what}: code {:?}: {said}", end.code));
        }
    }

    /// A conclusion that is not right.
    pub(super) fn wrong(&mut self, kind: &'static str, what: &str) {
        self.kinds.entry(kind).or_default().wrong += 1;
        self.faults.push(format!("{kind}: wrong, {what}"));
    }

    /// The counts as a table.
    pub(super) fn text(&self) -> String {
        let mut out = format!(
            "{:<12} {:>7} {:>8} {:>8} {:>6} {:>5} {:>5}\n",
            "kind", "inputs", "refused", "accepted", "panics", "hangs", "wrong"
        );
        let mut sum = Counts::default();
        let mut line = |name: &str, c: &Counts| {
            out.push_str(&format!(
                "{name:<12} {:>7} {:>8} {:>8} {:>6} {:>5} {:>5}\n",
                c.inputs, c.refused, c.accepted, c.panics, c.hangs, c.wrong
            ));
        };
        for (name, c) in &self.kinds {
            line(name, c);
            sum.inputs += c.inputs;
            sum.refused += c.refused;
            sum.accepted += c.accepted;
            sum.panics += c.panics;
            sum.hangs += c.hangs;
            sum.wrong += c.wrong;
        }
        line("all", &sum);
        out
    }
}
