//! What the controller costs on small machines: compiled by their compilers and counted on emulated ones, where this
//! machine has the tools.

use std::fs;
use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use lowgear_onboard::{LapSettings, Settings};
use serde::{Deserialize, Serialize};

use super::decider::Decider;
use super::laps::laps_sources;
use super::scratch::Scratch;
use super::source::{Format, filled};

const WHOLE: &str = include_str!("c/whole.c");
const WHOLE_LAPS: &str = include_str!("c/whole_laps.c");
const FILES: [(&str, &str); 4] = [
    ("arm.c", include_str!("targets/arm.c")),
    ("arm.ld", include_str!("targets/arm.ld")),
    ("avr.c", include_str!("targets/avr.c")),
    ("drill.h", include_str!("targets/drill.h")),
];
const STATE: &str = "#include \"lowgear.h\"\nlowgear_state state = { 0 };\n";
const LAPS_STATE: &str =
    "#include \"lowgear_laps.h\"\nlowgear_state state = { 0 };\nlowgear_laps laps = { 0 };\n";
/// Ticks of the drill that are counted.
const TICKS: u32 = 4000;
/// No drill takes longer than this.
const LIMIT: Duration = Duration::from_secs(60);

/// A small machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Target {
    /// Arm Cortex-M0: 32 bits, no divider.
    CortexM0,
    /// AVR ATmega328P: 8 bits.
    Avr,
}

/// What the controller costs there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TargetCost {
    /// Name of the machine.
    pub target: String,
    /// Program memory: code, table and settings, optimised for size, bytes.
    pub flash_bytes: u32,
    /// RAM of the state, bytes; the stack comes on top.
    pub state_bytes: u32,
    /// Stack of a tick with a network, the frames of all functions together, bytes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stack_bytes: Option<u32>,
    /// A tick in which the table or network decides, in the mean: features and guard included.
    pub decision_mean: u32,
    /// The most of such ticks.
    pub decision_most: u32,
    /// What the two count: instructions or cycles.
    pub counted: String,
}

impl TargetCost {
    /// The costs in a sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        let stack = self.stack_bytes.map_or_else(String::new, |bytes| format!("{bytes} bytes of stack, "));
        format!(
            "{}: {} bytes of program memory, {} bytes of state, {stack}{} {} per decision on average, {} at most",
            self.target,
            self.flash_bytes,
            self.state_bytes,
            self.decision_mean,
            self.counted,
            self.decision_most
        )
    }
}

impl Target {
    /// Every one.
    pub const ALL: [Target; 2] = [Target::CortexM0, Target::Avr];

    fn tools(self) -> &'static str {
        match self {
            Target::CortexM0 => "arm-none-eabi-",
            Target::Avr => "avr-",
        }
    }

    fn machine(self) -> &'static [&'static str] {
        match self {
            Target::CortexM0 => &["-mcpu=cortex-m0", "-mthumb"],
            Target::Avr => &["-mmcu=atmega328p"],
        }
    }

    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Target::CortexM0 => "Cortex-M0",
            Target::Avr => "AVR ATmega328P",
        }
    }

    /// The costs of a table or network on a vehicle.
    ///
    /// # Errors
    /// The target's name with the program that is missing, or with what failed.
    pub fn cost<'a>(
        self,
        decider: impl Into<Decider<'a>>,
        settings: &Settings,
    ) -> Result<TargetCost, String> {
        self.cost_with(decider.into(), settings, None)
    }

    /// The same, with a memory of the way that is learned lap by lap where there is one.
    ///
    /// # Errors
    /// As [`Target::cost`].
    pub fn cost_with(
        self,
        decider: Decider<'_>,
        settings: &Settings,
        laps: Option<&LapSettings>,
    ) -> Result<TargetCost, String> {
        let programs = [format!("{}gcc", self.tools()), format!("{}size", self.tools())];
        let emulator = self.emulator();
        let missing: Vec<&str> = programs
            .iter()
            .map(String::as_str)
            .chain(emulator.first().copied())
            .filter(|program| Command::new(program).arg("--version").output().is_err())
            .collect();
        if !missing.is_empty() {
            return Err(format!("{}: not measured, missing here: {}", self.name(), missing.join(", ")));
        }
        self.measured(decider, settings, laps)
            .ok_or_else(|| format!("{}: not measured, its compiler or emulator failed", self.name()))
    }

    /// Program memory that a table or network takes on a vehicle, bytes: compiled only, nothing is run. None where the compiler is
    /// missing here or failed.
    #[must_use]
    pub fn flash_bytes<'a>(self, decider: impl Into<Decider<'a>>, settings: &Settings) -> Option<u32> {
        self.section(written(decider.into(), settings, None)?.path(), "whole.c", 0)
    }

    fn measured(
        self,
        decider: Decider<'_>,
        settings: &Settings,
        laps: Option<&LapSettings>,
    ) -> Option<TargetCost> {
        let folder = written(decider, settings, laps)?;
        let flash_bytes = self.section(folder.path(), "whole.c", 0)?;
        let state_bytes = self.section(folder.path(), "state.c", 2)?;
        let stack_bytes = match decider {
            Decider::Table(_) => None,
            Decider::Network(_) => Some(self.stack_bytes(folder.path())?),
        };
        let mut flags = self.drill_flags(settings);
        flags.extend(laps.map(|_| "-DDRILL_LAPS".to_owned()));
        self.compile(folder.path(), &flags, "drill.elf")?;
        let said = run(&self.emulator(), folder.path())?;
        // The timer of the emulated Cortex-M counts steps, which are scaled by those of a thousand instructions.
        let scale = |steps: u32| match figure(&said, "thousand") {
            Some((thousand, _)) => u64::from(steps) * 1000 / u64::from(thousand.max(1)),
            None => u64::from(steps),
        };
        let ((decided, total), (most, _)) = (figure(&said, "decided")?, figure(&said, "most")?);
        Some(TargetCost {
            target: self.name().to_owned(),
            flash_bytes,
            state_bytes,
            stack_bytes,
            decision_mean: u32::try_from(scale(total) / u64::from(decided.max(1))).ok()?,
            decision_most: u32::try_from(scale(most)).ok()?,
            counted: if self == Target::Avr { "cycles" } else { "instructions" }.to_owned(),
        })
    }

    fn drill_flags(self, settings: &Settings) -> Vec<String> {
        let features = &settings.features;
        let span = (1000 * u32::from(features.nominal_mv) / features.speed_gain.max(1)).clamp(8, 2000);
        let mut flags = vec![
            format!("-DDRILL_TICKS={TICKS}"),
            format!("-DDRILL_SPAN={span}u"),
            format!("-DDRILL_NOMINAL_MV={}u", features.nominal_mv),
        ];
        let own: &[&str] = match self {
            Target::CortexM0 => &["-nostartfiles", "-T", "arm.ld", "arm.c"],
            Target::Avr => &["avr.c"],
        };
        flags.extend(["-std=gnu99", "-DCOUNT_TICKS"].iter().chain(own).map(|&flag| flag.to_owned()));
        flags
    }

    fn compile(self, folder: &Path, flags: &[String], out: &str) -> Option<()> {
        let mut compiler = Command::new(format!("{}gcc", self.tools()));
        compiler.current_dir(folder).args(self.machine()).args(["-Os", "-I."]).args(flags).args(["-o", out]);
        let done = compiler.stdin(Stdio::null()).output().ok()?;
        done.status.success().then_some(())
    }

    /// A column of what the target's `size` says: 0 text, 2 cleared variables.
    fn section(self, folder: &Path, file: &str, column: usize) -> Option<u32> {
        let flags = ["-std=c99", "-c", file].map(str::to_owned);
        self.compile(folder, &flags, "size.o")?;
        let size =
            Command::new(format!("{}size", self.tools())).arg("size.o").current_dir(folder).output().ok()?;
        let text = String::from_utf8_lossy(&size.stdout).into_owned();
        text.lines().nth(1)?.split_whitespace().nth(column)?.parse().ok()
    }

    /// Frames of all functions of the controller: no call can take more.
    fn stack_bytes(self, folder: &Path) -> Option<u32> {
        let flags = ["-std=c99", "-fstack-usage", "-c", "whole.c"].map(str::to_owned);
        self.compile(folder, &flags, "stack.o")?;
        let usage = fs::read_to_string(folder.join("stack.su")).ok()?;
        usage.lines().map(|line| line.split('\t').nth(1)?.parse::<u32>().ok()).sum()
    }

    fn emulator(self) -> Vec<&'static str> {
        match self {
            Target::CortexM0 => {
                // A Cortex-M3, which has every instruction of the M0; it runs what was compiled for the M0.
                let board =
                    "qemu-system-arm -M mps2-an385 -nographic -monitor none -serial none -icount shift=6";
                let host = "-semihosting-config enable=on,target=native -kernel drill.elf";
                board.split(' ').chain(host.split(' ')).collect()
            }
            Target::Avr => "simavr -m atmega328p -f 16000000 drill.elf".split(' ').collect(),
        }
    }
}

/// A folder with the controller and what measures it.
fn written(decider: Decider<'_>, settings: &Settings, laps: Option<&LapSettings>) -> Option<Scratch> {
    let folder = Scratch::new().ok()?;
    let header = filled(Format::C, decider, settings, "lowgear", laps.is_some()).ok()?;
    let (whole, state) = if laps.is_some() { (WHOLE_LAPS, LAPS_STATE) } else { (WHOLE, STATE) };
    let own = [("lowgear.h", header.as_str()), ("whole.c", whole), ("state.c", state)];
    for (name, text) in FILES.iter().chain(&own) {
        fs::write(folder.path().join(name), text).ok()?;
    }
    if let Some(laps) = laps {
        for (name, text) in laps_sources(&[Format::C], decider, settings, laps, "lowgear").ok()? {
            fs::write(folder.path().join(name), text).ok()?;
        }
    }
    Some(folder)
}

/// What a command printed, if it ended well and in time.
fn run(words: &[&str], folder: &Path) -> Option<String> {
    let mut command = Command::new(words.first()?);
    command.args(&words[1..]).current_dir(folder).stdin(Stdio::null());
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().ok()?;
    let begun = Instant::now();
    let status = loop {
        match child.try_wait() {
            Ok(Some(status)) => break status,
            Ok(None) if begun.elapsed() < LIMIT => std::thread::sleep(Duration::from_millis(5)),
            _ => {
                let _ = child.kill();
                let _ = child.wait();
                return None;
            }
        }
    };
    let mut said = String::new();
    child.stdout.take()?.read_to_string(&mut said).ok()?;
    child.stderr.take()?.read_to_string(&mut said).ok()?;
    status.success().then_some(said)
}

/// The number and the sum in the line of an answer that begins with `what`; one emulator colours its lines.
fn figure(said: &str, what: &str) -> Option<(u32, u32)> {
    let plain = said.replace("\u{1b}[32m", "").replace("\u{1b}[0m", "");
    let line =
        plain.lines().find_map(|line| line.strip_prefix(what))?.trim().trim_end_matches('.').to_owned();
    let mut words = line.split(' ');
    Some((words.next()?.parse().ok()?, u32::from_str_radix(words.next()?, 16).ok()?))
}
