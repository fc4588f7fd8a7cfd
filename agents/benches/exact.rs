//! How often learners find the best policy of small problems with exact values: a table of problems and learners.
//!
//! `cargo bench --workspace --bench exact -- 10` takes the number of seeds; further words name the learners (all
//! without one), and `problem=WORD` the problems.
//! A run counts as solved when its greedy policy, valued exactly, loses at most 1 % of what choosing at
//! random loses. Every learner has the same settings and budget on all problems; only the discount is the problem's.
#![expect(clippy::unwrap_used, reason = "a measurement that cannot be made has failed")]

#[path = "../tests/worlds/mod.rs"]
mod worlds;

use lowgear_agents::tabular::Algorithm;
use std::sync::Arc;
use std::time::Instant;
use worlds::finite::problems;
use worlds::solve::{self, SOLVED};

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let seeds: u64 = words.iter().find_map(|word| word.parse().ok()).unwrap_or(10);
    let problem = words.iter().find_map(|word| word.strip_prefix("problem=")).unwrap_or_default().to_owned();
    let named: Vec<&String> =
        words.iter().filter(|word| word.parse::<u64>().is_err() && !word.contains('=')).collect();
    let learners = [
        ("q-learning", Learner::Tabular(Algorithm::QLearning)),
        ("expected-sarsa", Learner::Tabular(Algorithm::ExpectedSarsa)),
        ("sarsa", Learner::Tabular(Algorithm::Sarsa)),
        ("double-q", Learner::Tabular(Algorithm::DoubleQ)),
        ("dqn-1", Learner::Dqn(1)),
        ("dqn-3", Learner::Dqn(3)),
        ("dqn-8", Learner::Dqn(8)),
        ("ppo", Learner::Ppo),
    ];
    let learners: Vec<_> =
        learners.iter().filter(|(name, _)| named.is_empty() || named.iter().any(|n| n == name)).collect();
    print!("{:22}", "problem");
    learners.iter().for_each(|(name, _)| print!("  {name:>24}"));
    println!("\n{:22}  solved of {seeds}, mean loss in % of the random policy's, s per run", "");
    let asked = |table: &worlds::finite::Table| problem.is_empty() || table.name.contains(&problem);
    for table in problems::all().into_iter().filter(asked) {
        let table = Arc::new(table);
        print!("{:22}", table.name);
        for (_, learner) in &learners {
            let start = Instant::now();
            let losses: Vec<f64> = (0..seeds).map(|seed| learner.loss(&table, seed)).collect();
            let solved = losses.iter().filter(|&&loss| loss <= SOLVED).count();
            let (mean, seconds) =
                (losses.iter().sum::<f64>() / seeds as f64, start.elapsed().as_secs_f64() / seeds as f64);
            print!("  {solved:>6} {:>8.2} % {seconds:>5.2} s", 100.0 * mean);
        }
        println!();
    }
}

/// A learner of the table.
enum Learner {
    Tabular(Algorithm),
    /// With so many rewards in a target.
    Dqn(usize),
    Ppo,
}

impl Learner {
    fn loss(&self, table: &Arc<worlds::finite::Table>, seed: u64) -> f64 {
        match *self {
            Learner::Tabular(algorithm) => solve::tabular(table, algorithm, 300_000, seed),
            Learner::Dqn(n_step) => solve::dqn(table, &solve::dqn_settings(n_step), 40_000, seed).unwrap(),
            Learner::Ppo => solve::ppo(table, &solve::ppo_settings(), 200_000, seed).unwrap(),
        }
    }
}
