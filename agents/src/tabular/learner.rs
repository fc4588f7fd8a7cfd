//! The learner: a table of values, and what it takes to go on learning after a pause.

use super::settings::{Algorithm, TabularError, TabularSettings};
use super::traces::Traces;
use super::update::{
    discount, epsilon_soft, guided_greedy, td_error, value_double_q, value_expected_sarsa, value_q_learning,
    value_sarsa,
};
use crate::policy::Mask;
use lowgear_env::config::KeyError;
use lowgear_env::{Seed, Stream};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// What a tabular learner sees at a decision.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct View {
    /// The cell, below the number of cells.
    pub cell: usize,
    /// Which actions are possible; at least one is.
    pub allowed: Mask,
    /// What the guide would do, if there is one.
    pub guide: Option<usize>,
}

/// A view and the action taken there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Choice {
    /// What was seen.
    pub view: View,
    /// What was done.
    pub action: usize,
}

/// A tabular learner. Saving it with serde and loading it again continues bit for bit, also within an
/// episode; a text format must keep every bit of a float (for `serde_json`: feature `float_roundtrip`).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(remote = "Self", deny_unknown_fields, rename_all = "kebab-case")]
pub struct TabularLearner {
    settings: TabularSettings,
    cells: usize,
    actions: usize,
    /// Values, `cells * actions`, the action varies fastest.
    values: Vec<f64>,
    /// The second table of Double Q-learning, empty otherwise.
    second: Vec<f64>,
    /// How often each entry was learned from, in either table.
    visits: Vec<u32>,
    /// How often each entry of the second table was; empty without one.
    #[serde(default)]
    second_visits: Vec<u32>,
    traces: Traces,
    /// Decisions learned from.
    decisions: u64,
    rng: ChaCha8Rng,
}

impl TabularLearner {
    /// An untaught learner. Its exploration comes from `seed`.
    ///
    /// # Errors
    /// As [`TabularSettings::validate`].
    pub fn new(
        settings: TabularSettings,
        cells: usize,
        actions: usize,
        seed: Seed,
    ) -> Result<TabularLearner, KeyError> {
        settings.validate(actions)?;
        let row = if settings.initial_values.is_empty() {
            vec![0.0; actions]
        } else {
            settings.initial_values.clone()
        };
        let values = row.repeat(cells);
        let second = if settings.algorithm == Algorithm::DoubleQ { values.clone() } else { Vec::new() };
        Ok(TabularLearner {
            settings,
            cells,
            actions,
            second_visits: vec![0; second.len()],
            second,
            visits: vec![0; values.len()],
            values,
            traces: Traces::default(),
            decisions: 0,
            rng: seed.stream(Stream::Explore, 0),
        })
    }

    /// The settings it was made from.
    #[must_use]
    pub fn settings(&self) -> &TabularSettings {
        &self.settings
    }

    /// Number of cells.
    #[must_use]
    pub fn cells(&self) -> usize {
        self.cells
    }

    /// Number of actions.
    #[must_use]
    pub fn actions(&self) -> usize {
        self.actions
    }

    /// Decisions learned from so far.
    #[must_use]
    pub fn decisions(&self) -> u64 {
        self.decisions
    }

    /// The value of each action in a cell; with Double Q-learning the mean of both tables.
    #[must_use]
    pub fn values(&self, cell: usize) -> Vec<f64> {
        let row = self.row(cell);
        match self.second.get(row.clone()) {
            Some(second) if !second.is_empty() => {
                self.values[row].iter().zip(second).map(|(a, b)| (a + b) / 2.0).collect()
            }
            _ => self.values[row].to_vec(),
        }
    }

    /// How often each action of a cell was learned from.
    #[must_use]
    pub fn visits(&self, cell: usize) -> &[u32] {
        &self.visits[self.row(cell)]
    }

    /// Probability of exploring at the next decision.
    #[must_use]
    pub fn epsilon(&self) -> f64 {
        self.settings.epsilon.at(self.decisions)
    }

    /// What it would do without exploring: the guided greedy action.
    #[must_use]
    pub fn greedy(&self, view: &View) -> usize {
        if self.second.is_empty() {
            return self.prefer(view, &self.values[self.row(view.cell)]);
        }
        self.prefer(view, &self.values(view.cell))
    }

    /// Decides, exploring with probability [`TabularLearner::epsilon`].
    pub fn act(&mut self, view: &View) -> usize {
        if self.rng.random::<f64>() >= self.epsilon() {
            return self.greedy(view);
        }
        let sampled = self.rng.random_range(0..view.allowed.count().max(1));
        view.allowed.nth(sampled).unwrap_or(0)
    }

    /// A new episode begins: nothing is eligible.
    pub fn begin_episode(&mut self) {
        self.traces.clear();
    }

    /// Learns from one decision: `reward` and `elapsed_s` until the next one, which is `after`, or `None`
    /// when the task ended. When only the clock ran out, `after` is what would have come next.
    pub fn learn(&mut self, before: &Choice, reward: f64, elapsed_s: f64, after: Option<&Choice>) {
        let entry = before.view.cell * self.actions + before.action;
        self.visits[entry] = self.visits[entry].saturating_add(1);
        let discount_t = after.map_or(0.0, |_| discount(self.settings.gamma_per_s, elapsed_s));
        if self.settings.algorithm == Algorithm::DoubleQ {
            self.learn_double(entry, reward, discount_t, after);
        } else {
            let decay_t = discount(self.settings.lambda_per_s, elapsed_s);
            self.learn_traced(entry, reward, discount_t, decay_t, after);
        }
        self.decisions += 1;
    }

    /// One error, handed back along the traces (Sutton, Barto 2018, section 12.7; Watkins's cut, 12.10).
    fn learn_traced(
        &mut self,
        entry: usize,
        reward: f64,
        discount_t: f64,
        decay_t: f64,
        after: Option<&Choice>,
    ) {
        let step_size = self.settings.step_size.at(self.visits[entry]);
        let v_t = after.map_or(0.0, |choice| self.value_of(choice));
        let delta = td_error(self.values[entry], reward, discount_t, v_t);
        let watkins = self.settings.algorithm == Algorithm::QLearning;
        let cut = watkins && after.is_some_and(|choice| self.explores(choice));
        let factor = if cut { 0.0 } else { discount_t * decay_t };
        self.traces.visit(self.settings.trace, entry, step_size);
        let TabularLearner { traces, values, settings, .. } = self;
        traces.decay(factor, settings.trace_cutoff, |trace| {
            values[trace.entry] += trace.step_size * delta * trace.weight;
        });
    }

    /// A coin says which table learns; the other one values its choice. Each table's step sizes fall with its own
    /// visits: with those of both they would fall too soon for the sum of what it has learned to forget its start.
    fn learn_double(&mut self, entry: usize, reward: f64, discount_t: f64, after: Option<&Choice>) {
        if self.rng.random_bool(0.5) {
            self.second_visits[entry] = self.second_visits[entry].saturating_add(1);
            let step_size = self.settings.step_size.at(self.second_visits[entry]);
            std::mem::swap(&mut self.values, &mut self.second);
            self.learn_first(entry, step_size, reward, discount_t, after);
            std::mem::swap(&mut self.values, &mut self.second);
        } else {
            let own_visits = self.visits[entry].saturating_sub(self.second_visits[entry]);
            let step_size = self.settings.step_size.at(own_visits);
            self.learn_first(entry, step_size, reward, discount_t, after);
        }
    }

    fn learn_first(
        &mut self,
        entry: usize,
        step_size: f64,
        reward: f64,
        discount_t: f64,
        after: Option<&Choice>,
    ) {
        let v_t = after.map_or(0.0, |Choice { view, .. }| {
            let (selector, evaluator) =
                (&self.values[self.row(view.cell)], &self.second[self.row(view.cell)]);
            match view.guide {
                Some(_) => evaluator[self.prefer(view, selector)],
                None => value_double_q(selector, evaluator, view.allowed),
            }
        });
        self.values[entry] += step_size * td_error(self.values[entry], reward, discount_t, v_t);
    }

    /// Value of what follows, by the learning rule. With a guide, "greedy" means guided greedy.
    fn value_of(&self, Choice { view, action }: &Choice) -> f64 {
        let q_t = &self.values[self.row(view.cell)];
        match self.settings.algorithm {
            Algorithm::Sarsa => value_sarsa(q_t, *action),
            Algorithm::ExpectedSarsa => {
                let preferred = self.prefer(view, q_t);
                value_expected_sarsa(q_t, epsilon_soft(preferred, view.allowed, self.epsilon()))
            }
            Algorithm::QLearning | Algorithm::DoubleQ => match view.guide {
                Some(_) => q_t[self.prefer(view, q_t)],
                None => value_q_learning(q_t, view.allowed),
            },
        }
    }

    /// Whether the action is worse than what the greedy policy would do; an equal one is not.
    fn explores(&self, Choice { view, action }: &Choice) -> bool {
        let q = &self.values[self.row(view.cell)];
        let preferred = self.prefer(view, q);
        *action != preferred && (view.guide.is_some() || q[*action] < q[preferred])
    }

    fn prefer(&self, view: &View, q: &[f64]) -> usize {
        let TabularSettings { trust_visits, rule_margin, .. } = self.settings;
        guided_greedy(q, self.visits(view.cell), view.allowed, view.guide, trust_visits, rule_margin).0
    }

    fn row(&self, cell: usize) -> std::ops::Range<usize> {
        cell * self.actions..(cell + 1) * self.actions
    }

    /// Checks a learner that was loaded.
    fn validate(&self) -> Result<(), TabularError> {
        self.settings.validate(self.actions)?;
        let (cells, actions) = (self.cells, self.actions);
        let entries = cells.saturating_mul(actions);
        let doubled = if self.settings.algorithm == Algorithm::DoubleQ { entries } else { 0 };
        let eligible = self.traces.0.iter().all(|trace| trace.entry < entries);
        for (fits, part) in [
            (self.values.len() == entries, "values"),
            (self.second.len() == doubled, "second table"),
            (self.visits.len() == entries, "visit counts"),
            (self.second_visits.len() == doubled, "visit counts of the second table"),
            (eligible, "traces"),
        ] {
            if !fits {
                return Err(TabularError::Shape { part, cells, actions });
            }
        }
        Ok(())
    }
}

impl Serialize for TabularLearner {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        TabularLearner::serialize(self, serializer)
    }
}

impl<'de> Deserialize<'de> for TabularLearner {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<TabularLearner, D::Error> {
        let learner = TabularLearner::deserialize(deserializer)?;
        learner.validate().map_err(serde::de::Error::custom)?;
        Ok(learner)
    }
}
