//! What a tabular learner has learned, as a policy for the gearbox.

use super::learner::TabularLearner;
use super::settings::TabularError;
use super::update::guided_greedy;
use crate::policy::explain::{Explain, set_in, weighed};
use crate::policy::grid::Grid;
use crate::policy::{Mask, Policy};
use crate::rule::Rule;
use lowgear_env::request_name;
use lowgear_onboard::{Features, Request};

/// How much of a table has been learned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Coverage {
    /// Cells of the grid.
    pub cells: usize,
    /// Cells visited at least once.
    pub visited: usize,
    /// Cells in which some action was tried often enough to be trusted.
    pub trusted: usize,
}

/// The guided greedy policy of a table: the rule decides in cells that are hardly known, and everywhere
/// unless another action is better by the margin.
#[derive(Clone, Debug)]
pub struct TabularPolicy {
    grid: Grid,
    values: Vec<f64>,
    visits: Vec<u32>,
    trust_visits: u32,
    rule_margin: f64,
    rule: Rule,
    decisions: u64,
    fallbacks: u64,
}

const ACTIONS: usize = Request::ALL.len();

impl TabularPolicy {
    /// The policy of `learner`, whose cells are those of `grid` and whose actions are request codes. `rule`
    /// is the guide.
    ///
    /// # Errors
    /// [`TabularError::Shape`] if the learner has other cells or actions.
    pub fn new(learner: &TabularLearner, grid: Grid, rule: Rule) -> Result<TabularPolicy, TabularError> {
        if learner.cells() != grid.cells() || learner.actions() != ACTIONS {
            return Err(TabularError::Shape { part: "learner", cells: grid.cells(), actions: ACTIONS });
        }
        Ok(TabularPolicy {
            values: (0..grid.cells()).flat_map(|cell| learner.values(cell)).collect(),
            visits: (0..grid.cells()).flat_map(|cell| learner.visits(cell).to_vec()).collect(),
            grid,
            trust_visits: learner.settings().trust_visits,
            rule_margin: learner.settings().rule_margin,
            rule,
            decisions: 0,
            fallbacks: 0,
        })
    }

    /// Decisions taken since it was made; a reset does not clear them.
    #[must_use]
    pub fn decisions(&self) -> u64 {
        self.decisions
    }

    /// How many of them the rule took because the cell was hardly known.
    #[must_use]
    pub fn fallbacks(&self) -> u64 {
        self.fallbacks
    }

    /// How many requests have been tried often enough to be trusted in the cell of a state.
    #[must_use]
    pub fn trusted(&self, features: &Features) -> usize {
        let first = self.grid.cell(features) * ACTIONS;
        self.visits[first..first + ACTIONS]
            .iter()
            .filter(|&&visits| visits >= self.trust_visits.max(1))
            .count()
    }

    /// How much of the table has been learned.
    #[must_use]
    pub fn coverage(&self) -> Coverage {
        let most = || self.visits.chunks(ACTIONS).map(|row| row.iter().copied().max().unwrap_or(0));
        Coverage {
            cells: self.grid.cells(),
            visited: most().filter(|&visits| visits > 0).count(),
            trusted: most().filter(|&visits| visits >= self.trust_visits.max(1)).count(),
        }
    }
}

impl Policy for TabularPolicy {
    fn reset(&mut self) {
        self.rule.reset();
    }

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        let guide = self.rule.decide(features, mask) as usize;
        let first = self.grid.cell(features) * ACTIONS;
        let row = first..first + ACTIONS;
        let (action, fell_back) = guided_greedy(
            &self.values[row.clone()],
            &self.visits[row],
            mask,
            Some(guide),
            self.trust_visits,
            self.rule_margin,
        );
        self.decisions += 1;
        self.fallbacks += u64::from(fell_back);
        Request::from_code(action as u8)
    }
}

impl Explain for TabularPolicy {
    fn explain(&mut self, features: &Features, mask: Mask) -> Vec<String> {
        let cell = self.grid.cell(features);
        let row = cell * ACTIONS..(cell + 1) * ACTIONS;
        let mut lines: Vec<String> = set_in("rule", self.rule.clone().explain(features, mask)).collect();
        let guide = self.rule.decide(features, mask) as usize;
        let (values, visits) = (&self.values[row.clone()], &self.visits[row]);
        let (_, fell_back) =
            guided_greedy(values, visits, mask, Some(guide), self.trust_visits, self.rule_margin);
        lines.push(format!("the rule asks for {}", request_name(Request::from_code(guide as u8))));
        lines.push(weighed(&format!("values in cell {cell}"), values, mask));
        lines.push(format!(
            "visits of down, hold, up: {visits:?}, trusted from {}; another request must be worth {} more",
            self.trust_visits, self.rule_margin
        ));
        if fell_back {
            lines.push("the rule decides: its request was tried too seldom here".to_owned());
        }
        lines
    }
}
