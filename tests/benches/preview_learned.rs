//! What a network learns that sees more than a vehicle can: PPO on the ground of a study, its policy given the true ground ahead, the
//! true vehicle, its true state. Run with `cargo bench --workspace --bench preview_learned -- GROUND [DECISIONS] [COURSES] [NAMES]`.
//!
//! Where a network that sees all of it gains little, too, the learner or the controller's cycle is in the way and no
//! sensor is; where it gains much, the row tells which knowledge pays. GROUND is the name of a shipped course for the cart with a feeler.
//! With NAMES, joined by `+`, only rows that hold one of them are trained. Differences are to a tuned rule on the same courses, with
//! Student's interval of 95 %; one seed.

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
use lowgear_env::{Drive, Mask, PRIVILEGED, Scenario, Seed, Step, World, run_episode};
use lowgear_eval::suite::{TestSuite, TrainingSuite};
use lowgear_onboard::Features;
use oracle::{Oracle, SEED, scenario};
use std::ops::ControlFlow;
use std::sync::Arc;
use tuned::rule;

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

/// The rule that the policy corrects sees the features alone.
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
    let scenario = scenario(&words[0]);
    let (decisions, suite) = (number(1, 45_000_000), TestSuite::new(&scenario, number(2, 200)));
    let only = words.get(3).map_or("", String::as_str);
    let base = suite.outcomes(rule);
    row("tuned rule", &base, &base);
    let (all, none) = (Oracle::ALL, Oracle::default());
    let rows = [
        ("features alone", 1, none),
        ("features of four decisions", 4, none),
        ("and the obstacles", 1, Oracle { obstacles: true, ..none }),
        ("and the vehicle", 1, Oracle { vehicle: true, ..none }),
        ("and the delay", 1, Oracle { delay: true, ..none }),
        ("and obstacles ahead, behind", 1, Oracle { obstacles: true, behind: true, ..none }),
        ("and speed and obstacles behind", 1, Oracle { speed: true, behind: true, ..none }),
        ("and all but the obstacles", 1, Oracle { obstacles: false, ..all }),
        ("and all of it", 1, all),
    ];
    for (name, stack, oracle) in
        rows.iter().filter(|(name, ..)| only.split('+').any(|part| name.contains(part)))
    {
        let (actor, encode) = trained(&scenario, *stack, *oracle, decisions);
        let outcomes = each(&suite, |drive| {
            let mut world = Seeing::new(drive.clone(), *oracle);
            drive_greedily(&mut world, actor.clone(), encode.clone());
            *drive = world.drive;
        });
        row(name, &outcomes, &base);
    }
}

/// A policy and its encoder after so many decisions.
fn trained(scenario: &Scenario, stack: u8, oracle: Oracle, decisions: u64) -> (Actor, Both) {
    let training = TrainingSuite::new(scenario);
    let world = Seeing::new(Drive::new(Arc::clone(training.scenario()), 0), oracle);
    let scaler = FeatureScaler::new(scenario.gears() as u8, stack).with_preview(true);
    let inputs = scaler.inputs() + world.seen.numbers.len();
    let config = PpoConfig {
        num_envs: 256,
        n_steps: 32_768,
        batch: 2048,
        epochs: 4,
        gamma_per_s: 0.95,
        learning_rate: Schedule::linear(7e-4, 5e-5, decisions),
        entropy_weight: Schedule::linear(0.01, 0.0, decisions),
        ..PpoConfig::default()
    };
    let mut slots =
        vec![EnvSlot { world, encode: Both(scaler.clone()), guide: Blind(guide(scenario)) }; config.num_envs];
    let mut ppo = Ppo::with_privileged(config, inputs, PRIVILEGED, 3, Seed(SEED)).unwrap();
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
