//! A slippery lake of 4 by 4 cells: FrozenLake-v1 of Gymnasium 1.2.3 (map `4x4`, `is_slippery`).
//!
//! From the upper left cell to the lower right one, around four holes. A step goes where it was meant to go,
//! or to one of the two sides, with a third of the probability each; at the rim it stays. Reward 1 at the
//! goal, else 0. Ends at the goal or in a hole (terminated), or after 100 steps (truncated).

use lowgear_env::{End, Seed, Step, Stream, World};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// Number of cells, row by row.
pub const CELLS: usize = 16;
/// Actions: left, down, right, up.
pub const ACTIONS: usize = 4;
/// The cell to reach; a walk starts in cell 0.
pub const GOAL: usize = CELLS - 1;
/// Steps until the clock runs out.
pub const LIMIT: u32 = 100;
const SIDE: usize = 4;
const HOLES: [usize; 4] = [5, 7, 11, 12];

/// Whether a walk ends in a cell.
#[must_use]
pub fn is_end(cell: usize) -> bool {
    cell == GOAL || HOLES.contains(&cell)
}

/// The cells that `action` leads to from `cell`, with a third of the probability each.
#[must_use]
pub fn outcomes(cell: usize, action: usize) -> [usize; 3] {
    let (row, column) = (cell / SIDE, cell % SIDE);
    [action + ACTIONS - 1, action, action + 1].map(|way| match way % ACTIONS {
        0 => row * SIDE + column.saturating_sub(1),
        1 => (row + 1).min(SIDE - 1) * SIDE + column,
        2 => row * SIDE + (column + 1).min(SIDE - 1),
        _ => row.saturating_sub(1) * SIDE + column,
    })
}

/// Probability that a fixed choice per cell reaches the goal within [`LIMIT`] steps, without chance.
#[must_use]
pub fn success(choice: impl Fn(usize) -> usize) -> f64 {
    let mut here = [0.0; CELLS];
    here[GOAL] = 1.0;
    for _ in 0..LIMIT {
        let before = here;
        for cell in (0..CELLS).filter(|&cell| !is_end(cell)) {
            here[cell] = outcomes(cell, choice(cell)).map(|next| before[next]).iter().sum::<f64>() / 3.0;
        }
    }
    here[0]
}

/// The world. It observes the cell; each step takes 1 s.
#[derive(Clone, Debug)]
pub struct FrozenLake {
    seed: Seed,
    rng: ChaCha8Rng,
    cell: usize,
    steps: u32,
}

impl FrozenLake {
    /// A walker at the start.
    #[must_use]
    pub fn new(seed: Seed) -> FrozenLake {
        FrozenLake { seed, rng: seed.stream(Stream::Course, 0), cell: 0, steps: 0 }
    }
}

impl World for FrozenLake {
    type Observation = usize;

    fn actions(&self) -> usize {
        ACTIONS
    }

    fn reset(&mut self, episode: u64) {
        self.rng = self.seed.stream(Stream::Course, episode);
        (self.cell, self.steps) = (0, 0);
    }

    fn observation(&self) -> &usize {
        &self.cell
    }

    fn allowed(&self, _action: usize) -> bool {
        true
    }

    fn step(&mut self, action: usize) -> Step {
        self.cell = outcomes(self.cell, action)[self.rng.random_range(0..3_u32) as usize];
        self.steps += 1;
        let reward = if self.cell == GOAL { 1.0 } else { 0.0 };
        let timeout = (self.steps >= LIMIT).then_some(End::Truncated);
        let end = if is_end(self.cell) { Some(End::Terminated) } else { timeout };
        Step { reward, elapsed_s: 1.0, end }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The greedy policies of discounts 0.9 and 0.99 and the random policy, by dynamic programming over
    /// Gymnasium's own table of transitions (reinforcement_learning.json, `frozenlake_4x4`).
    #[test]
    fn success_of_known_policies_equals_the_reference() {
        let far = [0, 3, 3, 3, 0, 0, 0, 0, 3, 1, 0, 0, 0, 2, 1, 0];
        let near = [0, 3, 0, 3, 0, 0, 0, 0, 3, 1, 0, 0, 0, 2, 1, 0];
        assert!((success(|cell| far[cell]) - 0.740_164_897_758_705_1).abs() < 1e-12);
        assert!((success(|cell| near[cell]) - 0.729_766_017_418_755_4).abs() < 1e-12);
    }

    #[test]
    fn walks_succeed_as_often_as_the_probability_says() {
        let choice = [0, 3, 3, 3, 0, 0, 0, 0, 3, 1, 0, 0, 0, 2, 1, 0];
        let (mut world, mut reached) = (FrozenLake::new(Seed(2)), 0.0);
        for episode in 0..4000 {
            world.reset(episode);
            loop {
                let step = world.step(choice[*world.observation()]);
                reached += step.reward;
                if step.end.is_some() {
                    break;
                }
            }
        }
        assert!((reached / 4000.0 - 0.7402).abs() < 0.028); // 4 standard errors
    }
}
