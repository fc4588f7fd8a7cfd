//! What learners and grids refuse, as the key in the file and what is allowed there.

use crate::search::SearchBudget;
use lowgear_agents::dqn::DqnError;
use lowgear_agents::policy::grid::{GridAxis, GridError, MAX_CELLS};
use lowgear_agents::ppo::PpoError;
use lowgear_agents::range::OutOfRange;
use lowgear_agents::rule::RuleError;
use lowgear_agents::tabular::TabularError;
use lowgear_env::config::{KeyError, in_range};
use lowgear_onboard::MAX_AXES;

fn range_key(e: &OutOfRange) -> KeyError {
    KeyError::new(e.key.as_str(), e.value, format!("{} to {} {}", e.low, e.high, e.unit).trim_end())
}

pub(super) fn rule_key(e: RuleError) -> KeyError {
    match e {
        RuleError::OutOfRange(e) => range_key(&e),
        RuleError::Length { key, found, expected } => {
            let allowed = format!("{expected}, one per pair of neighbouring gears");
            KeyError::new(key, format!("{found} values"), allowed)
        }
        other => KeyError::new("signal", other, "a rule that can be built"),
    }
}

pub(super) fn tabular_key(e: TabularError) -> KeyError {
    match e {
        TabularError::OutOfRange(e) => range_key(&e),
        TabularError::InitialValues { found, actions } => KeyError::new(
            "initial-values",
            format!("{found} values"),
            format!("none, or {actions}: one per action"),
        ),
        TabularError::DoubleQTraces { lambda } => {
            KeyError::new("lambda", lambda, "0 with algorithm = \"double-q\"")
        }
        other => KeyError::new("algorithm", other, "settings that fit the table"),
    }
}

pub(super) fn grid_key(e: GridError, axes: &[GridAxis]) -> KeyError {
    match e {
        GridError::Axes { found } => {
            KeyError::new("grid", format!("{found} axes"), format!("1 to {MAX_AXES} [[…grid]]"))
        }
        GridError::Edges { feature, edges } => {
            let index = axes.iter().position(|a| a.feature.name() == feature).unwrap_or(0);
            let allowed = "one or more, each above the one before";
            KeyError::new(format!("grid[{index}].edges"), format!("{edges:?}"), allowed)
        }
        GridError::Cells { found } => {
            KeyError::new("grid", format!("{found} cells"), format!("1 to {MAX_CELLS}; take fewer edges"))
        }
        other => KeyError::new("grid", other, "one axis per feature"),
    }
}

pub(super) fn dqn_key(e: DqnError) -> KeyError {
    match e {
        DqnError::Config { key, allowed } => KeyError::new(key, "out of range", allowed),
        other => KeyError::new("hidden", other, "a network that can be built"),
    }
}

pub(super) fn ppo_key(e: PpoError) -> KeyError {
    match e {
        PpoError::Config { key, allowed } => KeyError::new(key, "out of range", allowed),
        other => KeyError::new("hidden", other, "a network that can be built"),
    }
}

pub(super) fn check_budget(budget: &SearchBudget) -> Result<(), KeyError> {
    count("generations", budget.generations as u64, 1, 1_000_000)?;
    count("population", budget.population as u64, 4, 10_000)?;
    count("courses", budget.courses, 1, 1_000_000)?;
    count("validate-every", budget.validate_every as u64, 1, 1_000_000)?;
    in_range("step", budget.step, 1e-4, 10.0, "")
}

pub(super) fn count(key: &str, value: u64, low: u64, high: u64) -> Result<(), KeyError> {
    in_range(key, value as f64, low as f64, high as f64, "")
}
