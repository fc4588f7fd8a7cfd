//! The study file.

use crate::search::SearchBudget;
use lowgear_agents::dqn::{DqnConfig, DqnError};
use lowgear_agents::grid::{Grid, GridAxis, GridError, MAX_CELLS};
use lowgear_agents::range::OutOfRange;
use lowgear_agents::rule::{RuleError, RuleSettings, Signal};
use lowgear_agents::tabular::{TabularError, TabularSettings};
use lowgear_env::EpisodeConfig;
use lowgear_env::config::{Check, KeyError, in_range};
use lowgear_onboard::MAX_AXES;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// A study: one vehicle, one kind of course, a rule by hand, and what is to be tuned and trained.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
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
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TuningConfig {
    /// Searches per rule; the best by validation is the tuned rule.
    pub searches: u64,
    /// Budget of each search.
    pub budget: SearchBudget,
}

/// The learners of a study.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
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
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ContextualConfig {
    /// Budget.
    pub budget: SearchBudget,
}

/// Training of a table of action values.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
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
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
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
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TableConfig {
    /// Bytes that its cells may take.
    pub bytes: usize,
    /// Rounds of dataset aggregation.
    pub rounds: usize,
    /// Training courses driven in each round.
    pub courses: u64,
    /// Weight of a decision to shift against one to hold of the same duration.
    pub shift_weight: f64,
    /// Features that may become axes.
    pub features: Vec<String>,
    /// Prefix of the exported names.
    pub prefix: String,
}

/// What `--quick` replaces, so that every step runs in under a minute.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
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
        // Ranges here; whether the lists fit the vehicle is known once that is read.
        self.rule.validate(self.rule.up_permille.len() + 1).map_err(|e| rule_key(e).within("rule"))?;
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
        in_range(
            "episode.start-gear",
            self.episode.start_gear as f64,
            1.0,
            gears as f64,
            "(gears of the vehicle)",
        )?;
        self.rule.validate(gears).map_err(|e| rule_key(e).within("rule"))
    }

    fn check_learners(&self) -> Result<(), KeyError> {
        let LearnersConfig { contextual, tabular, dqn } = &self.learners;
        if contextual.is_none() && tabular.is_none() && dqn.is_none() {
            return Err(KeyError::new(
                "contextual",
                "no learner",
                "at least one of contextual, tabular and dqn",
            ));
        }
        if let Some(contextual) = &self.learners.contextual {
            check_budget(&contextual.budget).map_err(|e| e.within("contextual.budget"))?;
        }
        if let Some(tabular) = &self.learners.tabular {
            count("tabular.episodes", tabular.episodes, 1, 1_000_000_000)?;
            count("tabular.validate-every", tabular.validate_every, 1, 1_000_000_000)?;
            tabular.settings.validate(3).map_err(|e| tabular_key(e).within("tabular.settings"))?;
            Grid::new(tabular.grid.clone()).map_err(|e| grid_key(e, &tabular.grid).within("tabular"))?;
        }
        if let Some(dqn) = &self.learners.dqn {
            count("dqn.decisions", dqn.decisions, 1, 10_000_000_000)?;
            count("dqn.validate-every", dqn.validate_every, 1, 10_000_000_000)?;
            count("dqn.stack", u64::from(dqn.stack), 1, 16)?;
            dqn.settings.check().map_err(|e| dqn_key(e).within("dqn.settings"))?;
        }
        Ok(())
    }
}

impl Check for TableConfig {
    fn check(&self) -> Result<(), KeyError> {
        count("bytes", self.bytes as u64, 16, 1_000_000)?;
        count("rounds", self.rounds as u64, 1, 100)?;
        count("courses", self.courses, 1, 1_000_000)?;
        in_range("shift-weight", self.shift_weight, 0.01, 100.0, "")?;
        check_prefix(&self.prefix)?;
        for (i, name) in self.features.iter().enumerate() {
            lowgear_agents::grid::feature_by_name(name)
                .map_err(|e| KeyError::new("features", format!("\"{name}\""), e.to_string()))?;
            if self.features[..i].contains(name) {
                return Err(KeyError::new("features", format!("\"{name}\" twice"), "each feature once"));
            }
        }
        if self.features.is_empty() {
            return Err(KeyError::new(
                "features",
                "empty",
                "one or more features; those that pay become axes",
            ));
        }
        Ok(())
    }
}

/// Checks a prefix of exported names.
///
/// # Errors
/// What is allowed.
pub fn check_prefix(prefix: &str) -> Result<(), KeyError> {
    let fine = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
    let starts = prefix.starts_with(|c: char| c.is_ascii_lowercase());
    let joined = !prefix.contains("__") && !prefix.ends_with('_');
    if starts && joined && prefix.len() <= 24 && prefix.chars().all(fine) {
        return Ok(());
    }
    let allowed = "up to 24 of a-z, 0-9 and single _ between them, a letter first";
    Err(KeyError::new("prefix", format!("\"{prefix}\""), allowed))
}

fn range_key(e: &OutOfRange) -> KeyError {
    KeyError::new(e.key.as_str(), e.value, format!("{} to {} {}", e.low, e.high, e.unit).trim_end())
}

fn rule_key(e: RuleError) -> KeyError {
    match e {
        RuleError::OutOfRange(e) => range_key(&e),
        RuleError::Length { key, found, expected } => {
            let allowed = format!("{expected}, one per pair of neighbouring gears");
            KeyError::new(key, format!("{found} values"), allowed)
        }
        other => KeyError::new("signal", other, "a rule that can be built"),
    }
}

fn tabular_key(e: TabularError) -> KeyError {
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

fn grid_key(e: GridError, axes: &[GridAxis]) -> KeyError {
    match e {
        GridError::Axes { found } => KeyError::new(
            "grid",
            format!("{found} axes"),
            format!("1 to {MAX_AXES} [[learners.tabular.grid]]"),
        ),
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

fn dqn_key(e: DqnError) -> KeyError {
    match e {
        DqnError::Config { key, allowed } => KeyError::new(key, "out of range", allowed),
        other => KeyError::new("hidden", other, "a network that can be built"),
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
