//! What `--hyper-search` is given: the budget of a search over hyper-parameters, equal for every policy, and ranges.

use super::{PolicyKind, Setting, StudyConfig};
use crate::jobs::LearnerKind;
use lowgear_env::config::{KeyError, in_range};
use lowgear_env::{Seed, Stream};
use rand::RngExt;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use toml::Value;

/// Search over hyper-parameters by successive halving, the same budget for every policy; `--hyper-search` carries it
/// out before the study.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct HyperSearchConfig {
    /// Candidates of each policy, 2 to 1000; the first is the study as it stands, the others are drawn.
    pub candidates: u64,
    /// From one rung to the next one candidate in so many goes on, 2 to 10.
    pub keep_one_in: u64,
    /// Rungs, 1 to 8.
    pub rungs: u64,
    /// Controller ticks that a candidate has trained for by the end of the first rung; by the end of each next
    /// one it has trained for `keep-one-in` times as many.
    pub first_ticks: u64,
    /// Settings of the optimiser that tunes the rule on motor speed.
    pub speed_rule: Vec<SearchedKey>,
    /// Settings of the optimiser that tunes the rule on load ratio.
    pub load_rule: Vec<SearchedKey>,
    /// Settings under `[learners.NAME]`, for each learner of the study.
    #[serde(default)]
    pub learners: BTreeMap<LearnerKind, Vec<SearchedKey>>,
}

/// A setting to search over.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SearchedKey {
    /// Key below the policy's table, with dots, as in `settings.learning-rate.from`.
    pub key: String,
    /// Values to draw from, in the unit of that key.
    pub range: Range,
}

/// Values to draw from, all alike.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub enum Range {
    /// Between two numbers.
    Linear([f64; 2]),
    /// Between two numbers above 0, evenly in the logarithm.
    Log([f64; 2]),
    /// A whole number between two, both included.
    Integer([i64; 2]),
    /// One of a list.
    #[schemars(with = "Vec<serde_json::Value>")]
    Choice(Vec<Value>),
}

/// Draws of one candidate before its ranges are said not to go together.
const ATTEMPTS: u64 = 100;

impl Range {
    fn check(&self) -> Result<(), KeyError> {
        let fine = match self {
            Range::Linear([low, high]) => low < high && low.is_finite() && high.is_finite(),
            Range::Log([low, high]) => *low > 0.0 && low < high && high.is_finite(),
            Range::Integer([low, high]) => low < high,
            Range::Choice(values) => values.len() >= 2,
        };
        let allowed = "linear, log or integer = [low, high] with low below high (log: above 0), \
             or choice = two or more values";
        if fine { Ok(()) } else { Err(KeyError::new("range", format!("{self:?}"), allowed)) }
    }

    /// Both ends, or every choice.
    fn end_points(&self) -> Vec<Value> {
        match self {
            Range::Linear(ends) | Range::Log(ends) => ends.map(Value::from).to_vec(),
            Range::Integer(ends) => ends.map(Value::from).to_vec(),
            Range::Choice(values) => values.clone(),
        }
    }

    /// The value at a place from 0 to 1 (not included); numbers with four digits, so that a file that lists
    /// them holds them as they are.
    fn at(&self, place: f64) -> Value {
        let short = |value: f64, [low, high]: [f64; 2]| {
            let rounded = format!("{value:.3e}").parse().unwrap_or(value);
            Value::from(f64::clamp(rounded, low, high))
        };
        match self {
            Range::Linear(ends) => short(ends[0] + place * (ends[1] - ends[0]), *ends),
            Range::Log(ends) => short(ends[0] * (ends[1] / ends[0]).powf(place), *ends),
            Range::Integer([low, high]) => {
                Value::from((*low + (place * (high - low + 1) as f64) as i64).min(*high))
            }
            Range::Choice(values) => {
                let index = (place * values.len() as f64) as usize;
                values[index.min(values.len() - 1)].clone()
            }
        }
    }
}

impl HyperSearchConfig {
    /// The keys of a policy.
    #[must_use]
    pub fn keys(&self, policy_kind: PolicyKind) -> &[SearchedKey] {
        match policy_kind {
            PolicyKind::SpeedRule => &self.speed_rule,
            PolicyKind::LoadRule => &self.load_rule,
            PolicyKind::Learner(learner) => self.learners.get(&learner).map_or(&[], Vec::as_slice),
        }
    }

    /// Candidates in rung number `rung`, from 0.
    #[must_use]
    pub fn candidates_in(&self, rung: u64) -> u64 {
        (self.candidates / self.keep_one_in.pow(rung as u32)).max(1)
    }

    /// Controller ticks that a candidate has trained for by the end of rung number `rung`, from 0.
    #[must_use]
    pub fn ticks_by(&self, rung: u64) -> u64 {
        self.first_ticks.saturating_mul(self.keep_one_in.pow(rung as u32))
    }

    /// Ticks of all candidates of one policy together.
    #[must_use]
    pub fn ticks(&self) -> u64 {
        let fresh = |rung: u64| self.ticks_by(rung) - rung.checked_sub(1).map_or(0, |r| self.ticks_by(r));
        (0..self.rungs).map(|rung| self.candidates_in(rung) * fresh(rung)).sum()
    }

    /// Settings of candidate number `candidate`, from 1: none for the first, which is the study as it stands, drawn
    /// from the ranges for the others, again when they do not go together.
    ///
    /// # Errors
    /// They never do.
    pub fn settings(
        &self,
        study: &StudyConfig,
        policy_kind: PolicyKind,
        candidate: u64,
    ) -> Result<Vec<Setting>, KeyError> {
        if candidate == 1 {
            return Ok(vec![]);
        }
        let keys = self.keys(policy_kind);
        let mut rng = Seed(study.seed).part(policy_kind.number()).stream(Stream::Optimise, candidate);
        let mut problem = None;
        for _ in 0..ATTEMPTS {
            let drawn: Vec<Setting> =
                keys.iter().map(|k| (k.key.clone(), k.range.at(rng.random::<f64>()))).collect();
            match policy_kind.with(study, &drawn) {
                Ok(_) => return Ok(drawn),
                Err(e) => problem = Some(e),
            }
        }
        let problem = problem.map_or_else(String::new, |e| e.to_string());
        Err(KeyError::new(policy_kind.search_key(), problem, "ranges whose values go together"))
    }

    /// Checks budget and ranges against the study.
    ///
    /// # Errors
    /// The first key that does not fit, below `search`.
    pub(super) fn check(&self, study: &StudyConfig) -> Result<(), KeyError> {
        in_range("candidates", self.candidates, 2, 1000, "")?;
        in_range("keep-one-in", self.keep_one_in, 2, 10, "")?;
        in_range("rungs", self.rungs, 1, 8, "")?;
        in_range("first-ticks", self.first_ticks, 1, 1_000_000_000_000, "")?;
        if self.candidates < self.keep_one_in.pow(self.rungs as u32 - 1) {
            let allowed = "rungs that have a candidate left: `candidates` at least keep-one-in^(rungs - 1)";
            return Err(KeyError::new("rungs", self.rungs, allowed));
        }
        for policy_kind in PolicyKind::all() {
            let keys = self.keys(policy_kind);
            if policy_kind.is_in(study) == keys.is_empty() {
                let (got, allowed) = if keys.is_empty() {
                    ("no range", "one or more: every policy of the study is searched for alike")
                } else {
                    ("not in this study", "policies of the study")
                };
                return Err(KeyError::new(policy_kind.search_key(), got, allowed));
            }
            for (i, key) in keys.iter().enumerate() {
                let at = |e: KeyError| e.within(&format!("{}[{i}]", policy_kind.search_key()));
                key.check(study, policy_kind).map_err(at)?;
                if keys[..i].iter().any(|other| other.key == key.key) {
                    return Err(at(KeyError::new("key", format!("\"{}\" twice", key.key), "each key once")));
                }
            }
            if !keys.is_empty() {
                (2..=self.candidates).try_for_each(|t| self.settings(study, policy_kind, t).map(drop))?;
            }
        }
        Ok(())
    }
}

impl SearchedKey {
    fn check(&self, study: &StudyConfig, policy_kind: PolicyKind) -> Result<(), KeyError> {
        self.range.check()?;
        let quoted = format!("\"{}\"", self.key);
        if PolicyKind::is_budget(&self.key) {
            let allowed = "not a budget of steps: every candidate has the same ticks";
            return Err(KeyError::new("key", quoted, allowed));
        }
        for value in self.range.end_points() {
            let got = format!("{value} for {quoted}");
            policy_kind.with(study, &[(self.key.clone(), value)]).map_err(|e| {
                if e.got == "no such setting" {
                    KeyError::new("key", &quoted, e.allowed)
                } else {
                    KeyError::new("range", got, e.allowed)
                }
            })?;
        }
        Ok(())
    }
}
