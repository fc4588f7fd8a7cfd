//! What a policy reaches that takes the request which the clairvoyant plan values highest in the mean, given what is seen: boosted
//! trees over the plan's values in the states that the policy itself meets (cost-to-go as in Ross and Bagnell 2014,
//! "Reinforcement and imitation learning via interactive no-regret learning"; optimistic about what it will know later, as QMDP is).
//! Run with `cargo bench --workspace --bench plan_values -- GROUND [COURSES A ROUND] [COURSES] [NAMES]`.
//!
//! Next to `preview_learned` it parts what a policy cannot know from what a learner does not find. GROUND is the name of a shipped course for
//! the cart with a feeler. With NAMES, joined by `+`, only rows that hold one of them are learned. Differences are to a tuned
//! rule on the same courses, with Student's interval of 95 %.

#![expect(clippy::unwrap_used, reason = "a measurement that cannot begin has nobody to tell but its reader")]

mod driven;
mod oracle;
mod trees;
mod tuned;

use driven::{each, row};
use lowgear_agents::neural::{Encode, FeatureScaler};
use lowgear_agents::policy::Policy;
use lowgear_env::{Drive, World, run_episode};
use lowgear_eval::bound::{GridResolution, Plan, drive_plan};
use lowgear_eval::suite::{TestSuite, TrainingSuite};
use lowgear_onboard::Request;
use oracle::{Oracle, SEED, scenario};
use rand::rngs::StdRng;
use rand::{RngExt as _, SeedableRng};
use rayon::prelude::*;
use std::sync::Arc;
use trees::Trees;
use tuned::rule;

/// Rounds of driving and learning; each drives courses of its own.
const ROUNDS: usize = 6;
/// Advantages beyond this count as this, s.
const MOST_S: f64 = 3.0;
/// Shares of decisions while learning that the rule takes, and the plan; in the first round, where nothing is learned yet, the
/// rule takes more and the plan the rest.
const BY_RULE: f64 = 0.1;
const BY_PLAN: f64 = 0.1;
const FIRST_BY_RULE: f64 = 0.7;
/// Requests that are compared with holding.
const SHIFTS: [Request; 2] = [Request::Down, Request::Up];

fn main() {
    // A bench is also given the words of the harness.
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let number = |i: usize, usual| words.get(i).map_or(usual, |word| word.parse().unwrap());
    let scenario = scenario("demo-cart-feeler", &words[0]);
    let (courses, suite) = (number(1, 60), TestSuite::new(&scenario, number(2, 200)));
    let only = words.get(3).map_or("", String::as_str);
    let base = suite.outcomes(rule);
    row("tuned rule", &base, &base);
    let outcomes = each(&suite, |drive| {
        let plan = Plan::new(drive, GridResolution::default());
        drive_plan(drive, &plan);
    });
    row("whole course", &outcomes, &base);
    let training = TrainingSuite::new(&scenario);
    let planned: Vec<Planned> = (0..courses * ROUNDS as u64)
        .into_par_iter()
        .map(|episode| Planned::new(Drive::new(Arc::clone(training.scenario()), episode)))
        .collect();
    for (name, stack, oracle) in rows().iter().filter(|row| only.split('+').any(|part| row.0.contains(part)))
    {
        let scaler = FeatureScaler::new(scenario.gears() as u8, *stack).with_preview(true);
        let mut student = Student { oracle: *oracle, scaler, advantages: Vec::new() };
        student.learn(&planned, scenario.gears());
        let outcomes = each(&suite, |drive| {
            let (mut student, mut numbers) = (student.clone(), Vec::new());
            student.scaler.reset();
            let decide = |drive: &Drive| {
                student.see(drive, &mut numbers);
                student.decide(drive, &numbers) as usize
            };
            run_episode(drive, decide, |_, _, _| {});
        });
        row(name, &outcomes, &base);
    }
}

/// Name, decisions of which the features are seen, and what is seen besides.
fn rows() -> Vec<(&'static str, u8, Oracle)> {
    let (all, none) = (Oracle::ALL, Oracle::default());
    let ahead = Oracle { obstacles: true, ..none };
    vec![
        ("features", 1, none),
        ("features of four decisions", 4, none),
        ("features of four decisions, obstacles", 4, ahead),
        ("features of four decisions, obstacles, behind", 4, Oracle { behind: true, ..ahead }),
        ("features of four decisions, obstacles, speed", 4, Oracle { speed: true, ..ahead }),
        ("features of four decisions, behind", 4, Oracle { behind: true, ..none }),
        ("features, obstacles, behind", 1, Oracle { behind: true, ..ahead }),
        ("features, obstacles, speed", 1, Oracle { speed: true, ..ahead }),
        ("features, obstacles, speed, behind", 1, Oracle { speed: true, behind: true, ..ahead }),
        ("features, all but the obstacles", 1, Oracle { obstacles: false, ..all }),
        ("features, all", 1, all),
    ]
}

/// A course at its start, and its plan.
struct Planned {
    start: Drive,
    plan: Plan,
}

impl Planned {
    fn new(start: Drive) -> Planned {
        let plan = Plan::new(&start, GridResolution::default());
        Planned { start, plan }
    }
}

/// What was seen in a gear, and by how much each shift is better than holding, s; `None` where it is not allowed.
struct Sample {
    gear: usize,
    numbers: Vec<f32>,
    advantages_s: [Option<f32>; 2],
}

/// The policy.
#[derive(Clone)]
struct Student {
    oracle: Oracle,
    scaler: FeatureScaler,
    /// By gear, then in the order of [`SHIFTS`].
    advantages: Vec<[Trees; 2]>,
}

impl Student {
    fn see(&mut self, drive: &Drive, numbers: &mut Vec<f32>) {
        numbers.clear();
        self.scaler.encode(drive.observation(), numbers);
        self.oracle.append(drive, numbers);
    }

    fn decide(&self, drive: &Drive, numbers: &[f32]) -> Request {
        let mask = drive.mask();
        let advantages = &self.advantages[usize::from(drive.controller().guard().gear())];
        let shifts = SHIFTS.iter().zip(advantages).filter(|(request, _)| mask.allows(**request as usize));
        let values = shifts.map(|(request, trees)| (trees.value(numbers), *request));
        values
            .chain([(0.0, Request::Hold)])
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map_or(Request::Hold, |best| best.1)
    }

    /// Learns from all that was met so far, round by round.
    fn learn(&mut self, planned: &[Planned], gears: usize) {
        let mut samples: Vec<Sample> = Vec::new();
        for (round, courses) in planned.chunks(planned.len() / ROUNDS).enumerate() {
            let met = courses.par_iter().enumerate().map(|(number, course)| {
                let mut rng = StdRng::seed_from_u64(SEED + (round * courses.len() + number) as u64);
                self.clone().met(course, &mut rng)
            });
            samples.extend(met.flatten_iter().collect::<Vec<_>>());
            let fits: Vec<Trees> = (0..2 * gears)
                .into_par_iter()
                .map(|k| {
                    let in_gear = samples.iter().filter(|sample| sample.gear == k / 2);
                    let allowed =
                        in_gear.filter_map(|sample| Some((&*sample.numbers, sample.advantages_s[k % 2]?)));
                    let (numbers, values): (Vec<&[f32]>, Vec<f32>) = allowed.unzip();
                    Trees::fit(&numbers, &values)
                })
                .collect();
            self.advantages = fits.chunks(2).map(|both| [both[0].clone(), both[1].clone()]).collect();
        }
    }

    /// What it meets on a course, and what the plan says of it.
    fn met(mut self, course: &Planned, rng: &mut StdRng) -> Vec<Sample> {
        let (plan, mut rule, mut numbers, mut samples) = (&course.plan, rule(), Vec::new(), Vec::new());
        let first = self.advantages.is_empty();
        let decide = |drive: &Drive| {
            self.see(drive, &mut numbers);
            let values = plan.request_values(drive);
            let advantage = |request: Request| {
                let gain_s = values[request as usize] - values[Request::Hold as usize];
                let known = drive.mask().allows(request as usize) && !gain_s.is_nan();
                known.then_some(gain_s.clamp(-MOST_S, MOST_S) as f32)
            };
            samples.push(Sample {
                gear: usize::from(drive.controller().guard().gear()),
                numbers: numbers.clone(),
                advantages_s: SHIFTS.map(advantage),
            });
            let by_rule = rule.decide(drive.observation(), drive.mask());
            let chance: f64 = rng.random();
            let request = if chance < if first { FIRST_BY_RULE } else { BY_RULE } {
                by_rule
            } else if first || chance < BY_RULE + BY_PLAN {
                plan.decide(drive)
            } else {
                self.decide(drive, &numbers)
            };
            request as usize
        };
        run_episode(&mut course.start.clone(), decide, |_, _, _| {});
        samples
    }
}
