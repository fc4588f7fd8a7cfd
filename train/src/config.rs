//! The study file.

use crate::search::SearchBudget;
use lowgear_agents::dqn::DqnConfig;
use lowgear_agents::grid::{Grid, GridAxis};
use lowgear_agents::rule::{RuleSettings, Signal};
use lowgear_agents::tabular::TabularSettings;
use lowgear_env::EpisodeConfig;
use lowgear_env::config::{Check, KeyError, in_range};
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// A study: one vehicle, one kind of course, a rule by hand, and what is to be tuned and trained.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct StudyConfig {
    /// Name; the run folder is called so.
    pub name: String,
    /// Seed of everything.
    pub seed: u64,
    /// Vehicle file, relative to this one.
    pub vehicle: PathBuf,
    /// Course file, relative to this one.
    pub course: PathBuf,
    /// Training runs per learner.
    pub training_seeds: u64,
    /// Courses that choose between candidates.
    pub validation_courses: u64,
    /// Courses of the comparison.
    pub test_courses: u64,
    /// Resamples of the bootstrap.
    pub resamples: u32,
    /// Rules of the episode.
    #[serde(default)]
    pub episode: EpisodeConfig,
    /// The rule as its owner wrote it by hand.
    pub rule: RuleSettings,
    /// Tuning of the rules.
    pub tuning: TuningConfig,
    /// The learners.
    pub learners: LearnersConfig,
    /// The exported table.
    pub table: TableConfig,
    /// What `--quick` replaces.
    pub quick: QuickConfig,
}

/// Tuning of the rule on motor speed and of the rule on load ratio.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TuningConfig {
    /// Searches per rule; the best by validation is the tuned rule.
    pub searches: u64,
    /// Budget of each search.
    pub budget: SearchBudget,
}

/// The learners of a study.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct LearnersConfig {
    /// Thresholds that depend on context, searched from the tuned rule.
    pub contextual: Option<ContextualConfig>,
    /// A table of action values.
    pub tabular: Option<TabularConfig>,
    /// A small value network.
    pub dqn: Option<DqnTraining>,
}

/// Search of contextual thresholds.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ContextualConfig {
    /// Budget.
    pub budget: SearchBudget,
}

/// Training of a table of action values.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TabularConfig {
    /// Episodes.
    pub episodes: u64,
    /// Episodes from one validation (and checkpoint) to the next.
    pub validate_every: u64,
    /// Learning rule.
    #[serde(default)]
    pub settings: TabularSettings,
    /// Grid of features.
    pub grid: Vec<GridAxis>,
}

/// Training of a value network.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct DqnTraining {
    /// Decisions to learn from.
    pub decisions: u64,
    /// Decisions from one validation (and checkpoint) to the next.
    pub validate_every: u64,
    /// Decisions that the network sees side by side.
    pub stack: u8,
    /// Learning rule and network.
    #[serde(default)]
    pub settings: DqnConfig,
}

/// The exported table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TableConfig {
    /// Bytes that its cells may take.
    pub bytes: usize,
    /// Rounds of dataset aggregation.
    pub rounds: usize,
    /// Training courses driven in each round.
    pub courses: u64,
    /// Features that may become axes.
    pub features: Vec<String>,
    /// Prefix of the exported names.
    pub prefix: String,
}

/// What `--quick` replaces, so that every step runs in under a minute.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct QuickConfig {
    /// Training runs per learner.
    pub training_seeds: u64,
    /// Validation courses.
    pub validation_courses: u64,
    /// Test courses.
    pub test_courses: u64,
    /// Share of every training and tuning budget.
    pub budget_share: f64,
}

impl StudyConfig {
    /// The hand-written rule with another signal: where a search for that signal begins.
    #[must_use]
    pub fn rule_on(&self, signal: Signal) -> RuleSettings {
        RuleSettings { signal, ..self.rule.clone() }
    }

    /// The study as `--quick` runs it.
    #[must_use]
    pub fn quickened(mut self) -> StudyConfig {
        let quick = self.quick;
        let share = |n: u64| ((n as f64 * quick.budget_share).round() as u64).max(2);
        let shorten = |b: &mut SearchBudget| {
            b.generations = share(b.generations as u64) as usize;
            b.validate_every = b.validate_every.min(b.generations);
        };
        self.training_seeds = quick.training_seeds;
        self.validation_courses = quick.validation_courses;
        self.test_courses = quick.test_courses;
        self.tuning.searches = 1;
        shorten(&mut self.tuning.budget);
        self.table.courses = share(self.table.courses);
        if let Some(contextual) = &mut self.learners.contextual {
            shorten(&mut contextual.budget);
        }
        if let Some(tabular) = &mut self.learners.tabular {
            tabular.episodes = share(tabular.episodes);
            tabular.validate_every = tabular.validate_every.min(tabular.episodes);
        }
        if let Some(dqn) = &mut self.learners.dqn {
            dqn.decisions = share(dqn.decisions);
            dqn.validate_every = dqn.validate_every.min(dqn.decisions);
        }
        self
    }
}

impl Check for StudyConfig {
    fn check(&self) -> Result<(), KeyError> {
        let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
        if self.name.is_empty() || self.name.len() > 60 || !self.name.chars().all(plain) {
            return Err(KeyError::new(
                "name",
                format!("\"{}\"", self.name),
                "1 to 60 letters, digits, - and _ (it names the run folder)",
            ));
        }
        count("training-seeds", self.training_seeds, 1, 1000)?;
        count("validation-courses", self.validation_courses, 2, 100_000)?;
        count("test-courses", self.test_courses, 2, 100_000)?;
        count("resamples", u64::from(self.resamples), 100, 1_000_000)?;
        self.episode.check().map_err(|e| e.within("episode"))?;
        count("tuning.searches", self.tuning.searches, 1, 100)?;
        check_budget(&self.tuning.budget).map_err(|e| e.within("tuning.budget"))?;
        self.check_learners().map_err(|e| e.within("learners"))?;
        self.table.check().map_err(|e| e.within("table"))?;
        count("quick.training-seeds", self.quick.training_seeds, 1, 1000)?;
        count("quick.validation-courses", self.quick.validation_courses, 2, 100_000)?;
        count("quick.test-courses", self.quick.test_courses, 2, 100_000)?;
        in_range("quick.budget-share", self.quick.budget_share, 1e-4, 1.0, "")
    }
}

impl StudyConfig {
    /// Checks what depends on the number of gears.
    ///
    /// # Errors
    /// The first key that does not fit.
    pub fn check_gears(&self, gears: usize) -> Result<(), KeyError> {
        self.rule
            .validate(gears)
            .map_err(|e| KeyError::new("rule", e, format!("thresholds for {gears} gears")))
    }

    fn check_learners(&self) -> Result<(), KeyError> {
        if let Some(contextual) = &self.learners.contextual {
            check_budget(&contextual.budget).map_err(|e| e.within("contextual.budget"))?;
        }
        if let Some(tabular) = &self.learners.tabular {
            count("tabular.episodes", tabular.episodes, 1, 1_000_000_000)?;
            count("tabular.validate-every", tabular.validate_every, 1, 1_000_000_000)?;
            let settings = tabular.settings.validate(3);
            settings.map_err(|e| KeyError::new("tabular.settings", e, "the range named there"))?;
            let grid = Grid::new(tabular.grid.clone());
            grid.map_err(|e| KeyError::new("tabular.grid", e, "axes as named there"))?;
        }
        if let Some(dqn) = &self.learners.dqn {
            count("dqn.decisions", dqn.decisions, 1, 10_000_000_000)?;
            count("dqn.validate-every", dqn.validate_every, 1, 10_000_000_000)?;
            count("dqn.stack", u64::from(dqn.stack), 1, 16)?;
            let settings = dqn.settings.check();
            settings.map_err(|e| KeyError::new("dqn.settings", e, "the range named there"))?;
        }
        Ok(())
    }
}

impl Check for TableConfig {
    fn check(&self) -> Result<(), KeyError> {
        count("bytes", self.bytes as u64, 16, 1_000_000)?;
        count("rounds", self.rounds as u64, 1, 100)?;
        count("courses", self.courses, 1, 1_000_000)?;
        let fine = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
        let starts = self.prefix.starts_with(|c: char| c.is_ascii_lowercase());
        if !starts || self.prefix.len() > 24 || !self.prefix.chars().all(fine) {
            return Err(KeyError::new(
                "prefix",
                format!("\"{}\"", self.prefix),
                "up to 24 of a-z, 0-9 and _, a letter first",
            ));
        }
        for name in &self.features {
            lowgear_agents::grid::feature_by_name(name)
                .map_err(|e| KeyError::new("features", format!("\"{name}\""), e.to_string()))?;
        }
        Ok(())
    }
}

fn check_budget(budget: &SearchBudget) -> Result<(), KeyError> {
    count("generations", budget.generations as u64, 1, 1_000_000)?;
    count("population", budget.population as u64, 4, 10_000)?;
    count("courses", budget.courses, 1, 1_000_000)?;
    count("validate-every", budget.validate_every as u64, 1, 1_000_000)?;
    in_range("step", budget.step, 1e-4, 10.0, "")
}

fn count(key: &str, value: u64, low: u64, high: u64) -> Result<(), KeyError> {
    in_range(key, value as f64, low as f64, high as f64, "")
}
