//! What a network learns that knows more than a vehicle can: PPO on the ground of a study, its policy given the true ground,
//! the true vehicle, its true state. Run with
//! `cargo bench --workspace --bench preview_learned -- VEHICLE GROUND [DECISIONS] [COURSES] [ROWS] [SEEDS]`.
//!
//! Where a network that knows all of it gains little, too, the learner or the controller's cycle is in the way and no
//! sensor is; where it gains much, the row tells which knowledge pays: exact places of obstacles behind the front axle are
//! what a perfect sense of strikes would tell, the true speed what a perfect wheel sensor would. VEHICLE and GROUND are names
//! of shipped files. ROWS are names joined by `+`, SEEDS numbers joined by `,`. Differences
//! are to a tuned rule on the same courses, with Student's interval of 95 %.

#![expect(clippy::unwrap_used, reason = "a measurement that cannot begin has nobody to tell but its reader")]

mod driven;
mod oracle;
mod tuned;

use driven::{each, row};
use lowgear_agents::neural::{Encode, FeatureScaler};
use lowgear_agents::policy::Guide;
use lowgear_agents::ppo::{Actor, EnvSlot, Ppo, PpoConfig, train};
use lowgear_agents::rule::RuleGuide;
use lowgear_agents::schedule::Schedule;
use lowgear_env::vehicle::NoisyConfig;
use lowgear_env::{Drive, Mask, PRIVILEGED, Scenario, Seed, Step, World, run_episode};
use lowgear_eval::suite::{TestSuite, TrainingSuite};
use lowgear_onboard::Features;
use oracle::{Oracle, scenario};
use std::ops::ControlFlow;
use std::sync::Arc;
use tuned::rule;

/// Weight of wear in training over that in the reward, as in the studies.
const STRESS_FACTOR: f64 = 2.0;

/// The drive and what is seen of it.
#[derive(Clone)]
struct Seeing {
    drive: Drive,
    oracle: Oracle,
    seen: Seen,
}

#[derive(Clone)]
struct Seen {
    features: Features,
    numbers: Vec<f32>,
}

impl Seeing {
    fn new(drive: Drive, oracle: Oracle) -> Seeing {
        let seen = Seen { features: *drive.observation(), numbers: Vec::new() };
        let mut seeing = Seeing { drive, oracle, seen };
        seeing.look();
        seeing
    }

    fn look(&mut self) {
        let Seeing { drive, oracle, seen } = self;
        seen.features = *drive.observation();
        seen.numbers.clear();
        oracle.append(drive, &mut seen.numbers);
    }
}

impl World for Seeing {
    type Observation = Seen;

    fn actions(&self) -> usize {
        self.drive.actions()
    }

    fn reset(&mut self, episode: u64) {
        self.drive.reset(episode);
        self.look();
    }

    fn observation(&self) -> &Seen {
        &self.seen
    }

    fn allowed(&self, action: usize) -> bool {
        self.drive.allowed(action)
    }

    fn mask(&self) -> Mask {
        self.drive.mask()
    }

    fn privileged(&self, out: &mut Vec<f32>) {
        World::privileged(&self.drive, out);
    }

    fn step(&mut self, action: usize) -> Step {
        let step = self.drive.step(action);
        self.look();
        step
    }
}

/// The features as a network sees them, and the oracle's numbers.
#[derive(Clone)]
struct Both(FeatureScaler);

impl Encode<Seen> for Both {
    fn reset(&mut self) {
        self.0.reset();
    }

    fn encode(&mut self, seen: &Seen, out: &mut Vec<f32>) {
        self.0.encode(&seen.features, out);
        out.extend(&seen.numbers);
    }
}

/// A rule that sees the features alone; without a bias it guides nothing.
#[derive(Clone)]
struct Blind(RuleGuide);

impl Guide<Seen> for Blind {
    fn reset(&mut self) {
        Guide::reset(&mut self.0);
    }

    fn advise(&mut self, seen: &Seen) -> Option<usize> {
        self.0.advise(&seen.features)
    }

    fn advise_within(&mut self, seen: &Seen, mask: Mask) -> Option<usize> {
        self.0.advise_within(&seen.features, mask)
    }
}

fn main() {
    // A bench is also given the words of the harness.
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let number = |i: usize, usual| words.get(i).map_or(usual, |word| word.parse().unwrap());
    let scenario = scenario(&words[0], &words[1]);
    let mut measured = scenario.clone();
    measured.vehicle.sensors.current = Some(NoisyConfig { resolution: 0.001, noise: 0.01 });
    measured.settings = measured.vehicle.controller_settings();
    let (decisions, courses) = (number(2, 42_000_000), number(3, 1000));
    let only = words.get(4).map_or("", String::as_str);
    let seeds = words.get(5).map_or("1", String::as_str).split(',');
    let (all, none) = (Oracle::ALL, Oracle::default());
    let rows = [
        ("features", &scenario, none),
        ("current sensor", &measured, none),
        ("speed", &scenario, Oracle { speed: true, ..none }),
        ("strikes", &scenario, Oracle { behind: true, ..none }),
        ("strikes and speed", &scenario, Oracle { speed: true, behind: true, ..none }),
        ("strikes and obstacles ahead", &scenario, Oracle { obstacles: true, behind: true, ..none }),
        ("all", &scenario, all),
    ];
    let base = TestSuite::new(&scenario, courses).outcomes(rule);
    row("tuned rule without waits", &base, &base);
    for seed in seeds.map(|seed| seed.parse().unwrap()) {
        for (name, scenario, oracle) in
            rows.iter().filter(|(name, ..)| only.is_empty() || only.split('+').any(|part| *name == part))
        {
            let (actor, encode) = trained(scenario, *oracle, decisions, seed);
            let outcomes = each(&TestSuite::new(scenario, courses), |drive| {
                let mut world = Seeing::new(drive.clone(), *oracle);
                drive_greedily(&mut world, actor.clone(), encode.clone());
                *drive = world.drive;
            });
            row(&format!("{name}, seed {seed}"), &outcomes, &base);
        }
    }
}

/// A policy and its encoder after so many decisions.
fn trained(scenario: &Scenario, oracle: Oracle, decisions: u64, seed: u64) -> (Actor, Both) {
    let mut heavier = scenario.clone();
    heavier.episode.reward.stress_s_per_life *= STRESS_FACTOR;
    let training = TrainingSuite::new(&heavier);
    let world = Seeing::new(Drive::new(Arc::clone(training.scenario()), 0), oracle);
    let scaler = FeatureScaler::new(scenario.gears() as u8, 1)
        .with_preview(scenario.vehicle.sensors.preview().is_some());
    let inputs = scaler.inputs() + world.seen.numbers.len();
    let config = PpoConfig {
        num_envs: 256,
        n_steps: 32_768,
        batch: 2048,
        epochs: 4,
        gamma_per_s: 0.95,
        learning_rate: Schedule::linear(1.5e-3, 5e-5, decisions),
        entropy_weight: Schedule::linear(0.01, 0.0, decisions),
        guide_bias: 0.0,
        ..PpoConfig::default()
    };
    let mut slots =
        vec![EnvSlot { world, encode: Both(scaler.clone()), guide: Blind(guide(scenario)) }; config.num_envs];
    let mut ppo = Ppo::with_privileged(config, inputs, PRIVILEGED, 3, Seed(seed)).unwrap();
    train(&mut ppo, &mut slots, decisions, |_, _| ControlFlow::Continue(())).unwrap();
    (ppo.actor().unwrap(), Both(scaler))
}

fn guide(scenario: &Scenario) -> RuleGuide {
    RuleGuide::new(rule().settings().clone(), scenario.gears()).unwrap()
}

/// Drives one course by the likeliest action, or a shift whose probability is above the usual threshold.
fn drive_greedily(world: &mut Seeing, mut actor: Actor, mut encode: Both) {
    let mut guide = Blind(guide(world.drive.scenario()));
    let threshold = PpoConfig::default().shift_threshold;
    let mut input = Vec::new();
    actor.reset();
    run_episode(
        world,
        |world| {
            input.clear();
            encode.encode(world.observation(), &mut input);
            let mask = world.mask();
            let advice = guide.advise_within(world.observation(), mask);
            let probabilities = actor.probabilities(&input, mask, advice);
            let shift =
                [0, 2].into_iter().max_by(|&a, &b| probabilities[a].total_cmp(&probabilities[b])).unwrap();
            if probabilities[shift] > threshold { shift } else { 1 }
        },
        |_, _, _| {},
    );
}
