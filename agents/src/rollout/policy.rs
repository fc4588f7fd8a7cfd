//! What was learned by rollouts, as a policy for the gearbox.

use crate::grid::Grid;
use crate::neural::{Guide, Mask, RuleGuide};
use crate::policy::Policy;
use crate::reasons::{Reasons, set_in};
use lowgear_env::request_name;
use lowgear_onboard::{Features, Request};
use serde::{Deserialize, Serialize};

/// A rule that the cells of a table overrule.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(try_from = "Raw", into = "Raw")]
pub struct RolloutPolicy {
    choices: Vec<u8>,
    grid: Grid,
    guide: RuleGuide,
}

/// Why a policy was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum RolloutError {
    /// Cells and choices are not the same number.
    #[error("the grid has {cells} cells, the table {choices} choices")]
    Shape {
        /// Cells of the grid.
        cells: usize,
        /// Choices of the table.
        choices: usize,
    },
    /// Something that is neither a request nor the guide.
    #[error("cell {cell} holds {found}, allowed is 0 to {}", FOLLOW)]
    Choice {
        /// Number of the cell.
        cell: usize,
        /// What it holds.
        found: u8,
    },
}

/// The choice to follow the guide.
const FOLLOW: u8 = Request::ALL.len() as u8;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    choices: Vec<u8>,
    grid: Grid,
    guide: RuleGuide,
}

impl TryFrom<Raw> for RolloutPolicy {
    type Error = RolloutError;

    fn try_from(raw: Raw) -> Result<RolloutPolicy, RolloutError> {
        RolloutPolicy::new(raw.choices, raw.grid, raw.guide)
    }
}

impl From<RolloutPolicy> for Raw {
    fn from(policy: RolloutPolicy) -> Raw {
        Raw { choices: policy.choices, grid: policy.grid, guide: policy.guide }
    }
}

impl RolloutPolicy {
    /// `guide`, overruled by `choices`: one request code for each cell of `grid`, or 3 to follow.
    ///
    /// # Errors
    /// [`RolloutError`] says what does not fit.
    pub fn new(choices: Vec<u8>, grid: Grid, guide: RuleGuide) -> Result<RolloutPolicy, RolloutError> {
        if choices.len() != grid.cells() {
            return Err(RolloutError::Shape { cells: grid.cells(), choices: choices.len() });
        }
        match choices.iter().position(|&choice| choice > FOLLOW) {
            Some(cell) => Err(RolloutError::Choice { cell, found: choices[cell] }),
            None => Ok(RolloutPolicy { choices, grid, guide }),
        }
    }
}

impl Policy for RolloutPolicy {
    fn reset(&mut self) {
        self.guide.reset();
    }

    fn decide(&mut self, features: &Features, mask: [bool; 3]) -> Request {
        // The rule counts decisions, so it is always asked.
        let possible = Mask::from_fn(mask.len(), |action| mask[action]);
        let advice = self.guide.advise_within(features, possible).unwrap_or(Request::Hold as usize);
        let choice = self.choices[self.grid.cell(features)];
        if choice == FOLLOW || !mask[usize::from(choice)] {
            Request::from_code(advice as u8)
        } else {
            Request::from_code(choice)
        }
    }
}

impl Reasons for RolloutPolicy {
    fn reasons(&mut self, features: &Features, mask: [bool; 3]) -> Vec<String> {
        let mut lines: Vec<String> = set_in("rule", self.guide.reasons(features, mask)).collect();
        let cell = self.grid.cell(features);
        lines.push(match self.choices[cell] {
            FOLLOW => format!("cell {cell} follows the rule"),
            choice => format!("cell {cell} overrules the rule: {}", request_name(Request::from_code(choice))),
        });
        lines
    }
}
