//! A learner of one's own: anything that drives a [`World`] can learn in it. Here it is Monte Carlo control with a count
//! per cell and action (Sutton, Barto 2018, section 5.4), on a world of a few cells.
//!
//! `cargo run --release --example own_learner -p lowgear-agents`
//!
//! A study takes a learner from `train/src/jobs/`; how is said in DEVELOPERS.md under "How to add".

use lowgear_agents::discount::discount;
use lowgear_env::{End, EpisodeTotals, Mask, Seed, Step, Stream, World, run_episode};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// A corridor of cells. Forward takes 1 s, a jump 1.5 s over two cells; one jump in five falls back to the start.
#[derive(Clone, Debug)]
struct Corridor {
    seed: Seed,
    rng: ChaCha8Rng,
    cell: usize,
}

/// Cells before the end.
const CELLS: usize = 6;

impl World for Corridor {
    type Observation = usize;

    fn actions(&self) -> usize {
        2
    }

    fn reset(&mut self, episode: u64) {
        (self.rng, self.cell) = (self.seed.stream(Stream::Course, episode), 0);
    }

    fn observation(&self) -> &usize {
        &self.cell
    }

    fn allowed(&self, action: usize) -> bool {
        action == 0 || self.cell + 2 <= CELLS
    }

    fn step(&mut self, action: usize) -> Step {
        let falls = action == 1 && self.rng.random_bool(0.2);
        let elapsed_s = if action == 0 { 1.0 } else { 1.5 };
        self.cell = if falls { 0 } else { self.cell + 1 + action };
        let end = (self.cell >= CELLS).then_some(End::Terminated);
        Step { reward: -elapsed_s, elapsed_s, end }
    }
}

/// The learner: mean discounted returns by cell and action.
struct MonteCarlo {
    gamma_per_s: f64,
    epsilon: f64,
    means: Vec<[f64; 2]>,
    counts: Vec<[u32; 2]>,
    rng: ChaCha8Rng,
}

impl MonteCarlo {
    fn new(gamma_per_s: f64, seed: Seed) -> MonteCarlo {
        let rng = seed.stream(Stream::Explore, 0);
        MonteCarlo {
            gamma_per_s,
            epsilon: 0.1,
            means: vec![[0.0; 2]; CELLS],
            counts: vec![[0; 2]; CELLS],
            rng,
        }
    }

    fn greedy(&self, cell: usize, mask: Mask) -> usize {
        mask.best(&self.means[cell]).unwrap_or(0)
    }

    fn act(&mut self, cell: usize, mask: Mask) -> usize {
        if self.rng.random::<f64>() < self.epsilon {
            let any = self.rng.random_range(0..mask.count() as u32) as usize;
            return mask.nth(any).unwrap_or(0);
        }
        self.greedy(cell, mask)
    }

    /// Learns from an episode: each decision's return, discounted by the time that passed.
    fn learn(&mut self, episode: &[(usize, usize, Step)]) {
        let mut sum = 0.0;
        for (cell, action, step) in episode.iter().rev() {
            sum = step.reward + discount(self.gamma_per_s, step.elapsed_s) * sum;
            let (mean, count) = (&mut self.means[*cell][*action], &mut self.counts[*cell][*action]);
            *count += 1;
            // A mean that forgets: the policy behind older returns was a worse one.
            *mean += (sum - *mean) / f64::from((*count).min(5000));
        }
    }
}

/// Drives one episode and learns from it.
fn train(learner: &mut MonteCarlo, world: &mut Corridor, episode: u64) -> EpisodeTotals {
    world.reset(episode);
    let mut steps = Vec::new();
    let mut cell = *world.observation();
    let totals = run_episode(
        world,
        |world| learner.act(*world.observation(), world.mask()),
        |world, action, step| {
            steps.push((std::mem::replace(&mut cell, *world.observation()), action, *step));
        },
    );
    learner.learn(&steps);
    totals
}

/// What the learner does in each cell after so many episodes.
fn learned(episodes: u64) -> Vec<usize> {
    let seed = Seed(1);
    let mut world = Corridor { seed, rng: seed.stream(Stream::Course, 0), cell: 0 };
    let mut learner = MonteCarlo::new(0.95, seed);
    for episode in 0..episodes {
        train(&mut learner, &mut world, episode);
    }
    let mask = |cell: usize| Mask::from_fn(2, |action| action == 0 || cell + 2 <= CELLS);
    (0..CELLS).map(|cell| learner.greedy(cell, mask(cell))).collect()
}

fn main() {
    for (cell, action) in learned(100_000).into_iter().enumerate() {
        println!("cell {cell}: {}", ["forward", "jump"][action]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fall costs the way so far: nothing at the start.
    #[test]
    fn it_jumps_only_where_little_is_lost() {
        let learned = learned(100_000);
        assert_eq!(learned[0], 1);
        assert_eq!(learned[2..], [0; 4], "exact values: worse by 0.2 and more");
    }
}
