//! The program part that lets two controllers drive in turn, for a trial, with the monitor that goes back from the tested
//! policy to the other one.

use std::fmt::Write as _;

use lowgear_onboard::{MAX_GEARS, Monitor, MonitorSettings, Phase, Raw, Settings};

use super::prefix::{PrefixError, check_export_prefix};
use super::recorder::AGAINST;
use super::source::Format;
use super::template::Filling;

const C: &str = include_str!("c/trial.h");
const RUST: &str = include_str!("rust/trial.rs.in");
const MICROPYTHON: &str = include_str!("micropython/trial.py.in");
const SPECIFICATION: &str = include_str!("c/trial.md");

/// Names and texts of what lets the controller of this prefix and the one that it is compared with drive in turn, for the
/// formats that are wanted, with its specification. The other controller lies in the folder [`AGAINST`], with [`AGAINST`] at
/// the end of its prefix. Nothing for a table alone.
///
/// # Errors
/// [`PrefixError`] when the prefix is no name in all the languages.
pub fn trial_sources(
    formats: &[Format],
    settings: &Settings,
    monitor: &MonitorSettings,
    prefix: &str,
) -> Result<Vec<(String, String)>, PrefixError> {
    check_export_prefix(&format!("{prefix}_{AGAINST}"))?;
    let filling = filling(settings, monitor);
    let of = |format: &Format| match format {
        Format::C => Some((format!("{prefix}_trial.h"), C)),
        Format::Rust => Some((format!("{prefix}_trial.rs"), RUST)),
        Format::MicroPython => Some((format!("{prefix}_trial.py"), MICROPYTHON)),
        Format::Csv => None,
    };
    let mut files: Vec<(String, &str)> = formats.iter().filter_map(of).collect();
    if !files.is_empty() {
        files.push((format!("{prefix}_trial.md"), SPECIFICATION));
    }
    Ok(files.into_iter().map(|(name, template)| (name, filling.render(template, prefix))).collect())
}

fn filling(settings: &Settings, monitor: &MonitorSettings) -> Filling {
    let mut filling = Filling::default();
    let mut put = |name, text: String| filling.text.insert(name, text);
    for (name, value) in [
        ("PACE", monitor.pace_q12_mm),
        ("BEHIND", monitor.behind_q12_mm),
        ("FAILURE", monitor.failure_q12_mm),
        ("FAILURES", monitor.failures_q12_mm),
        ("RELEASE", monitor.release_q12_mm),
        ("WINDOW", monitor.failed_window_ticks.into()),
        ("FULL", monitor.full_duty_permille.into()),
    ] {
        put(name, value.to_string());
    }
    let gears = usize::from(settings.guard.gears).clamp(1, MAX_GEARS);
    let ways = &monitor.count_q12_mm[..gears];
    put("HALVES", (2 * gears).to_string());
    let halves = ways.iter().flat_map(|&way| [way as u16, (way >> 16) as u16]);
    put("WAYS_C", halves.map(|half| format!("{half}u,")).collect::<Vec<_>>().join(" "));
    put("WAYS", ways.iter().map(|way| format!("{way},")).collect::<Vec<_>>().join(" "));
    put("WAYS_RUST", monitor.count_q12_mm.map(|way| way.to_string()).join(", "));
    let test = MonitorTest::new(settings, monitor);
    let row = |run: &[u16; 5], open: &str, close: &str, unit: &str| {
        format!("    {open}{}{close},\n", run.map(|v| format!("{v}{unit}")).join(", "))
    };
    let rows = |open: &str, close: &str, unit: &str| {
        test.runs.iter().fold(String::new(), |text, run| text + &row(run, open, close, unit))
    };
    put("RUNS_C", rows("{ ", " }", "u"));
    put("RUNS_RUST", rows("[", "]", ""));
    put("RUNS_PYTHON", rows("(", ")", ""));
    put("RUNS", test.runs.len().to_string());
    put("RUNS_SUM", test.sum.to_string());
    let mut table = String::new();
    for (name, value) in [
        ("PACE", monitor.pace_q12_mm),
        ("BEHIND_LIMIT", monitor.behind_q12_mm),
        ("FAILURE", monitor.failure_q12_mm),
        ("FAILURES_LIMIT", monitor.failures_q12_mm),
        ("RELEASE", monitor.release_q12_mm),
        ("FAILED_WINDOW_TICKS", monitor.failed_window_ticks.into()),
        ("FULL_DUTY", monitor.full_duty_permille.into()),
    ] {
        let _ = writeln!(table, "| `{name}` | {value} |");
    }
    let list = ways.iter().map(u32::to_string).collect::<Vec<_>>().join(", ");
    let _ = writeln!(table, "| `COUNT_WAY` | [{list}] |");
    put("SPECIFIED", table);
    filling
}

/// Ticks that lead a monitor beyond both limits, back to the table and to its last fallback; and the sum of all answers.
struct MonitorTest {
    /// Ticks, encoder counts, duty, phase, gear.
    runs: Vec<[u16; 5]>,
    sum: u16,
}

const PHASES: [Phase; 2] = [Phase::Driving, Phase::Moving];

impl MonitorTest {
    fn new(settings: &Settings, monitor: &MonitorSettings) -> MonitorTest {
        let top = u16::from(settings.guard.gears.clamp(1, MAX_GEARS as u8)) - 1;
        let way = monitor.count_q12_mm[usize::from(top)].max(1);
        // As fast as the pace and half as much again, and the ticks that a limit lasts at a standstill or at that speed.
        let counts = (monitor.pace_q12_mm * 3 / 2 / way + 1).min(2000) as u16;
        let ticks = |limit: u32, per_tick: u32| (limit / per_tick.max(1) + 2).min(4000) as u16;
        let stand = ticks(monitor.behind_q12_mm, monitor.pace_q12_mm);
        let release = ticks(monitor.release_q12_mm, u32::from(counts) * way);
        let mut runs = vec![[stand / 2, counts, 1000, 0, top], [stand, 0, 1000, 0, 0], [20, 0, 400, 0, 0]];
        runs.push([release, counts, 1000, 0, top]);
        for _ in 0..6 {
            runs.extend([[2, 1, 1000, 0, 0], [2, 1, 0, 1, 0], [2, 1, 1000, 0, 1.min(top)]]);
        }
        runs.extend([
            [release, counts, 1000, 0, top],
            [release, counts, 1000, 0, top],
            [stand, 0, 0, 1, top],
        ]);
        runs.extend([[stand, 0, 0, 1, 0], [release, counts, 1000, 0, top]]);
        let (mut state, mut sum) = (Monitor::new(0), 0u16);
        for [ticks, encoder_counts, duty_permille, phase, gear] in &runs {
            let raw =
                Raw { encoder_counts: *encoder_counts, duty_permille: *duty_permille, ..Raw::default() };
            for _ in 0..*ticks {
                state.take(monitor, &raw, PHASES[usize::from(*phase) % 2], *gear as u8);
                for value in [
                    u32::from(state.fallback()) + 2 * u32::from(state.fallbacks()),
                    state.behind_q12_mm() >> 12,
                    state.failures_q12_mm() >> 12,
                ] {
                    sum = sum.wrapping_mul(31).wrapping_add(value as u16);
                }
            }
        }
        MonitorTest { runs, sum }
    }
}
