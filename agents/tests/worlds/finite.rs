//! Finite semi-Markov problems given by their tables, with exact values by dynamic programming.
//!
//! Values are those of Bellman's equation with a discount for elapsed time,
//! `Q(s, a) = sum_i p_i (r_i + gamma_per_s^elapsed_i V(s_i))` (Bradtke, Duff 1995, "Reinforcement learning methods
//! for continuous-time Markov decision problems", NIPS 7).

pub mod problems;

use lowgear_env::{End, Seed, Step, Stream, World};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::sync::Arc;

/// One thing that a decision may lead to.
#[derive(Clone, Copy, Debug)]
pub struct Outcome {
    /// Probability, 0 to 1.
    pub probability: f64,
    /// The state after it; none: the task ended.
    pub next: Option<usize>,
    /// Reward.
    pub reward: f64,
    /// Time to the next decision, s.
    pub elapsed_s: f64,
}

/// A problem.
#[derive(Clone, Debug)]
pub struct Table {
    /// What the problem is about.
    pub name: &'static str,
    /// Number of actions.
    pub actions: usize,
    /// States in which an episode begins, equally likely.
    pub starts: Vec<usize>,
    /// Outcomes by state and action; no outcomes: the action is not possible.
    pub outcomes: Vec<Vec<Vec<Outcome>>>,
    /// Discount for one second.
    pub gamma_per_s: f64,
    /// Decisions after which the clock runs out, as seen by a learner; values know no clock.
    pub limit: u32,
}

impl Table {
    /// Number of states.
    #[must_use]
    pub fn states(&self) -> usize {
        self.outcomes.len()
    }

    /// Whether an action is possible.
    #[must_use]
    pub fn allows(&self, state: usize, action: usize) -> bool {
        !self.outcomes[state][action].is_empty()
    }

    fn q(&self, values: &[f64], state: usize, action: usize) -> f64 {
        let worth = |o: &Outcome| {
            let beyond = o.next.map_or(0.0, |next| values[next]);
            o.probability * (o.reward + self.gamma_per_s.powf(o.elapsed_s) * beyond)
        };
        self.outcomes[state][action].iter().map(worth).sum()
    }

    /// The fixed point of a backup, by sweeps until nothing moves.
    fn fixed_point(&self, backup: impl Fn(&[f64], usize) -> f64) -> Vec<f64> {
        let mut values = vec![0.0; self.states()];
        for _ in 0..100_000 {
            let mut moved = 0.0_f64;
            for state in 0..self.states() {
                let value = backup(&values, state);
                moved = moved.max((value - values[state]).abs());
                values[state] = value;
            }
            if moved < 1e-12 {
                break;
            }
        }
        values
    }

    fn possible(&self, state: usize) -> impl Iterator<Item = usize> + '_ {
        (0..self.actions).filter(move |&action| self.allows(state, action))
    }

    /// Mean of values over the starts.
    fn at_start(&self, values: &[f64]) -> f64 {
        self.starts.iter().map(|&state| values[state]).sum::<f64>() / self.starts.len() as f64
    }

    /// The value of each state under the best policy.
    #[must_use]
    pub fn best_values(&self) -> Vec<f64> {
        self.fixed_point(|values, state| {
            self.possible(state).map(|a| self.q(values, state, a)).fold(f64::NEG_INFINITY, f64::max)
        })
    }

    /// The value of the best policy at the start.
    #[must_use]
    pub fn best(&self) -> f64 {
        self.at_start(&self.best_values())
    }

    /// The value of each action in a state under the best policy from there on.
    #[must_use]
    pub fn best_q(&self, state: usize) -> Vec<f64> {
        let values = self.best_values();
        (0..self.actions).map(|action| self.q(&values, state, action)).collect()
    }

    /// The value of a fixed choice per state at the start.
    #[must_use]
    pub fn value(&self, choice: impl FnMut(usize) -> usize) -> f64 {
        let choices: Vec<usize> = (0..self.states()).map(choice).collect();
        self.at_start(&self.fixed_point(|values, state| self.q(values, state, choices[state])))
    }

    /// The value of choosing at random at the start.
    #[must_use]
    pub fn random(&self) -> f64 {
        self.at_start(&self.fixed_point(|values, state| {
            let sum: f64 = self.possible(state).map(|a| self.q(values, state, a)).sum();
            sum / self.possible(state).count() as f64
        }))
    }

    /// What a fixed choice per state loses against the best policy, as a share of what the random policy loses.
    #[must_use]
    pub fn loss(&self, choice: impl FnMut(usize) -> usize) -> f64 {
        let best = self.best();
        (best - self.value(choice)) / (best - self.random())
    }

    /// A state as a network sees it: 1 in its own place.
    pub fn one_hot(&self) -> impl Fn(&usize, &mut Vec<f32>) + Clone + use<> {
        let states = self.states();
        move |&state: &usize, out: &mut Vec<f32>| {
            out.extend((0..states).map(|s| if s == state { 1.0 } else { 0.0 }));
        }
    }
}

/// A world that follows a table.
#[derive(Clone, Debug)]
pub struct Finite {
    table: Arc<Table>,
    seed: Seed,
    rng: ChaCha8Rng,
    state: usize,
    decisions: u32,
}

impl Finite {
    /// A world at the start of episode 0.
    #[must_use]
    pub fn new(table: &Arc<Table>, seed: Seed) -> Finite {
        let rng = seed.stream(Stream::Course, 0);
        let mut world = Finite { table: Arc::clone(table), seed, rng, state: 0, decisions: 0 };
        world.reset(0);
        world
    }
}

impl World for Finite {
    type Observation = usize;

    fn actions(&self) -> usize {
        self.table.actions
    }

    fn reset(&mut self, episode: u64) {
        self.rng = self.seed.stream(Stream::Course, episode);
        let starts = &self.table.starts;
        self.state = starts[self.rng.random_range(0..starts.len() as u32) as usize];
        self.decisions = 0;
    }

    fn observation(&self) -> &usize {
        &self.state
    }

    fn allowed(&self, action: usize) -> bool {
        self.table.allows(self.state, action)
    }

    fn step(&mut self, action: usize) -> Step {
        let mut point = self.rng.random::<f64>();
        let outcomes = &self.table.outcomes[self.state][action];
        let mut met = outcomes[outcomes.len() - 1];
        for outcome in outcomes {
            if point < outcome.probability {
                met = *outcome;
                break;
            }
            point -= outcome.probability;
        }
        self.decisions += 1;
        self.state = met.next.unwrap_or(self.state);
        let timeout = (self.decisions >= self.table.limit).then_some(End::Truncated);
        let end = if met.next.is_none() { Some(End::Terminated) } else { timeout };
        Step { reward: met.reward, elapsed_s: met.elapsed_s, end }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two states. In 0: stay for 1 s and 1, or go to 1 for 3 s and 2; 1 ends after 1 s with 4. At 0.5 per second:
    /// going is worth 2 + 0.125 * 4 = 2.5, staying for ever 1 / (1 - 0.5) = 2; at random v = (1 + v / 2 + 2.5) / 2,
    /// 7 / 3.
    #[test]
    fn values_by_hand() {
        let one = |next, reward, elapsed_s| vec![Outcome { probability: 1.0, next, reward, elapsed_s }];
        let table = Table {
            name: "by hand",
            actions: 2,
            starts: vec![0],
            outcomes: vec![
                vec![one(Some(0), 1.0, 1.0), one(Some(1), 2.0, 3.0)],
                vec![one(None, 4.0, 1.0), vec![]],
            ],
            gamma_per_s: 0.5,
            limit: 10,
        };
        assert!((table.best() - 2.5).abs() < 1e-9);
        assert!((table.best_q(0)[0] - 2.25).abs() < 1e-9);
        assert!((table.value(|_| 0) - 2.0).abs() < 1e-9);
        assert!((table.random() - 7.0 / 3.0).abs() < 1e-9);
        assert!((table.loss(|_| 0) - 3.0).abs() < 1e-6);
        assert!(table.allows(1, 0) && !table.allows(1, 1));
    }

    #[test]
    fn the_world_follows_its_table() {
        for table in problems::all() {
            let table = Arc::new(table);
            for rows in &table.outcomes {
                for outcomes in rows.iter().filter(|outcomes| !outcomes.is_empty()) {
                    let sum: f64 = outcomes.iter().map(|o| o.probability).sum();
                    assert!((sum - 1.0).abs() < 1e-9, "{}", table.name);
                }
            }
            assert!(table.best() > table.random() + 1e-3, "{}", table.name);
            let (mut world, mut mean) = (Finite::new(&table, Seed(1)), 0.0);
            let (values, episodes) = (table.best_values(), 4000);
            let greedy = |state: usize| {
                let q = (0..table.actions).map(|a| table.q(&values, state, a)).collect::<Vec<_>>();
                world_mask(&table, state).best(&q).unwrap()
            };
            let mut squares = 0.0;
            for episode in 0..episodes {
                world.reset(episode);
                let (mut sum, mut discount) = (0.0, 1.0);
                loop {
                    let step = world.step(greedy(*world.observation()));
                    sum += discount * step.reward;
                    discount *= table.gamma_per_s.powf(step.elapsed_s);
                    match step.end {
                        Some(End::Truncated) => break sum += discount * values[*world.observation()],
                        Some(End::Terminated) => break,
                        None => {}
                    }
                }
                mean += sum / episodes as f64;
                squares += sum * sum / episodes as f64;
            }
            let standard_error = ((squares - mean * mean).max(0.0) / episodes as f64).sqrt();
            assert!((mean - table.best()).abs() < 4.0 * standard_error + 1e-9, "{}: {mean}", table.name);
        }
    }

    fn world_mask(table: &Table, state: usize) -> lowgear_env::Mask {
        lowgear_env::Mask::from_fn(table.actions, |action| table.allows(state, action))
    }
}
