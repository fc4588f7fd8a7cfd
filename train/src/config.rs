//! The study file.

mod defaults;
mod effort;
mod network;
mod policy_kind;
mod robustness;
mod searched;
mod sensors;
mod sweep;
mod table;

pub use network::NetworkConfig;
pub use policy_kind::{PolicyKind, Setting};
pub use robustness::RobustnessConfig;
pub use searched::{HyperSearchConfig, Range, SearchedKey};
pub use sensors::{
    SensorKind, SensorsConfig, SpreadConfig, SpreadsConfig, check_ahead_m, without_error, without_preview,
};
pub(crate) use sweep::in_words;
pub use sweep::{Axis, AxisPoint, MOST_JOBS, SetKey, SweepConfig};
pub use table::{TableConfig, check_prefix};

use crate::jobs::{LearnerKind, LearnerSettings, LearnersConfig};
use crate::search::SearchBudget;
use defaults::HandRule;
use lowgear_agents::rule::{RuleSettings, Signal};
use lowgear_env::EpisodeConfig;
use lowgear_env::config::{Check, KeyError, check_path, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// A study: one vehicle, one kind of course, a rule by hand, and what is to be tuned and trained. All but `name`,
/// `vehicle` and `course` may be left out; it then is as in the demonstration.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct StudyConfig {
    /// Name; the run folder is called so.
    pub name: String,
    /// Seed of everything.
    #[serde(default = "defaults::seed")]
    pub seed: u64,
    /// Vehicle file, relative to this one.
    pub vehicle: PathBuf,
    /// Course file, relative to this one.
    pub course: PathBuf,
    /// Training runs per learner.
    #[serde(default = "defaults::training_seeds")]
    pub training_seeds: u64,
    /// Courses that choose between candidates.
    #[serde(default = "defaults::validation_courses")]
    pub validation_courses: u64,
    /// Courses of the comparison.
    #[serde(default = "defaults::test_courses")]
    pub test_courses: u64,
    /// Most gearbox damage that the searches for thresholds and edges may end with, as a ratio to that of the tuned
    /// load-ratio rule without a sensor ahead on the same courses, 0.1 to 100; absent means no limit. Gains in time are
    /// then gains at no more wear.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub most_damage: Option<f64>,
    /// Rules of the episode.
    #[serde(default)]
    pub episode: EpisodeConfig,
    /// The rule as its owner wrote it by hand.
    #[serde(default = "HandRule::settings", deserialize_with = "HandRule::read")]
    #[schemars(with = "HandRule")]
    pub rule: RuleSettings,
    /// Tuning of the rules.
    #[serde(default)]
    pub tuning: TuningConfig,
    /// The learners: those that have a table; contextual, tabular, dqn and ppo where there is no table at all.
    #[serde(default)]
    pub learners: LearnersConfig,
    /// Search over hyper-parameters, for `--hyper-search`.
    #[serde(default)]
    pub hyper_search: Option<HyperSearchConfig>,
    /// The exported table.
    #[serde(default)]
    pub table: TableConfig,
    /// A network for firmware next to the table, if one is wanted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub network: Option<NetworkConfig>,
    /// Perturbed conditions, if maps of them are wanted.
    #[serde(default)]
    pub robustness: Option<RobustnessConfig>,
    /// What `--quick` replaces.
    #[serde(default)]
    pub quick: QuickConfig,
}

/// Tuning of the rule on motor speed and of the rule on load ratio.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TuningConfig {
    /// Searches per rule; the best by validation is the tuned rule.
    #[serde(default = "defaults::searches")]
    pub searches: u64,
    /// Budget of each search.
    #[serde(default = "defaults::tuning_budget")]
    pub budget: SearchBudget,
    /// Another budget for the rule on motor speed.
    #[serde(default)]
    pub speed_budget: Option<SearchBudget>,
    /// Another budget for the rule on load ratio.
    #[serde(default)]
    pub load_budget: Option<SearchBudget>,
}

impl TuningConfig {
    /// Budget of a search for the rule on this signal.
    #[must_use]
    pub fn budget_of(&self, signal: Signal) -> SearchBudget {
        let own = match signal {
            Signal::MotorSpeed => self.speed_budget,
            Signal::SpeedRatio => self.load_budget,
        };
        own.unwrap_or(self.budget)
    }

    /// The budget of the rule on this signal alone.
    pub const fn own_budget(&mut self, signal: Signal) -> &mut Option<SearchBudget> {
        match signal {
            Signal::MotorSpeed => &mut self.speed_budget,
            Signal::SpeedRatio => &mut self.load_budget,
        }
    }
}

/// What `--quick` replaces, so that every step runs, in some ten seconds of processor time for the demonstration.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct QuickConfig {
    /// Training runs per learner.
    pub training_seeds: u64,
    /// Validation courses.
    pub validation_courses: u64,
    /// Test courses, and the most courses per candidate of a search.
    pub test_courses: u64,
    /// Share of every training and tuning budget.
    pub budget_share: f64,
}

impl StudyConfig {
    /// The hand-written rule with another signal: where a search for that signal begins.
    #[must_use]
    pub fn rule_on(&self, signal: Signal) -> RuleSettings {
        RuleSettings { signal, preview: None, ..self.rule.clone() }
    }
}

impl Check for StudyConfig {
    fn check(&self) -> Result<(), KeyError> {
        check_folder_name(&self.name)?;
        check_path("vehicle", &self.vehicle)?;
        check_path("course", &self.course)?;
        in_range("training-seeds", self.training_seeds, 1, 1000, "")?;
        in_range("validation-courses", self.validation_courses, 2, 100_000, "")?;
        in_range("test-courses", self.test_courses, 2, 100_000, "")?;
        self.most_damage.map_or(Ok(()), |ratio| in_range("most-damage", ratio, 0.1, 100.0, ""))?;
        self.episode.check().map_err(|e| e.within("episode"))?;
        // Ranges here; whether the lists fit the vehicle is known once that is read.
        let gears = 1 + self.rule.up_permille.len().max(self.rule.down_permille.len());
        let rule = defaults::rule_for(self.rule.clone(), gears);
        rule.validate(rule.up_permille.len() + 1).map_err(|e| e.within("rule"))?;
        check_order(&self.rule).map_err(|e| e.within("rule"))?;
        in_range("tuning.searches", self.tuning.searches, 1, 100, "")?;
        self.check_tuning().map_err(|e| e.within("tuning"))?;
        self.check_learners().map_err(|e| e.within("learners"))?;
        self.table.check().map_err(|e| e.within("table"))?;
        self.network.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("network"))?;
        self.robustness.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("robustness"))?;
        in_range("quick.training-seeds", self.quick.training_seeds, 1, 1000, "")?;
        in_range("quick.validation-courses", self.quick.validation_courses, 2, 100_000, "")?;
        in_range("quick.test-courses", self.quick.test_courses, 2, 100_000, "")?;
        in_range("quick.budget-share", self.quick.budget_share, 1e-4, 1.0, "")?;
        self.hyper_search
            .as_ref()
            .map_or(Ok(()), |search| search.check(self))
            .map_err(|e| e.within("hyper-search"))
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
        self.rule.validate(gears).map_err(|e| e.within("rule"))
    }

    fn check_tuning(&self) -> Result<(), KeyError> {
        let TuningConfig { budget, speed_budget, load_budget, .. } = &self.tuning;
        let budgets = [("budget", Some(budget)), ("speed-budget", speed_budget.as_ref())];
        for (key, budget) in budgets.into_iter().chain([("load-budget", load_budget.as_ref())]) {
            budget.map_or(Ok(()), Check::check).map_err(|e| e.within(key))?;
        }
        Ok(())
    }

    fn check_learners(&self) -> Result<(), KeyError> {
        if self.learners.count() == 0 {
            let known = LearnerKind::ALL.map(LearnerKind::name).join(", ");
            return Err(KeyError::new("contextual", "no learner", format!("at least one of {known}")));
        }
        for kind in LearnerKind::ALL {
            let checked = self.learners.get(kind).map_or(Ok(()), LearnerSettings::check);
            checked.map_err(|e| e.within(kind.name()))?;
        }
        Ok(())
    }
}

/// Checks the name of a study, which names the run folder as well: an option on a command line begins with `-`.
fn check_folder_name(name: &str) -> Result<(), KeyError> {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if (1..=60).contains(&name.len()) && name.chars().all(plain) && !name.starts_with('-') {
        return Ok(());
    }
    let allowed = "1 to 60 letters, digits, - and _, no - at the beginning (it names the run folder)";
    Err(KeyError::new("name", format!("\"{name}\""), allowed))
}

/// Checks that a rule that shifts down does so below where it shifts up: it would shift for ever otherwise.
fn check_order(rule: &RuleSettings) -> Result<(), KeyError> {
    let pairs = rule.up_permille.iter().zip(&rule.down_permille).enumerate();
    let mut crossed = pairs.filter(|(_, (up, down))| rule.steps_down && up < down);
    crossed.next().map_or(Ok(()), |(i, (up, down))| {
        let allowed = format!("{down} permille (down-permille[{i}]) or more, or steps-down = false");
        Err(KeyError::new(format!("up-permille[{i}]"), up, allowed))
    })
}
