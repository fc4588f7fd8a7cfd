//! What a decision of a tabular learner costs: choosing and the update with its traces.
//!
//! Items are decisions. On the small worlds next to nothing but the learner runs. On the gearbox, with the
//! demonstration's vehicle, ground, rule, grid and settings, the same episodes are driven three times:
//! whole, the environment alone with the actions written down, and the learner alone (guide and grid
//! included) from the observations and rewards written down. All three take the same decisions.
//!
//! `cargo bench -p lowgear-agents -p lowgear-train --bench tabular`. For instructions per decision, divide
//! what callgrind counts in `learner_alone` or `environment_alone` by the number of decisions printed.
#![expect(clippy::unwrap_used, reason = "a benchmark that cannot begin has nobody to tell but its reader")]

#[path = "../tests/worlds/mod.rs"]
mod worlds;

use std::hint::black_box;
use std::path::Path;
use std::sync::{Arc, LazyLock};

use divan::Bencher;
use divan::counter::ItemsCount;
use lowgear_agents::policy::Mask;
use lowgear_agents::policy::Policy;
use lowgear_agents::policy::grid::{Grid, GridAxis};
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_agents::schedule::Schedule;
use lowgear_agents::tabular::{Algorithm, StepSize, TabularLearner, TabularSettings, learn_episode};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, Step, World, config, load_course};
use lowgear_onboard::Features;
use serde::Deserialize;
use worlds::{cliff, random_walk};

fn main() {
    println!("gearbox: {} decisions in {EPISODES} episodes after {TAUGHT} others", GEARBOX.decisions.len());
    divan::main();
}

/// Learning rules and decays of traces, per second.
const RULES: [(Algorithm, f64); 6] = [
    (Algorithm::QLearning, 0.0),
    (Algorithm::QLearning, 0.9),
    (Algorithm::Sarsa, 0.9),
    (Algorithm::ExpectedSarsa, 0.0),
    (Algorithm::ExpectedSarsa, 0.9),
    (Algorithm::DoubleQ, 0.0),
];

/// Decisions of `episodes` episodes in a small world, from an untaught table.
#[inline(never)]
fn small<W: World<Observation = usize>>(mut world: W, cells: usize, rule: usize, episodes: u64) -> u64 {
    let (algorithm, lambda_per_s) = RULES[rule];
    let step_size = StepSize::Visits { omega: 0.7, floor: 0.01 };
    let epsilon = Schedule::constant(0.1);
    let settings = TabularSettings {
        algorithm,
        lambda_per_s,
        step_size,
        epsilon,
        gamma_per_s: 0.98,
        ..TabularSettings::default()
    };
    let mut learner = TabularLearner::new(settings, cells, world.actions(), Seed(1)).unwrap();
    (0..episodes)
        .map(|n| learn_episode(&mut world, |&cell| cell, &mut learner, n, |_, _| None).decisions)
        .sum()
}

fn on_cliff(rule: usize) -> u64 {
    small(cliff::Cliff::new(), cliff::CELLS, rule, 500)
}

fn on_walk(rule: usize) -> u64 {
    small(random_walk::RandomWalk::long(Seed(3)), random_walk::LONG_STATES, rule, 100)
}

/// Cliff walking; the number is that of the learning rule: Q-learning without and with traces, Sarsa with
/// them, Expected Sarsa without and with them, Double Q-learning.
#[divan::bench(args = 0..RULES.len(), sample_count = 20)]
fn cliff_walk(bencher: Bencher, rule: usize) {
    bencher.counter(ItemsCount::new(on_cliff(rule))).bench_local(|| on_cliff(black_box(rule)));
}

/// Random walk of 19 states, prediction.
#[divan::bench(args = 0..RULES.len(), sample_count = 20)]
fn walk(bencher: Bencher, rule: usize) {
    bencher.counter(ItemsCount::new(on_walk(rule))).bench_local(|| on_walk(black_box(rule)));
}

/// Episodes measured, and episodes that the table was taught by before.
const EPISODES: u64 = 20;
const TAUGHT: u64 = 400;

static GEARBOX: LazyLock<Gearbox> = LazyLock::new(|| Gearbox::demo(TAUGHT, EPISODES));

#[divan::bench(sample_count = 20)]
fn gearbox_whole(bencher: Bencher) {
    let taught = || (GEARBOX.learner.clone(), GEARBOX.drive());
    bencher.counter(GEARBOX.count()).with_inputs(taught).bench_local_refs(|(learner, drive)| {
        (TAUGHT..TAUGHT + EPISODES).for_each(|n| GEARBOX.learn(drive, learner, n));
    });
}

#[divan::bench(sample_count = 20)]
fn gearbox_environment(bencher: Bencher) {
    let drive = || GEARBOX.drive();
    bencher
        .counter(GEARBOX.count())
        .with_inputs(drive)
        .bench_local_refs(|drive| GEARBOX.environment_alone(drive));
}

#[divan::bench(sample_count = 20)]
fn gearbox_learner(bencher: Bencher) {
    let taught = || GEARBOX.learner.clone();
    bencher
        .counter(GEARBOX.count())
        .with_inputs(taught)
        .bench_local_refs(|learner| GEARBOX.learner_alone(learner));
}

/// What the demonstration's file says of the rule and the table.
#[derive(Deserialize)]
struct Study {
    episode: EpisodeConfig,
    rule: RuleSettings,
    learners: Learners,
}

#[derive(Deserialize)]
struct Learners {
    tabular: Table,
}

#[derive(Deserialize)]
struct Table {
    settings: TabularSettings,
    grid: Vec<GridAxis>,
}

/// The demonstration, a table that was taught for a while, and what it then met.
struct Gearbox {
    scenario: Arc<Scenario>,
    rule: Rule,
    grid: Grid,
    learner: TabularLearner,
    decisions: Vec<Met>,
}

/// A decision that was taken: what was seen, what was done, what came of it.
#[derive(Clone, Copy)]
struct Met {
    seen: Features,
    mask: Mask,
    action: usize,
    step: Step,
    /// What is seen after it.
    then: (Features, Mask),
}

impl Gearbox {
    fn demo(taught: u64, episodes: u64) -> Gearbox {
        let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
        let vehicle: VehicleConfig = config::load(&configs.join("vehicles/demo-cart.toml")).unwrap();
        let course = load_course(&configs.join("courses/garden-mix.toml")).unwrap();
        let text = std::fs::read_to_string(configs.join("studies/night.toml")).unwrap();
        let Study { episode, rule, learners: Learners { tabular } } = toml::from_str(&text).unwrap();
        let scenario = Arc::new(Scenario::new(vehicle, course, episode, Seed(2026)));
        let grid = Grid::new(tabular.grid).unwrap();
        let learner = TabularLearner::new(tabular.settings, grid.cells(), 3, Seed(1)).unwrap();
        let rule = Rule::new(rule, scenario.gears()).unwrap();
        let mut gearbox = Gearbox { scenario, rule, grid, learner, decisions: Vec::new() };
        let (mut learner, mut drive) = (gearbox.learner.clone(), gearbox.drive());
        (0..taught).for_each(|n| gearbox.learn(&mut drive, &mut learner, n));
        gearbox.learner = learner.clone();
        let mut written = Written { drive, decisions: Vec::new() };
        (taught..taught + episodes).for_each(|n| gearbox.learn(&mut written, &mut learner, n));
        gearbox.decisions = written.decisions;
        gearbox
    }

    fn drive(&self) -> Drive {
        Drive::new(Arc::clone(&self.scenario), 0)
    }

    fn count(&self) -> ItemsCount {
        ItemsCount::new(self.decisions.len())
    }

    fn learn<W: World<Observation = Features>>(
        &self,
        world: &mut W,
        learner: &mut TabularLearner,
        episode: u64,
    ) {
        let mut rule = self.rule.clone();
        let guide = |features: &Features, allowed: Mask| Some(rule.decide(features, allowed) as usize);
        learn_episode(world, |features| self.grid.cell(features), learner, episode, guide);
    }

    #[inline(never)]
    fn environment_alone(&self, drive: &mut Drive) {
        let mut episode = TAUGHT;
        drive.reset(episode);
        for met in &self.decisions {
            let end = black_box(World::step(drive, met.action)).end;
            if end.is_some() {
                episode += 1;
                drive.reset(episode);
            }
        }
    }

    #[inline(never)]
    fn learner_alone(&self, learner: &mut TabularLearner) {
        let mut replayed = Replayed { decisions: &self.decisions, at: 0, over: false };
        (TAUGHT..TAUGHT + EPISODES).for_each(|n| self.learn(&mut replayed, learner, n));
        assert_eq!(replayed.at, self.decisions.len(), "other decisions than those written down");
    }
}

/// A drive that is written down.
struct Written {
    drive: Drive,
    decisions: Vec<Met>,
}

impl World for Written {
    type Observation = Features;

    fn actions(&self) -> usize {
        self.drive.actions()
    }

    fn reset(&mut self, episode: u64) {
        self.drive.reset(episode);
    }

    fn observation(&self) -> &Features {
        self.drive.observation()
    }

    fn allowed(&self, action: usize) -> bool {
        self.drive.allowed(action)
    }

    fn step(&mut self, action: usize) -> Step {
        let (seen, mask) = (*self.drive.observation(), self.drive.mask());
        let step = World::step(&mut self.drive, action);
        let then = (*self.drive.observation(), self.drive.mask());
        self.decisions.push(Met { seen, mask, action, step, then });
        step
    }
}

/// What was written down, met again.
struct Replayed<'a> {
    decisions: &'a [Met],
    at: usize,
    /// An episode has just ended; it is seen from its end.
    over: bool,
}

impl Replayed<'_> {
    fn now(&self) -> (&Features, Mask) {
        if self.over {
            let (seen, mask) = &self.decisions[self.at - 1].then;
            (seen, *mask)
        } else {
            let met = &self.decisions[self.at];
            (&met.seen, met.mask)
        }
    }
}

impl World for Replayed<'_> {
    type Observation = Features;

    fn actions(&self) -> usize {
        3
    }

    fn reset(&mut self, _episode: u64) {
        self.over = false;
    }

    fn observation(&self) -> &Features {
        self.now().0
    }

    fn allowed(&self, action: usize) -> bool {
        self.now().1.allows(action)
    }

    fn step(&mut self, action: usize) -> Step {
        let Met { action: taken, step, .. } = self.decisions[self.at];
        assert_eq!(action, taken, "another decision than the one written down");
        self.at += 1;
        self.over = step.end.is_some();
        step
    }
}
