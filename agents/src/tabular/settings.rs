//! Settings of a tabular learner.

use super::step_size::StepSize;
use crate::schedule::Schedule;
use lowgear_env::config::{KeyError, in_range, require};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The learning rule: which policy the bootstrapped value is that of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Algorithm {
    /// The greedy policy (Watkins, Dayan 1992). Traces are cut when an exploring action is taken.
    QLearning,
    /// The action taken next (Rummery, Niranjan 1994).
    Sarsa,
    /// The exploring policy, in expectation (van Seijen et al. 2009).
    ExpectedSarsa,
    /// The greedy policy of one table, valued by another one (van Hasselt 2010). Needs `lambda-per-s = 0`.
    DoubleQ,
}

/// What a visit does to the trace of its cell and action.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TraceKind {
    /// Adds 1.
    Accumulating,
    /// Sets it to 1 (Singh, Sutton 1996).
    Replacing,
}

/// Settings of a tabular learner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct TabularSettings {
    /// The learning rule.
    pub algorithm: Algorithm,
    /// Discount per second, above 0 and up to 1. With decisions much shorter than 0.2 s, 0.98 looks too many of them
    /// ahead: 0.99 per decision is `0.99^(1 / decision_s)` per second.
    pub gamma_per_s: f64,
    /// Decay of the traces for one second, 0 to 1; that of a decision is `lambda_per_s^elapsed_s`. 0 is one-step
    /// learning; 0.59 is 0.9 for each decision of 0.2 s.
    pub lambda_per_s: f64,
    /// What a visit does to a trace.
    pub trace: TraceKind,
    /// Traces below this are forgotten, 0.000001 to 1.
    pub trace_cutoff: f64,
    /// Step size.
    pub step_size: StepSize,
    /// Probability of exploring, by decisions learned from.
    pub epsilon: Schedule<f64>,
    /// Value that each action starts with, in units of reward; empty means 0 for all. Values for shifts
    /// well below that of holding keep a young table from shifting without a reason.
    pub initial_values: Vec<f64>,
    /// An action replaces the guide's only when its value is higher by more than this, 0 and above, in
    /// units of reward.
    pub rule_margin: f64,
    /// The guide is followed until its action and another one have been tried this often in a cell.
    pub trust_visits: u32,
}

impl Default for TabularSettings {
    fn default() -> TabularSettings {
        TabularSettings {
            algorithm: Algorithm::ExpectedSarsa,
            gamma_per_s: 0.98,
            lambda_per_s: 0.59,
            trace: TraceKind::Replacing,
            trace_cutoff: 1e-3,
            step_size: StepSize::Visits { omega: 0.7, floor: 0.01 },
            epsilon: Schedule::linear(0.1, 0.01, 2_000_000),
            initial_values: Vec::new(),
            rule_margin: 0.1,
            trust_visits: 50,
        }
    }
}

/// Why settings or a saved learner were refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum TabularError {
    /// A setting is not allowed.
    #[error(transparent)]
    Setting(#[from] KeyError),
    /// A part does not fit the table.
    #[error("wrong size of the {part}: the table has {cells} cells and {actions} actions")]
    Shape {
        /// Which part.
        part: &'static str,
        /// Cells of the table.
        cells: usize,
        /// Actions of the table.
        actions: usize,
    },
}

impl TabularSettings {
    /// Checks every value against its range and the lists against the number of actions.
    ///
    /// # Errors
    /// The first key that does not fit.
    pub fn validate(&self, actions: usize) -> Result<(), KeyError> {
        in_range("actions", actions, 1, 32, "")?;
        in_range("gamma-per-s", self.gamma_per_s, 1e-9, 1.0, "")?;
        in_range("lambda-per-s", self.lambda_per_s, 0.0, 1.0, "")?;
        in_range("trace-cutoff", self.trace_cutoff, 1e-6, 1.0, "")?;
        self.step_size.validate()?;
        in_range("epsilon.from", self.epsilon.from, 0.0, 1.0, "")?;
        in_range("epsilon.to", self.epsilon.to, 0.0, 1.0, "")?;
        in_range("rule-margin", self.rule_margin, 0.0, 1e9, "")?;
        for (i, &value) in self.initial_values.iter().enumerate() {
            in_range(&format!("initial-values[{i}]"), value, -1e9, 1e9, "")?;
        }
        let values = self.initial_values.len();
        let allowed = format!("none, or {actions}: one per action");
        require(values == 0 || values == actions, "initial-values", format!("{values} values"), &allowed)?;
        let traces = self.algorithm != Algorithm::DoubleQ || self.lambda_per_s == 0.0;
        require(traces, "lambda-per-s", self.lambda_per_s, "0 with algorithm = \"double-q\"")
    }
}
