//! Learners on problems of [`super::finite`]: one budget and one set of settings per learner, only the discount is the
//! problem's. Each function returns what the learned greedy policy loses ([`Table::loss`]).

use super::finite::{Finite, Table};
use lowgear_agents::dqn::{self, Dqn, DqnConfig};
use lowgear_agents::neural::NeuralError;
use lowgear_agents::policy::NoGuide;
use lowgear_agents::ppo::{self, EnvSlot, Ppo, PpoConfig};
use lowgear_agents::schedule::Schedule;
use lowgear_agents::tabular::{Algorithm, StepSize, TabularLearner, TabularSettings, View, learn_episode};
use lowgear_env::{Mask, Seed};
use std::ops::ControlFlow;
use std::sync::Arc;

/// A loss up to which a problem counts as solved.
pub const SOLVED: f64 = 0.01;

fn mask(table: &Table, state: usize) -> Mask {
    Mask::from_fn(table.actions, |action| table.allows(state, action))
}

/// A tabular learner, one step at a time, with step sizes that fall with the visits.
#[must_use]
pub fn tabular(table: &Arc<Table>, algorithm: Algorithm, decisions: u64, seed: u64) -> f64 {
    let settings = TabularSettings {
        algorithm,
        gamma_per_s: table.gamma_per_s,
        lambda_per_s: 0.0,
        step_size: StepSize::Visits { omega: 0.7, floor: 0.005 },
        epsilon: Schedule::linear(1.0, 0.0, decisions / 10 * 9),
        ..TabularSettings::default()
    };
    let Ok(mut learner) = TabularLearner::new(settings, table.states(), table.actions, Seed(seed)) else {
        return f64::NAN;
    };
    let (mut world, mut episode) = (Finite::new(table, Seed(seed)), 0);
    while learner.decisions() < decisions {
        learn_episode(&mut world, |&state| state, &mut learner, episode, |_, _| None);
        episode += 1;
    }
    table.loss(|cell| learner.greedy(&View { cell, allowed: mask(table, cell), guide: None }))
}

/// Settings of a value network for these problems, with targets of so many rewards: the defaults but for the guide,
/// a smaller network and schedules for 40 000 decisions.
#[must_use]
pub fn dqn_settings(n_step: usize) -> DqnConfig {
    DqnConfig {
        hidden: vec![32, 32],
        n_step,
        reward_scale: 1.0,
        warm_up: 1000,
        learn_every: 2,
        learning_rate: Schedule::linear(1e-3, 3e-5, 40_000),
        epsilon: Schedule::linear(1.0, 0.1, 20_000),
        guide: Schedule::constant(0.0),
        guide_weight: Schedule::constant(0.0),
        ..DqnConfig::default()
    }
}

/// A value network.
///
/// # Errors
/// Those of the learner.
pub fn dqn(table: &Arc<Table>, settings: &DqnConfig, decisions: u64, seed: u64) -> Result<f64, NeuralError> {
    let learner = taught_dqn(table, settings, decisions, seed)?;
    let (encode, mut scratch) = (table.one_hot(), dqn::Scratch::default());
    Ok(table.loss(|state| {
        let mut input = Vec::new();
        encode(&state, &mut input);
        mask(table, state).best(learner.target().values(&input, &mut scratch)).unwrap_or(0)
    }))
}

/// A value network that has learned for so many decisions.
///
/// # Errors
/// Those of the learner.
pub fn taught_dqn(
    table: &Arc<Table>,
    settings: &DqnConfig,
    decisions: u64,
    seed: u64,
) -> Result<Dqn, NeuralError> {
    let settings = DqnConfig { gamma_per_s: table.gamma_per_s, ..settings.clone() };
    let mut learner = Dqn::new(settings, table.states(), table.actions, Seed(seed))?;
    let (mut world, mut encode) = (Finite::new(table, Seed(seed)), table.one_hot());
    dqn::train(&mut learner, &mut world, &mut encode, &mut NoGuide, decisions, |_, _| {
        ControlFlow::Continue(())
    })?;
    Ok(learner)
}

/// Settings of a policy network for these problems, schedules for 200 000 decisions.
#[must_use]
pub fn ppo_settings() -> PpoConfig {
    PpoConfig {
        hidden: vec![32, 32],
        num_envs: 4,
        n_steps: 2048,
        entropy_weight: Schedule::linear(0.02, 0.0, 150_000),
        learning_rate: Schedule::linear(2e-3, 1e-4, 200_000),
        guide_bias: 0.0,
        ..PpoConfig::default()
    }
}

/// A policy network.
///
/// # Errors
/// Those of the learner.
pub fn ppo(table: &Arc<Table>, settings: &PpoConfig, decisions: u64, seed: u64) -> Result<f64, NeuralError> {
    let settings = PpoConfig { gamma_per_s: table.gamma_per_s, ..settings.clone() };
    let num_envs = settings.num_envs;
    let mut learner = Ppo::new(settings, table.states(), table.actions, Seed(seed))?;
    let slot = || EnvSlot { world: Finite::new(table, Seed(seed)), encode: table.one_hot(), guide: NoGuide };
    let mut slots: Vec<_> = std::iter::repeat_with(slot).take(num_envs).collect();
    ppo::train(&mut learner, &mut slots, decisions, |_, _| ControlFlow::Continue(()))?;
    let (mut actor, encode) = (learner.actor()?, table.one_hot());
    Ok(table.loss(|state| {
        let mut input = Vec::new();
        encode(&state, &mut input);
        let mask = mask(table, state);
        mask.best(actor.probabilities(&input, mask, None)).unwrap_or(0)
    }))
}

#[cfg(test)]
mod tests {
    use super::super::finite::problems;
    use super::*;

    /// Learning off the policy that explores: every problem, whatever its decisions' lengths.
    #[test]
    fn tabular_learners_solve_every_small_problem() {
        for table in problems::all() {
            let table = Arc::new(table);
            for algorithm in [Algorithm::QLearning, Algorithm::DoubleQ] {
                // Double Q-learning values what it has hardly tried too low, and a cliff is hardly tried twice.
                let hard = algorithm == Algorithm::DoubleQ && table.name == "cliff";
                let loss = tabular(&table, algorithm, 300_000, 0);
                assert!(loss <= if hard { 0.1 } else { SOLVED }, "{}, {algorithm:?}: {loss}", table.name);
            }
        }
    }

    #[test]
    fn the_value_network_solves_gears_with_a_price_per_shift() {
        for table in [problems::gears_in_equal_steps(), problems::gears_in_unequal_steps()] {
            let table = Arc::new(table);
            let loss = dqn(&table, &dqn_settings(1), 25_000, 0).unwrap();
            assert!(loss <= SOLVED, "{}: {loss}", table.name);
        }
    }

    #[test]
    fn the_policy_network_solves_gears_with_a_price_per_shift() {
        let table = Arc::new(problems::gears_in_equal_steps());
        let loss = ppo(&table, &ppo_settings(), 200_000, 0).unwrap();
        assert!(loss <= SOLVED, "{loss}");
    }
}
