//! The rules and learners of a search over hyper-parameters, and where the settings of each stand in the study.

use super::StudyConfig;
use crate::jobs::{Guide, Job, LearnerKind, NO_STEP_LIMIT, RuleJob};
use crate::search::SearchBudget;
use lowgear_agents::rule::Signal;
use lowgear_env::config::{Check, KeyError};
use toml::{Table, Value};

/// A rule to be tuned or a learner.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PolicyKind {
    /// The rule on motor speed; its settings are those of the optimiser that tunes it.
    SpeedRule,
    /// The rule on load ratio; likewise.
    LoadRule,
    /// A learner.
    Learner(LearnerKind),
}

/// A key below a policy's table, and a value for it.
pub type Setting = (String, Value);

/// Keys that say how long training is: a search gives every candidate the same ticks instead.
const BUDGETS: [&str; 4] = ["generations", "budget.generations", "decisions", "episodes"];

impl PolicyKind {
    /// Rules: they come first, since the learners are guided by a tuned one.
    pub const RULES: [PolicyKind; 2] = [PolicyKind::SpeedRule, PolicyKind::LoadRule];

    /// Learners.
    pub fn learners() -> impl Iterator<Item = PolicyKind> {
        LearnerKind::ALL.into_iter().map(PolicyKind::Learner)
    }

    /// Rules and learners.
    pub fn all() -> impl Iterator<Item = PolicyKind> {
        PolicyKind::RULES.into_iter().chain(PolicyKind::learners())
    }

    /// Its name, as in folders.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            PolicyKind::SpeedRule => "speed-rule",
            PolicyKind::LoadRule => "load-rule",
            PolicyKind::Learner(learner) => learner.name(),
        }
    }

    /// Where its ranges stand below `[hyper-search]`.
    #[must_use]
    pub fn search_key(self) -> String {
        match self {
            PolicyKind::Learner(learner) => format!("learners.{}", learner.name()),
            rule => rule.name().to_owned(),
        }
    }

    /// The number that seeds are made from.
    #[must_use]
    pub const fn number(self) -> u64 {
        match self {
            PolicyKind::SpeedRule => 1,
            PolicyKind::LoadRule => 2,
            PolicyKind::Learner(learner) => learner.number(),
        }
    }

    /// Whether it takes part in the study.
    #[must_use]
    pub fn is_in(self, study: &StudyConfig) -> bool {
        match self {
            PolicyKind::SpeedRule | PolicyKind::LoadRule => true,
            PolicyKind::Learner(learner) => study.learners.get(learner).is_some(),
        }
    }

    /// Takes a learner out of the study; rules stay.
    pub fn leave_out(self, study: &mut StudyConfig) {
        if let PolicyKind::Learner(learner) = self {
            study.learners.leave_out(learner);
        }
    }

    /// Training run number `run`, from 1; `guide` is the rule that learners begin with. None for a learner that is
    /// not in the study.
    #[must_use]
    pub fn job(self, study: &StudyConfig, guide: Guide<'_>, run: u64) -> Option<Box<dyn Job>> {
        let tuning = |signal| -> Option<Box<dyn Job>> {
            let (start, budget) = (study.rule_on(signal), study.tuning.budget_of(signal));
            Some(Box::new(RuleJob { start, budget, run }))
        };
        match self {
            PolicyKind::SpeedRule => tuning(Signal::MotorSpeed),
            PolicyKind::LoadRule => tuning(Signal::SpeedRatio),
            PolicyKind::Learner(learner) => study.learners.job(learner, guide, run),
        }
    }

    /// The table of its settings in the study file.
    const fn table(self) -> [&'static str; 2] {
        match self {
            PolicyKind::SpeedRule => ["tuning", "speed-budget"],
            PolicyKind::LoadRule => ["tuning", "load-budget"],
            PolicyKind::Learner(learner) => ["learners", learner.name()],
        }
    }

    /// The study with other settings for this policy. A search's budget stays what it was: with larger
    /// generations there are fewer.
    ///
    /// # Errors
    /// The first setting that is not allowed, as a key below the policy's table.
    pub fn with(self, study: &StudyConfig, settings: &[Setting]) -> Result<StudyConfig, KeyError> {
        // Ranges are checked with the help of this function.
        let mut base = StudyConfig { hyper_search: None, ..study.clone() };
        match self {
            PolicyKind::SpeedRule => {
                base.tuning.speed_budget = Some(base.tuning.budget_of(Signal::MotorSpeed))
            }
            PolicyKind::LoadRule => base.tuning.load_budget = Some(base.tuning.budget_of(Signal::SpeedRatio)),
            _ => {}
        }
        let mut table = Table::try_from(&base).map_err(|e| KeyError::new("seed", e, "what TOML can hold"))?;
        let [outer, inner] = self.table();
        for (key, value) in settings {
            let mine = table.get_mut(outer).and_then(|t| t.get_mut(inner)).and_then(Value::as_table_mut);
            let place = mine.and_then(|mine| entry(mine, key)).ok_or_else(|| self.unknown(key))?;
            *place = value.clone();
        }
        let key = settings.first().map_or("", |(key, _)| key.as_str());
        let mut changed: StudyConfig = table
            .try_into()
            .map_err(|e: toml::de::Error| KeyError::new(key, "refused", e.message().replace('\n', " ")))?;
        changed.check()?;
        if let (Some(before), Some(after)) = (self.budget(&mut base), self.budget(&mut changed)) {
            after.generations = before.generations_of_the_same_size(after);
        }
        changed.hyper_search.clone_from(&study.hyper_search);
        Ok(changed)
    }

    fn unknown(self, key: &str) -> KeyError {
        let [outer, inner] = self.table();
        let budget =
            if BUDGETS.contains(&key) { "; a search gives every candidate the same ticks" } else { "" };
        KeyError::new(key, "no such setting", format!("a key of [{outer}.{inner}] that has a value{budget}"))
    }

    /// Whether a key is a budget of steps, which is not searched over.
    pub(super) fn is_budget(key: &str) -> bool {
        BUDGETS.contains(&key)
    }

    fn budget(self, study: &mut StudyConfig) -> Option<&mut SearchBudget> {
        match self {
            PolicyKind::SpeedRule => study.tuning.speed_budget.as_mut(),
            PolicyKind::LoadRule => study.tuning.load_budget.as_mut(),
            PolicyKind::Learner(learner) => study.learners.get_mut(learner)?.search_budget(),
        }
    }
}

impl StudyConfig {
    /// The study with so many steps that something else ends training.
    #[must_use]
    pub fn without_step_limit(mut self) -> StudyConfig {
        for signal in [Signal::MotorSpeed, Signal::SpeedRatio] {
            let budget =
                SearchBudget { generations: NO_STEP_LIMIT as usize, ..self.tuning.budget_of(signal) };
            *self.tuning.own_budget(signal) = Some(budget);
        }
        self.learners.each(|learner| learner.without_step_limit());
        self
    }
}

/// The value at a key with dots; none where there is none, or where it is a table of its own.
fn entry<'a>(table: &'a mut Table, key: &str) -> Option<&'a mut Value> {
    match key.split_once('.') {
        Some((first, rest)) => entry(table.get_mut(first)?.as_table_mut()?, rest),
        None => table.get_mut(key),
    }
}
