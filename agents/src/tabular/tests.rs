//! The learning rules on problems with known answers.

mod control;
mod guided;
mod prediction;
mod saving;

use super::*;
use crate::policy::Mask;
use crate::schedule::Schedule;

/// Nothing clever: no traces, no guide, values from 0, no discount.
fn plain(algorithm: Algorithm, step_size: StepSize, epsilon: f64) -> TabularSettings {
    TabularSettings {
        algorithm,
        gamma_per_s: 1.0,
        lambda_per_s: 0.0,
        trace: TraceKind::Replacing,
        trace_cutoff: 1e-6,
        step_size,
        epsilon: Schedule::constant(epsilon),
        initial_values: Vec::new(),
        rule_margin: 0.0,
        trust_visits: 0,
    }
}

/// No guide.
fn alone<O>(_: &O, _: Mask) -> Option<usize> {
    None
}

fn choice(cell: usize, action: usize, actions: usize) -> Choice {
    Choice { view: View { cell, allowed: Mask::all(actions), guide: None }, action }
}
