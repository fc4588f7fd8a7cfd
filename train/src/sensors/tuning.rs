//! Tuning of a rule for a vehicle without a sensor ahead and with each one.

use super::SensorOptions;
use crate::config::StudyConfig;
use crate::error::StudyError;
use crate::progress::Reporter;
use crate::search::{Search, SearchMemory};
use crate::timing::Stopwatch;
use lowgear_agents::rule::{LOW_STRIKE, NO_STRIKE, PreviewRule, Rule, RuleSettings, Signal};
use lowgear_env::Scenario;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_eval::suite::{TrainingSuite, ValidationSuite, run_seed};
use rayon::prelude::*;
use std::ops::ControlFlow;

/// Number of the first searches among what seeds are made from: as the studies' for the rule on load ratio.
const FIRST_NUMBER: u64 = 2;
/// And of those that follow them, the same for all sensors.
const SECOND_NUMBER: u64 = 11;

/// A vehicle with its sensor ahead, or without one.
pub(super) struct Arm {
    pub(super) name: &'static str,
    pub(super) scenario: Scenario,
}

/// A rule that was tuned.
#[derive(Clone, Debug)]
pub(super) struct Tuned {
    pub(super) settings: RuleSettings,
    /// Mean return on the validation courses, s.
    pub(super) score: f64,
}

impl Arm {
    pub(super) fn new(name: &'static str, scenario: &Scenario, vehicle: VehicleConfig) -> Arm {
        let course = (scenario.course.clone(), scenario.measured.clone());
        Arm { name, scenario: Scenario::new(vehicle, course, scenario.episode, scenario.seed) }
    }

    /// One search for a rule, from `start`.
    fn search(
        &self,
        start: RuleSettings,
        (number, run): (u64, u64),
        options: &SensorOptions,
        reporter: &Reporter,
    ) -> Result<Tuned, StudyError> {
        let gears = self.scenario.gears();
        let at = |vector: &[f64]| start.with_vector(vector).ok();
        let search = Search {
            budget: options.budget,
            training: &TrainingSuite::new(&self.scenario),
            validation: &ValidationSuite::new(&self.scenario, options.validation_courses),
            build: |vector: &[f64]| at(vector).and_then(|settings| Rule::new(settings, gears).ok()),
            start: start.to_vector(),
            seed: run_seed(self.scenario.seed, number, run),
            limit: None,
            stopwatch: Stopwatch::start(),
        };
        let total = options.budget.generations as u64;
        let progress = reporter.job(&format!("{}, search {run}", self.name), total);
        let memory = search.run(SearchMemory::default(), |memory, generation| {
            options.stop.check()?;
            let best = best_score(memory);
            progress.update(generation as u64, total, &format!("validation {best:.1} s"));
            Ok(ControlFlow::Continue(()))
        })?;
        self.scenario.check_driven()?;
        let tuned = Tuned { settings: at(&memory.best).unwrap_or(start), score: best_score(&memory) };
        progress.finish(&format!("validation return {:.1} s", tuned.score));
        Ok(tuned)
    }

    /// What the rule that does without the sensor scores on the vehicle that has it.
    fn as_is(&self, tuned: &Tuned, options: &SensorOptions) -> Option<Tuned> {
        let mut rule = Rule::new(tuned.settings.clone(), self.scenario.gears()).ok()?;
        let (returns, _) =
            ValidationSuite::new(&self.scenario, options.validation_courses).returns(&mut rule);
        let score = returns.iter().sum::<f64>() / returns.len() as f64;
        Some(Tuned { settings: tuned.settings.clone(), score })
    }
}

fn best_score(memory: &SearchMemory) -> f64 {
    memory.curve.iter().map(|point| point.mean).fold(f64::NEG_INFINITY, f64::max)
}

impl Tuned {
    /// A rule that was tuned elsewhere.
    pub(super) fn given(settings: RuleSettings, score: f64) -> Tuned {
        Tuned { settings, score }
    }
}

/// The searches for the rule without a sensor, from the hand-written one.
pub(super) fn first(
    study: &StudyConfig,
    blind: &Arm,
    options: &SensorOptions,
    reporter: &Reporter,
) -> Result<Vec<Tuned>, StudyError> {
    let start = study.rule_on(Signal::SpeedRatio);
    let runs: Vec<u64> = (1..=options.searches).collect();
    let search = |run: &u64| blind.search(start.clone(), (FIRST_NUMBER, *run), options, reporter);
    runs.par_iter().map(search).collect()
}

/// The searches that follow, for every arm, the one without a sensor first: the best rule of each by validation. A sensor
/// may also be ignored: then the rule without it is the best.
pub(super) fn second(
    study: &StudyConfig,
    arms: &[&Arm],
    starts: &[Tuned],
    options: &SensorOptions,
    reporter: &Reporter,
) -> Result<Vec<Tuned>, StudyError> {
    let jobs: Vec<(&Arm, RuleSettings, u64)> = arms
        .iter()
        .flat_map(|arm| {
            (1..).zip(starts).map(|(run, from)| (*arm, looking_ahead(study, arm, from, run), run))
        })
        .collect();
    let tuned: Vec<Tuned> = jobs
        .into_par_iter()
        .map(|(arm, start, run)| arm.search(start, (SECOND_NUMBER, run), options, reporter))
        .collect::<Result<_, _>>()?;
    let mut found: Vec<Tuned> = Vec::new();
    for (arm, searches) in arms.iter().zip(tuned.chunks(starts.len())) {
        let ignoring = found.first().and_then(|blind| arm.as_is(blind, options));
        let best = searches.iter().chain(&ignoring).max_by(|a, b| a.score.total_cmp(&b.score));
        found.extend(best.cloned());
    }
    Ok(found)
}

/// Where search number `run` of an arm begins. The searches of a sensor begin in turn with each thing that an owner
/// would do about strikes ahead.
fn looking_ahead(study: &StudyConfig, arm: &Arm, from: &Tuned, run: u64) -> RuleSettings {
    let sensor = arm.scenario.settings.features.preview;
    if !sensor.fitted {
        return from.settings.clone();
    }
    let gears = arm.scenario.gears();
    let clear_decisions = from.settings.hold_decisions;
    let holding = holding_before_any(gears, sensor.ahead_mm, clear_decisions);
    let down = PreviewRule { clear_decisions, ..PreviewRule::before_high(gears, sensor.ahead_mm) };
    let own = study.rule.preview.clone().unwrap_or_else(|| holding.clone());
    let ways = [own, down, holding];
    let preview = ways[(run.saturating_sub(1) % ways.len() as u64) as usize].clone();
    RuleSettings { preview: Some(preview), ..from.settings.clone() }
}

/// No shift into the top gear while anything is in view.
fn holding_before_any(gears: usize, way_mm: u16, clear_decisions: u8) -> PreviewRule {
    let mut hold_class = vec![NO_STRIKE; gears.saturating_sub(1)];
    hold_class.iter_mut().rev().take(1).for_each(|top| *top = LOW_STRIKE);
    PreviewRule {
        down_class: vec![NO_STRIKE; gears.saturating_sub(1)],
        down_mm: 0,
        hold_class,
        hold_mm: way_mm,
        clear_decisions,
    }
}
