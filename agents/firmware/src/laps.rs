//! The program part that learns the way lap by lap, next to an exported controller.

use std::fmt::Write as _;

use lowgear_onboard::{
    CELL_MM, Feature, Features, LapControl, LapSettings, MAX_GEARS, MEMORY_CELLS, Raw, Request, Settings,
};

use super::decider::Decider;
use super::prefix::{PrefixError, check_export_prefix};
use super::source::Format;
use super::table_features::TableFeatures;
use super::template::Filling;

const C: &str = include_str!("c/laps.h");
const RUST: &str = include_str!("rust/laps.rs.in");
const MICROPYTHON: &str = include_str!("micropython/laps.py.in");
const SPECIFICATION: &str = include_str!("c/laps.md");

/// Features that the memory of the laps needs, whatever the table sees.
pub(super) const SEEN: [Feature; 5] =
    [Feature::Gear, Feature::SpeedRatio, Feature::Dwell, Feature::SinceFailed, Feature::Stalled];
/// RAM of the memory where nothing is padded, bytes.
const STATE_BYTES: usize = 114;

/// Names of the files that go next to the controller of this prefix, in the formats that are wanted; none for a list alone.
#[must_use]
pub fn laps_file_names(formats: &[Format], prefix: &str) -> Vec<String> {
    let programs = formats.iter().filter(|format| **format != Format::Csv);
    let mut names: Vec<String> =
        programs.map(|format| format!("{prefix}_laps.{}", format.extension())).collect();
    if !names.is_empty() {
        names.push(format!("{prefix}_laps.md"));
    }
    names
}

/// Names and texts of these files. The controller of this prefix must have been made by
/// [`super::source_with_laps`].
///
/// # Errors
/// [`PrefixError`] when the prefix is no name in all the languages.
pub fn laps_sources<'a>(
    formats: &[Format],
    decider: impl Into<Decider<'a>>,
    settings: &Settings,
    laps: &LapSettings,
    prefix: &str,
) -> Result<Vec<(String, String)>, PrefixError> {
    check_export_prefix(prefix)?;
    let filling = filling(decider.into(), settings, laps);
    let names = laps_file_names(formats, prefix);
    let template = |name: &str| match name.rsplit('.').next() {
        Some("h") => C,
        Some("rs") => RUST,
        Some("py") => MICROPYTHON,
        _ => SPECIFICATION,
    };
    let text = |name: String| {
        let text = filling.render(template(&name), prefix);
        (name, text)
    };
    Ok(names.into_iter().map(text).collect())
}

fn filling(decider: Decider<'_>, settings: &Settings, laps: &LapSettings) -> Filling {
    let set = TableFeatures::of(decider, settings, true).set;
    let mut filling = Filling { set, ..Filling::default() };
    let mut put = |name, text: String| filling.text.insert(name, text);
    let gears = usize::from(settings.guard.gears).clamp(1, MAX_GEARS);
    let (odometer, memory) = (&laps.odometer, &laps.memory);
    for (name, value) in [
        ("BYTES", STATE_BYTES),
        ("LOOK", memory.look_mm.into()),
        ("EARLY", memory.early_permille.max(0) as usize),
        ("RETRY", memory.retry_ticks.max(0) as usize),
        ("COAST", odometer.coast_q16_mm.into()),
        ("GEARS", gears),
        ("HALVES", 2 * gears),
        ("TOP_GEAR", memory.top_gear.into()),
        ("NOMINAL", settings.features.nominal_mv.into()),
    ] {
        put(name, value.to_string());
    }
    put("REACH", format!("{:.1}", MEMORY_CELLS as f64 * f64::from(CELL_MM) / 1000.0));
    let list = |values: &[u16], unit: &str| -> String {
        values.iter().map(|value| format!("{value}{unit},")).collect::<Vec<_>>().join(" ")
    };
    let ways = &odometer.count_q12_mm[..gears];
    let halves: Vec<u16> = ways.iter().flat_map(|&way| [way as u16, (way >> 16) as u16]).collect();
    put("WAYS_C", list(&halves, "u"));
    put("WAYS", ways.iter().map(|way| format!("{way},")).collect::<Vec<_>>().join(" "));
    put("WAYS_RUST", odometer.count_q12_mm.map(|way| way.to_string()).join(", "));
    put("INERTIA_C", list(&odometer.inertia_permille[..gears], "u"));
    put("INERTIA", list(&odometer.inertia_permille[..gears], ""));
    put("INERTIA_RUST", odometer.inertia_permille.map(|value| value.to_string()).join(", "));
    put("SCALE_C", list(&settings.features.gear_scale_permille[..gears], "u"));
    put("SCALE", list(&settings.features.gear_scale_permille[..gears], ""));
    let test = LapTest::new(settings, laps);
    put("RUNS", test.runs.len().to_string());
    put("RUNS_SUM", test.sum.to_string());
    for (name, open, close, unit) in
        [("RUNS_C", "{ ", " }", "u"), ("RUNS_RUST", "[", "]", ""), ("RUNS_PYTHON", "(", ")", "")]
    {
        let row =
            |run: &[u16; 7]| format!("    {open}{}{close},\n", run.map(|v| format!("{v}{unit}")).join(", "));
        put(name, test.runs.iter().map(row).collect());
    }
    put("SPECIFIED", specified(settings, laps, gears));
    filling
}

/// The settings as rows of the specification.
fn specified(settings: &Settings, laps: &LapSettings, gears: usize) -> String {
    let (odometer, memory) = (&laps.odometer, &laps.memory);
    let mut table = String::new();
    for (name, value) in [
        ("LOOK_MM", i64::from(memory.look_mm)),
        ("EARLY", memory.early_permille.into()),
        ("RETRY_TICKS", memory.retry_ticks.into()),
        ("COAST", odometer.coast_q16_mm.into()),
        ("TOP_GEAR", memory.top_gear.into()),
    ] {
        let _ = writeln!(table, "| `{name}` | {value} |");
    }
    let _ = writeln!(table, "| `COUNT_WAY` | {:?} |", &odometer.count_q12_mm[..gears]);
    let _ = writeln!(table, "| `INERTIA` | {:?} |", &odometer.inertia_permille[..gears]);
    let _ = writeln!(table, "| `SCALE` | {:?} |", &settings.features.gear_scale_permille[..gears]);
    table
}

/// Laps that lead a memory through all that it does, and the sum of all answers.
struct LapTest {
    /// Ticks (0: a lap begins), encoder counts, phase (2: the selector moves), gear, speed ratio, ticks of standstill, request.
    runs: Vec<[u16; 7]>,
    sum: u16,
}

impl LapTest {
    fn new(settings: &Settings, laps: &LapSettings) -> LapTest {
        let runs = runs(settings, laps);
        let (mut control, mut sum) = (LapControl::new(), 0u16);
        let mut features = Features::default();
        features.0[Feature::Dwell as usize] = 100;
        features.0[Feature::SinceFailed as usize] = 1000;
        for &[ticks, encoder_counts, phase, gear, ratio, stalled, policy] in &runs {
            let nominal_mv = settings.features.nominal_mv;
            let raw = Raw { encoder_counts, battery_mv: nominal_mv, duty_permille: 1000, ..Raw::default() };
            features.0[Feature::Gear as usize] = gear as i16;
            features.0[Feature::SpeedRatio as usize] = ratio as i16;
            features.0[Feature::Stalled as usize] = stalled as i16;
            if ticks == 0 {
                control.start_lap();
            }
            for _ in 0..ticks {
                control.count(laps, &settings.features, &raw, gear as u8, phase == 0);
                let answer = control.decide(laps, &features, Request::from_code(policy as u8), [true; 3]);
                for value in [answer as u16, control.position_mm(), control.needless().into()] {
                    sum = sum.wrapping_mul(31).wrapping_add(value);
                }
            }
        }
        LapTest { runs, sum }
    }
}

/// Speed ratios that confirm a mark and that do not, both too low for an early upshift.
const HEAVY: u16 = 300;
const LIGHT: u16 = 470;

/// Drives a toy vehicle for the readings of the test.
struct Readings<'a> {
    settings: &'a Settings,
    laps: &'a LapSettings,
    runs: Vec<[u16; 7]>,
}

impl Readings<'_> {
    /// Drives on for so many mm in a gear, at a speed ratio, while the table asks for `policy`.
    fn drive(&mut self, mm: u32, gear: u16, ratio: u16, policy: Request) {
        let features = &self.settings.features;
        let counts =
            u64::from(features.nominal_mv) * u64::from(ratio) / u64::from(features.speed_gain.max(1));
        let counts = counts.clamp(1, 2000) as u16;
        let way = u32::from(counts) * self.laps.odometer.count_q12_mm[usize::from(gear) % MAX_GEARS];
        let ticks = ((mm << 12) / way.clamp(1, (1 << 23) - 1)).clamp(1, 2000) as u16;
        self.runs.push([ticks, counts, 0, gear, ratio, 0, policy as u16]);
    }

    /// A lap on which the gear below the top one runs at the speed ratio `ratio` where the vehicle stalled, and the top gear
    /// as the table asks for `policy`.
    fn lap(&mut self, ratio: u16, policy: Request) {
        let top = u16::from(self.laps.memory.top_gear);
        let below = top.saturating_sub(1);
        // Some ticks out of gear, and the beginning.
        self.runs.extend([[4, 0, 2, top, 500, 0, Request::Hold as u16], [0; 7]]);
        // An early upshift.
        self.drive(1, below, 900, Request::Hold);
        self.drive(1500, top, 600, policy);
        self.drive(700, below, 900, Request::Up);
        self.drive(600, below, ratio, Request::Hold);
        self.drive(500, top, 600, Request::Hold);
    }
}

/// A lap with a stall at 2.5 m; one on which its mark is confirmed and an early upshift pays; two on which the load is gone, and
/// an early upshift is taken back.
fn runs(settings: &Settings, laps: &LapSettings) -> Vec<[u16; 7]> {
    let top = u16::from(laps.memory.top_gear);
    let mut readings = Readings { settings, laps, runs: Vec::new() };
    readings.drive(2500, top, 600, Request::Hold);
    readings.runs.push([1, 0, 0, top, 20, 5, Request::Down as u16]);
    readings.lap(HEAVY, Request::Hold);
    readings.lap(LIGHT, Request::Down);
    readings.lap(LIGHT, Request::Hold);
    readings.runs
}
