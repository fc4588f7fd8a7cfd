//! What a study file may leave out: the values of the demonstration, `configs/studies/demo.toml`.
//!
//! Lists with an entry per gear stay empty until the vehicle is known; [`StudyConfig::for_gears`] then fills them in.

use super::{QuickConfig, StudyConfig, TableConfig, TuningConfig};
use crate::jobs::{EdgeRefinementConfig, edge_refinement_budget, stress_factor};
use crate::search::SearchBudget;
use lowgear_agents::rule::{PreviewRule, RuleSettings, Signal};
use lowgear_env::Seed;
use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize};

/// Permille of the no-load speed at which a rule by hand shifts up and down.
const UP_PERMILLE: i16 = 850;
const DOWN_PERMILLE: i16 = 400;

pub(super) const fn seed() -> u64 {
    Seed::USUAL.0
}

pub(super) const fn training_seeds() -> u64 {
    5
}

pub(super) const fn validation_courses() -> u64 {
    160
}

pub(super) const fn test_courses() -> u64 {
    200
}

pub(super) const fn searches() -> u64 {
    5
}

const fn budget(generations: usize, population: usize, courses: u64, step: f64) -> SearchBudget {
    SearchBudget { generations, population, courses, validate_every: 8, step }
}

pub(super) const fn tuning_budget() -> SearchBudget {
    budget(32, 12, 12, 0.12)
}

impl Default for TuningConfig {
    fn default() -> TuningConfig {
        let load = SearchBudget { validate_every: 5, ..budget(40, 16, 20, 0.12) };
        TuningConfig {
            searches: searches(),
            budget: tuning_budget(),
            speed_budget: None,
            load_budget: Some(load),
        }
    }
}

impl Default for TableConfig {
    fn default() -> TableConfig {
        let features = [
            "gear",
            "speed-ratio",
            "since-failed",
            "stalled",
            "load-slow",
            "load-peak",
            "dwell",
            "motor-speed",
        ];
        TableConfig {
            bytes: 420,
            iterations: 8,
            courses: 100,
            shift_weight: 2.0,
            features: features.map(str::to_owned).to_vec(),
            prefix: "lowgear".to_owned(),
            edge_refinement: Some(EdgeRefinementConfig {
                budget: edge_refinement_budget(),
                stress_factor: stress_factor(),
            }),
        }
    }
}

impl Default for QuickConfig {
    fn default() -> QuickConfig {
        QuickConfig { training_seeds: 2, validation_courses: 8, test_courses: 8, budget_share: 0.03 }
    }
}

/// The rule as its owner wrote it by hand: a threshold rule of which all may be left out.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct HandRule {
    /// What the thresholds are compared with.
    signal: Signal,
    /// Shift up out of gear `g` at or above `up-permille[g]`; one per gear but the top one. Permille of
    /// no-load speed, 0 to 2001; 2001 means never. Left out or empty: 850 in every gear.
    up_permille: Vec<i16>,
    /// Shift down out of gear `g + 1` below `down-permille[g]`; one per gear but the lowest. Permille of
    /// no-load speed, 0 to 2001; 0 means never. Left out or empty: 400 in every gear.
    down_permille: Vec<i16>,
    /// Decisions in a row that must agree before a threshold acts, 1 to 20.
    hold_decisions: u8,
    /// Step down at once when the motor has stood still this long. Ticks, 1 to 1000; never where the table
    /// `[rule]` is there without this key.
    #[serde(default)]
    stall_ticks: Option<u16>,
    /// No upshift at or above this tilt. Tenths of a degree, 0 to 449; absent means no such rule.
    #[serde(default)]
    tilt_hold_ddeg: Option<i16>,
    /// No upshift for this long after one that had to be taken back. Ticks, 0 to 1000.
    retry_ticks: u16,
    /// The wait grows by this factor with every further upshift taken back in a row, 1 to 10. It ends at
    /// 1000 ticks in any case.
    retry_growth: f32,
    /// Whether the rule ever shifts down; `false` overrides `down-permille` and `stall-ticks`.
    steps_down: bool,
    /// Do not shift up out of gear `g` before it has been engaged for `dwell-ticks[g]`; one per gear but the top one.
    /// Ticks, 0 to 1000; absent means no such waits.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    dwell_ticks: Option<Vec<u16>>,
    /// What it does about strikes ahead, on a vehicle with a sensor ahead; absent means nothing.
    #[serde(default)]
    preview: Option<PreviewRule>,
}

impl Default for HandRule {
    fn default() -> HandRule {
        HandRule {
            signal: Signal::MotorSpeed,
            up_permille: vec![],
            down_permille: vec![],
            hold_decisions: 2,
            stall_ticks: Some(10),
            tilt_hold_ddeg: None,
            retry_ticks: 40,
            retry_growth: 1.0,
            steps_down: true,
            dwell_ticks: None,
            preview: None,
        }
    }
}

impl From<HandRule> for RuleSettings {
    fn from(rule: HandRule) -> RuleSettings {
        RuleSettings {
            signal: rule.signal,
            up_permille: rule.up_permille,
            down_permille: rule.down_permille,
            hold_decisions: rule.hold_decisions,
            stall_ticks: rule.stall_ticks,
            tilt_hold_ddeg: rule.tilt_hold_ddeg,
            retry_ticks: rule.retry_ticks,
            retry_growth: rule.retry_growth,
            steps_down: rule.steps_down,
            dwell_ticks: rule.dwell_ticks,
            preview: rule.preview,
        }
    }
}

impl HandRule {
    pub(super) fn settings() -> RuleSettings {
        HandRule::default().into()
    }

    pub(super) fn read<'de, D: Deserializer<'de>>(deserializer: D) -> Result<RuleSettings, D::Error> {
        HandRule::deserialize(deserializer).map(RuleSettings::from)
    }
}

/// The rule with its thresholds for so many gears, where it has none.
pub(super) fn rule_for(mut rule: RuleSettings, gears: usize) -> RuleSettings {
    let steps = gears.saturating_sub(1);
    for (thresholds, usual) in
        [(&mut rule.up_permille, UP_PERMILLE), (&mut rule.down_permille, DOWN_PERMILLE)]
    {
        if thresholds.is_empty() {
            thresholds.resize(steps, usual);
        }
    }
    rule
}

impl StudyConfig {
    /// The study for a vehicle with so many gears: thresholds and grids that were left out are filled in.
    #[must_use]
    pub fn for_gears(mut self, gears: usize) -> StudyConfig {
        self.rule = rule_for(self.rule, gears);
        self.learners.each(|learner| learner.for_gears(gears));
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lowgear_env::config::parse;
    use std::path::Path;

    /// What the demonstration has and nobody has by default.
    fn without_its_extras(mut study: StudyConfig) -> StudyConfig {
        (study.hyper_search, study.robustness, study.network) = (None, None, None);
        study.episode = lowgear_env::EpisodeConfig::default();
        study
    }

    #[test]
    fn what_is_left_out_is_as_in_the_demonstration() {
        let file = Path::new("study.toml");
        let whole = include_str!("../../../configs/studies/demo.toml");
        let whole: StudyConfig = parse(whole, file).unwrap();
        let named = format!("name = \"demo\"\nvehicle = {:?}\ncourse = {:?}\n", whole.vehicle, whole.course);
        let short: StudyConfig = parse(&named, file).unwrap();
        assert_eq!(without_its_extras(short.for_gears(3)), without_its_extras(whole.clone()));
        let night: StudyConfig = parse(include_str!("../../../configs/studies/night.toml"), file).unwrap();
        let tables = "[rule]\nstall-ticks = 10\n[learners.tabular]\n[learners.dqn]\n[learners.ppo]\n[learners.contextual]\n";
        let mut empty = parse::<StudyConfig>(&(named + tables), file).unwrap().for_gears(3);
        let learners = &mut empty.learners;
        learners.dqn.iter_mut().for_each(|dqn| dqn.margins = vec![0.05, 0.1, 0.2, 0.4]);
        learners
            .ppo
            .iter_mut()
            .for_each(|ppo| (ppo.thresholds, ppo.stress_factor) = (vec![0.15, 0.3, 0.5], 3.0));
        assert_eq!(empty.learners, night.learners);
    }

    #[test]
    fn lists_by_gear_fit_any_vehicle() {
        for gears in 1..=6 {
            let short = "name = \"a\"\nvehicle = \"v\"\ncourse = \"c\"\n";
            let study: StudyConfig = parse(short, Path::new("a.toml")).unwrap();
            let study = study.for_gears(gears);
            study.check_gears(gears).unwrap();
            assert_eq!(study.rule.up_permille, vec![UP_PERMILLE; gears - 1]);
        }
    }
}
