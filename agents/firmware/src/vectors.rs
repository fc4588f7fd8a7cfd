//! Test vectors: what the onboard code answers, line by line, for the compiled header to repeat.
//!
//! Kinds of line, with results after the inputs:
//! - `start,gear` begins a sequence;
//! - `tick,forced,encoder,mv,ma,tilt,duty,selector,preview,` then asked, request, drive, gear, nudge, recalibrate,
//!   park, phase, verdict and the features on the axes of the table; `forced` 3 asks the table;
//! - `park,encoder,verdict` and `leave,verdict` between two ticks;
//! - `selftest,1`: the stored self-test passes;
//! - `look,` the features on the axes, the decision;
//! - `grid,first cell,` decisions of consecutive cells.

use std::fmt::Write as _;

use lowgear_env::{Seed, Stream};
use lowgear_onboard::{
    Command, Controller, FEATURES, Feature, Features, InputForm, Phase, Raw, Request, Settings,
};
use rand::{Rng, RngExt};

use super::decider::{Decider, DeciderFault};
use super::toy::{SyntheticVehicle, TestPhase};

const EPISODE_TICKS: u32 = 500;
/// Long enough for every clock to saturate.
const CALM_TICKS: u32 = 1100;
const CELLS_A_LINE: usize = 100;
const ASK_TABLE: u8 = 3;

/// How many vectors to make, and from which seed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct VectorBudget {
    /// Controller ticks, rounded up to whole sequences of 500; the second sequence is 1100 longer.
    pub ticks: u32,
    /// Decisions at random features, many of them next to an edge.
    pub looks: u32,
    /// Where the randomness comes from.
    pub seed: Seed,
}

impl Default for VectorBudget {
    fn default() -> VectorBudget {
        VectorBudget { ticks: 8000, looks: 2000, seed: Seed(1) }
    }
}

/// The vectors and how many there are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Vectors {
    /// The text of `vectors.csv`.
    pub text: String,
    /// Ticks, looks and Park requests in it.
    pub lines: u64,
    /// Cells in it: every cell of the table once.
    pub cells: u64,
}

impl Vectors {
    /// Drives the onboard code through the toy and through random readings.
    ///
    /// # Errors
    /// Never for a sound table or network; see [`Decider::decide`].
    pub fn make<'a>(
        decider: impl Into<Decider<'a>>,
        settings: &Settings,
        budget: &VectorBudget,
    ) -> Result<Vectors, DeciderFault> {
        let decider = decider.into();
        let mut writer = Writer { text: String::new(), lines: 0 };
        writer.text.push_str("selftest,1\n");
        writer.looks(decider, budget)?;
        for episode in 0..budget.ticks.div_ceil(EPISODE_TICKS) {
            writer.episode(decider, settings, budget.seed, u64::from(episode))?;
        }
        let lines = writer.lines;
        let cells: Vec<char> = match decider {
            Decider::Table(table) => (0..table.count()).map(|cell| digit(table.request(cell))).collect(),
            Decider::Network(_) => Vec::new(),
        };
        for (i, row) in cells.chunks(CELLS_A_LINE).enumerate() {
            let row: String = row.iter().collect();
            let _ = writeln!(writer.text, "grid,{},{row}", i * CELLS_A_LINE);
        }
        Ok(Vectors { text: writer.text, lines, cells: cells.len() as u64 })
    }
}

const fn digit(request: Request) -> char {
    match request {
        Request::Down => '0',
        Request::Hold => '1',
        Request::Up => '2',
    }
}

struct Writer {
    text: String,
    lines: u64,
}

impl Writer {
    fn looks(&mut self, decider: Decider<'_>, budget: &VectorBudget) -> Result<(), DeciderFault> {
        let mut rng = budget.seed.stream(Stream::Sensors, u64::MAX - 1);
        for _ in 0..budget.looks {
            let features = random_features(decider, &mut rng);
            let request = decider.decide(&features)?;
            self.text.push_str("look");
            self.values(decider, &features);
            let _ = writeln!(self.text, ",{}", request as u8);
            self.lines += 1;
        }
        Ok(())
    }

    fn values(&mut self, decider: Decider<'_>, features: &Features) {
        for feature in decider.features() {
            let _ = write!(self.text, ",{}", features.get(feature));
        }
    }

    /// One sequence. By turns: the table drives; requests are forced; the selector sticks; readings are noise.
    fn episode(
        &mut self,
        decider: Decider<'_>,
        settings: &Settings,
        seed: Seed,
        episode: u64,
    ) -> Result<(), DeciderFault> {
        let mut rng = seed.stream(Stream::Explore, episode);
        let at_limit = episode % 8 == 5;
        let limit = f64::from(settings.guard.tilt_limit_ddeg);
        let test_phase = TestPhase {
            miss: [0.05, 0.3, 0.6, 0.2][(episode % 4) as usize],
            freed: if episode % 4 == 2 { 0.1 } else { 0.4 },
            load: [200.0, 900.0, 500.0, 5000.0][(episode / 2 % 4) as usize],
            tilt: if at_limit { limit } else { rng.random_range(-250.0..250.0) },
            tilt_jitter: if at_limit { 1.5 } else { 40.0 },
        };
        let gear = rng.random_range(0..settings.guard.gears.max(1));
        let mut toy =
            SyntheticVehicle::new(settings, test_phase, gear, seed.stream(Stream::Selector, episode));
        let mut controller = Controller::new(settings, gear);
        let mut command = Command { drive: false, gear, nudge: false, recalibrate: false, park: false };
        let _ = writeln!(self.text, "start,{gear}");
        let (forces, noise) = (!episode.is_multiple_of(4), episode % 4 == 3);
        let calm = if episode == 1 { CALM_TICKS } else { 0 };
        for tick in 0..EPISODE_TICKS + calm {
            let mut raw = toy.read(&command);
            if noise && rng.random_bool(0.5) {
                raw = noisy(&raw, settings.features.preview.fitted, &mut rng);
            }
            let forced = if tick < calm {
                Request::Hold as u8
            } else if forces && rng.random_bool(0.3) {
                rng.random_range(0..3)
            } else {
                ASK_TABLE
            };
            command = self.tick(decider, settings, &mut controller, &raw, forced)?;
            if forces && tick >= calm && rng.random_bool(0.02) {
                self.park(settings, &mut controller, &raw);
            }
        }
        Ok(())
    }

    fn tick(
        &mut self,
        decider: Decider<'_>,
        settings: &Settings,
        controller: &mut Controller,
        raw: &Raw,
        forced: u8,
    ) -> Result<Command, DeciderFault> {
        let asked = controller.sense(settings, raw);
        let request = match (forced, asked) {
            (ASK_TABLE, true) => decider.decide(&controller.features(settings))?,
            (ASK_TABLE, false) => Request::Hold,
            (code, _) => Request::from_code(code),
        };
        let c = controller.act(settings, request, asked);
        let _ = write!(
            self.text,
            "tick,{forced},{},{},{},{},{},{},{}",
            raw.encoder_counts,
            raw.battery_mv,
            raw.current_ma,
            raw.tilt_ddeg,
            raw.duty_permille,
            raw.selector_ddeg,
            raw.preview
        );
        let flags = [c.nudge, c.recalibrate, c.park].map(u8::from);
        let _ = write!(
            self.text,
            ",{},{},{},{},{},{},{},{},{}",
            u8::from(asked),
            request as u8,
            u8::from(c.drive),
            c.gear,
            flags[0],
            flags[1],
            flags[2],
            controller.guard().phase() as u8,
            controller.guard().verdict() as u8
        );
        self.values(decider, &controller.features(settings));
        self.text.push('\n');
        self.lines += 1;
        Ok(c)
    }

    /// Asks for Park, or leaves it.
    fn park(&mut self, settings: &Settings, controller: &mut Controller, raw: &Raw) {
        if controller.guard().phase() == Phase::Parked {
            let verdict = controller.leave_park();
            let _ = writeln!(self.text, "leave,{}", verdict as u8);
        } else {
            let verdict = controller.park(settings, raw);
            let _ = writeln!(self.text, "park,{},{}", raw.encoder_counts, verdict as u8);
        }
        self.lines += 1;
    }
}

/// Features next to edges, at random, and anywhere at all.
fn random_features(decider: Decider<'_>, rng: &mut impl Rng) -> Features {
    let mut features = Features([0; FEATURES]);
    for value in &mut features.0 {
        *value = if rng.random_bool(0.8) { rng.random_range(-200..1200) } else { rng.random() };
    }
    if let Decider::Table(table) = decider {
        for axis in table.axes() {
            if !axis.edges.is_empty() && rng.random_bool(0.8) {
                let edge = axis.edges[rng.random_range(0..axis.edges.len())];
                features.0[axis.feature as usize] = edge.saturating_add(rng.random_range(-1..=1));
            }
            keep_sign(&mut features, axis.feature);
        }
    }
    if let Decider::Network(network) = decider {
        // A gear or class that is an input, and the whole range of the others.
        for input in network.inputs().iter().filter(|input| input.form == InputForm::Equal) {
            if rng.random_bool(0.5) {
                features.0[usize::from(input.feature)] = input.low;
            }
        }
        network.features().into_iter().for_each(|feature| keep_sign(&mut features, feature));
    }
    features
}

/// No feature but tilt and current is ever negative, and firmware relies on it.
fn keep_sign(features: &mut Features, feature: Feature) {
    if !matches!(feature, Feature::Tilt | Feature::Current) {
        let value = &mut features.0[feature as usize];
        *value = (*value).max(0);
    }
}

/// A reading with one to all values replaced by anything at all.
fn noisy(raw: &Raw, with_preview: bool, rng: &mut impl Rng) -> Raw {
    let mut raw = *raw;
    let all = rng.random_bool(0.2);
    let which = rng.random_range(0..if with_preview { 7 } else { 6 });
    let hit = |i: u32| all || which == i;
    let (encoder, battery, current) = (hit(0), hit(1), hit(2));
    let (tilt, duty, selector) = (hit(3), hit(4), hit(5));
    if encoder {
        raw.encoder_counts = rng.random();
    }
    if battery {
        raw.battery_mv = rng.random();
    }
    if current {
        raw.current_ma = rng.random();
    }
    if tilt {
        raw.tilt_ddeg = rng.random();
    }
    if duty {
        raw.duty_permille = rng.random();
    }
    if selector {
        raw.selector_ddeg = rng.random();
    }
    if with_preview && hit(6) {
        raw.preview = rng.random();
    }
    raw
}
