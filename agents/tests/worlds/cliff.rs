//! Cliff walking (Sutton, Barto 2018, example 6.6).
//!
//! A grid of 4 rows and 12 columns. The walk starts in the lower left corner and ends in the lower right
//! one. Every step costs 1; a step into the cliff between the two costs 100 and leads back to the start.

use lowgear_env::{End, Step, World};

/// Rows, the top one is 0.
pub const ROWS: usize = 4;
/// Columns, the left one is 0.
pub const COLUMNS: usize = 12;
/// Number of cells.
pub const CELLS: usize = ROWS * COLUMNS;
/// Actions: up, right, down, left.
pub const ACTIONS: usize = 4;
/// Where a walk starts.
pub const START: usize = (ROWS - 1) * COLUMNS;
/// Where a walk ends.
pub const GOAL: usize = CELLS - 1;

/// Where `action` leads from `cell`, and its reward.
#[must_use]
pub fn outcome(cell: usize, action: usize) -> (usize, f64) {
    let (row, column) = (cell / COLUMNS, cell % COLUMNS);
    let (row, column) = match action {
        0 => (row.saturating_sub(1), column),
        1 => (row, (column + 1).min(COLUMNS - 1)),
        2 => ((row + 1).min(ROWS - 1), column),
        _ => (row, column.saturating_sub(1)),
    };
    let next = row * COLUMNS + column;
    if next > START && next < GOAL { (START, -100.0) } else { (next, -1.0) }
}

/// The world. It observes the cell; each step takes 1 s. There is no chance in it and no time limit.
#[derive(Clone, Debug)]
pub struct Cliff {
    cell: usize,
}

impl Cliff {
    /// A walker at the start.
    #[must_use]
    pub fn new() -> Cliff {
        Cliff { cell: START }
    }
}

impl Default for Cliff {
    fn default() -> Cliff {
        Cliff::new()
    }
}

impl World for Cliff {
    type Observation = usize;

    fn actions(&self) -> usize {
        ACTIONS
    }

    fn reset(&mut self, _episode: u64) {
        self.cell = START;
    }

    fn observation(&self) -> &usize {
        &self.cell
    }

    fn allowed(&self, _action: usize) -> bool {
        true
    }

    fn step(&mut self, action: usize) -> Step {
        let (cell, reward) = outcome(self.cell, action);
        self.cell = cell;
        Step { reward, elapsed_s: 1.0, end: (cell == GOAL).then_some(End::Terminated) }
    }
}
