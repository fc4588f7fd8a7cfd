//! The problems. What each is hard for is said with it.

use super::super::{cliff, frozen_lake};
use super::{Outcome, Table};

/// Every problem.
#[must_use]
pub fn all() -> Vec<Table> {
    vec![
        gears_in_equal_steps(),
        gears_in_unequal_steps(),
        rare_disaster(),
        late_reward(),
        noisy_choice(),
        cliff_walk(),
        slippery_lake(),
    ]
}

fn one(next: Option<usize>, reward: f64, elapsed_s: f64) -> Vec<Outcome> {
    vec![Outcome { probability: 1.0, next, reward, elapsed_s }]
}

/// Speed, m/s, by ground (firm, soft, steep) and gear.
const SPEED_M_S: [[f64; 3]; 3] = [[0.2, 0.5, 0.9], [0.2, 0.5, 0.15], [0.2, 0.05, 0.0]];
/// Rate at which the ground changes, per second.
const CHANGE_PER_S: f64 = 0.08;

/// Three gears on ground that changes by chance; a shift takes `shift_s` without drive and costs `price`.
fn gears(name: &'static str, hold_s: f64, shift_s: f64, price: f64, limit: u32) -> Table {
    let state = |ground: usize, gear: usize| ground * 3 + gear;
    let after = |ground: usize, gear: usize, reward: f64, elapsed_s: f64| {
        let change = 1.0 - (-CHANGE_PER_S * elapsed_s).exp();
        let outcome = |next: usize| Outcome {
            probability: if next == ground { 1.0 - change } else { change / 2.0 },
            next: Some(state(next, gear)),
            reward,
            elapsed_s,
        };
        (0..3).map(outcome).collect::<Vec<_>>()
    };
    let row = |ground: usize, gear: usize| {
        let shift = |to: Option<usize>| {
            to.filter(|&to| to < 3).map_or_else(Vec::new, |to| after(ground, to, -price, shift_s))
        };
        let hold = after(ground, gear, SPEED_M_S[ground][gear] * hold_s, hold_s);
        vec![shift(gear.checked_sub(1)), hold, shift(Some(gear + 1))]
    };
    Table {
        name,
        actions: 3,
        starts: (0..9).collect(),
        outcomes: (0..9).map(|s| row(s / 3, s % 3)).collect(),
        gamma_per_s: 0.9,
        limit,
    }
}

/// A price for each shift, decisions of one length: the best policy stays in a gear that is not the fastest one where
/// the ground will not last.
#[must_use]
pub fn gears_in_equal_steps() -> Table {
    gears("gears, equal steps", 1.0, 1.0, 0.3, 60)
}

/// The same with decisions of unequal length: a shift outlasts three decisions to hold. Two such decisions differ
/// little in value, and a discount by decision would value shifts wrongly.
#[must_use]
pub fn gears_in_unequal_steps() -> Table {
    gears("gears, unequal steps", 0.25, 0.75, 0.15, 200)
}

/// Five stretches, each driven carefully (-0.5) or fast: for nothing, but one in a hundred ends in -100. A learner
/// that does not take a rare and large loss for what it is drives fast.
#[must_use]
pub fn rare_disaster() -> Table {
    let row = |s: usize| {
        let next = (s + 1 < 5).then_some(s + 1);
        let fast = vec![
            Outcome { probability: 0.99, next, reward: 0.0, elapsed_s: 1.0 },
            Outcome { probability: 0.01, next: None, reward: -100.0, elapsed_s: 1.0 },
        ];
        vec![one(next, -0.5, 1.0), fast]
    };
    let outcomes = (0..5).map(row).collect();
    Table {
        name: "rare disaster",
        actions: 2,
        starts: (0..5).collect(),
        outcomes,
        gamma_per_s: 0.97,
        limit: 50,
    }
}

/// Stay for a little at each decision, or pay now and earn seven decisions later; giving up on the way loses the price.
#[must_use]
pub fn late_reward() -> Table {
    let last = 7;
    let row = |s: usize| match s {
        0 => vec![one(Some(0), 0.05, 0.5), one(Some(1), -0.5, 1.5)],
        s => {
            let on = if s == last { one(Some(0), 4.0, 0.5) } else { one(Some(s + 1), 0.0, 0.5) };
            vec![one(Some(0), 0.05, 0.5), on]
        }
    };
    let outcomes = (0..=last).map(row).collect();
    Table { name: "late reward", actions: 2, starts: vec![0], outcomes, gamma_per_s: 0.9, limit: 60 }
}

/// Maximisation bias (Sutton, Barto 2018, example 6.7) with two outcomes in place of a normal one: right ends with 0,
/// left leads to ten actions of -1 or 1 with the mean -0.1.
#[must_use]
pub fn noisy_choice() -> Table {
    let win = |reward: f64, probability: f64| Outcome { probability, next: None, reward, elapsed_s: 1.0 };
    let noisy = vec![win(1.0, 0.45), win(-1.0, 0.55)];
    let mut first = vec![one(Some(1), 0.0, 1.0), one(None, 0.0, 1.0)];
    first.resize(10, Vec::new());
    let outcomes = vec![first, vec![noisy; 10]];
    Table { name: "noisy choice", actions: 10, starts: vec![0], outcomes, gamma_per_s: 1.0, limit: 10 }
}

/// [`cliff`]: deterministic, with a large loss next to the shortest way.
#[must_use]
pub fn cliff_walk() -> Table {
    let row = |cell: usize| {
        let step = |action: usize| {
            let (next, reward) = cliff::outcome(cell, action);
            one((next != cliff::GOAL).then_some(next), reward, 1.0)
        };
        (0..cliff::ACTIONS).map(step).collect()
    };
    let outcomes = (0..cliff::CELLS).map(row).collect();
    let starts = vec![cliff::START];
    Table { name: "cliff", actions: cliff::ACTIONS, starts, outcomes, gamma_per_s: 0.95, limit: 200 }
}

/// [`frozen_lake`]: chance in every step, one reward at the goal.
#[must_use]
pub fn slippery_lake() -> Table {
    let row = |cell: usize| {
        let step = |action: usize| {
            let lead = |next: usize| Outcome {
                probability: 1.0 / 3.0,
                next: (!frozen_lake::is_end(next)).then_some(next),
                reward: if next == frozen_lake::GOAL { 1.0 } else { 0.0 },
                elapsed_s: 1.0,
            };
            frozen_lake::outcomes(cell, action).map(lead).to_vec()
        };
        (0..frozen_lake::ACTIONS).map(step).collect()
    };
    let outcomes = (0..frozen_lake::CELLS).map(row).collect();
    let limit = frozen_lake::LIMIT;
    Table {
        name: "slippery lake",
        actions: frozen_lake::ACTIONS,
        starts: vec![0],
        outcomes,
        gamma_per_s: 0.97,
        limit,
    }
}
