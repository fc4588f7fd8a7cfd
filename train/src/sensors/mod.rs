//! What one more sensor would be worth: a rule is tuned for the vehicle without a sensor ahead and with each one, and
//! all drive the same held-out courses.
//!
//! All rules have the same budget. The rule without a sensor is tuned first; then it is tuned once more, as is, from where
//! its searches ended, the rule with each sensor. Their searches share courses, optimiser and noise, so that what differs
//! is the sensor.

mod ahead;
mod cards;
mod tuning;

pub use ahead::{PreviewGain, preview_gain};

use crate::config::{SensorKind, SensorsConfig, StudyConfig, without_preview};
use crate::effort::Effort;
use crate::error::{PolicyError, StudyError};
use crate::progress::Reporter;
use crate::search::SearchBudget;
use crate::stop::StopRequest;
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_env::{Drive, Outcome, Scenario};
use lowgear_eval::bound::{GridResolution, Plan, drive_plan};
use lowgear_eval::sensors::{DrivenRules, DrivenSensor, SensorComparison, SensorSettings, sighting};
use lowgear_eval::suite::TestSuite;
use rayon::prelude::*;
use std::sync::Arc;
use tuning::{Arm, Tuned, first, second};

/// How the comparison is made.
#[derive(Clone, Debug)]
pub struct SensorOptions {
    /// Searches per rule.
    pub searches: u64,
    /// Budget of each.
    pub budget: SearchBudget,
    /// Validation courses.
    pub validation_courses: u64,
    /// Held-out courses.
    pub courses: u64,
    /// Held-out courses that the plan drives, the first ones.
    pub plan_courses: u64,
    /// Smallest saving of time that makes a sensor worth it, %.
    pub margin_percent: f64,
    /// Level of the intervals.
    pub level: f64,
    /// A quick run.
    pub quick: bool,
    /// Whether to stop.
    pub stop: StopRequest,
}

/// Courses in which the announcements of a sensor are counted.
const SIGHTING_COURSES: u64 = 60;

impl SensorOptions {
    /// Budgets for some minutes; with `quick` those of the study's quick run, for some seconds.
    #[must_use]
    pub fn new(study: &StudyConfig, quick: bool, level: f64) -> SensorOptions {
        let mut options = SensorOptions {
            searches: 3,
            budget: SearchBudget {
                generations: 40,
                population: 16,
                courses: 40,
                validate_every: 5,
                step: 0.12,
            },
            validation_courses: study.validation_courses,
            courses: 1000,
            plan_courses: 100,
            margin_percent: 1.0,
            level,
            quick,
            stop: StopRequest::default(),
        };
        if quick {
            options.searches = 1;
            options.budget.courses = options.budget.courses.min(study.quick.test_courses);
            options.scale(study.quick.budget_share);
            (options.courses, options.plan_courses) = (study.quick.test_courses, study.quick.test_courses);
        }
        options
    }

    /// Multiplies the budget of every search.
    pub fn scale(&mut self, factor: f64) {
        Effort(factor).search(&mut self.budget);
    }
}

/// The sensors to compare, and where their figures are from.
#[derive(Clone, Debug)]
pub struct Candidates {
    /// The sensors.
    pub sensors: SensorsConfig,
    /// The one that the vehicle file names.
    pub fitted: Option<SensorKind>,
    /// Where the others are from.
    pub origin: String,
}

/// Compares sensors on the vehicle and ground of a study. `lines` puts a rule into words.
///
/// # Errors
/// [`StudyError`].
pub fn compare_sensors(
    study: &StudyConfig,
    scenario: &Scenario,
    candidates: &Candidates,
    options: &SensorOptions,
    lines: impl Fn(&Scenario, &RuleSettings) -> Vec<String>,
    reporter: &Reporter,
) -> Result<SensorComparison, StudyError> {
    let vehicle = &scenario.vehicle;
    let blind = Arm::new("without a sensor", scenario, without_preview(vehicle));
    let arms: Vec<(SensorKind, Arm)> = SensorKind::ALL
        .into_iter()
        .filter_map(|kind| {
            let fitted = candidates.sensors.fitted(vehicle, kind)?;
            Some((kind, Arm::new(kind.name(), scenario, fitted)))
        })
        .collect();
    reporter.line(&format!("tuning the rule without a sensor: {} searches", options.searches));
    let starts = first(study, &blind, options, reporter)?;
    reporter.line(&format!("tuning it and the rules with {} sensors", arms.len()));
    let all: Vec<&Arm> = std::iter::once(&blind).chain(arms.iter().map(|(_, arm)| arm)).collect();
    let mut tuned = second(study, &all, &starts, options, reporter)?.into_iter();
    let blind_rule = tuned.next().ok_or(StudyError::Nothing("sensors: no rule"))?;
    reporter.line(&format!("driving {} held-out courses", options.courses));
    let sensors = arms
        .iter()
        .zip(tuned)
        .map(|((kind, arm), tuned)| {
            let lines = lines(&arm.scenario, &tuned.settings);
            Ok(DrivenSensor {
                unused: outcomes(&arm.scenario, &blind_rule, options.courses)?,
                ..driven_sensor(candidates, *kind, arm, &tuned, options, lines)?
            })
        })
        .collect::<Result<Vec<_>, StudyError>>()?;
    let driven = DrivenRules {
        blind: outcomes(&blind.scenario, &blind_rule, options.courses)?,
        plan: planned(&blind.scenario, options.plan_courses.min(options.courses)),
        sensors,
    };
    scenario.check_driven()?;
    all.iter().try_for_each(|arm| arm.scenario.check_driven())?;
    let budget = options.budget;
    let settings = SensorSettings {
        vehicle: vehicle.name.clone(),
        course: scenario.course.name.clone(),
        seed: study.seed,
        quick: options.quick,
        searches: options.searches,
        episodes: options.searches * budget.generations as u64 * budget.population as u64 * budget.courses,
        level: options.level,
        margin_percent: options.margin_percent,
        rule: lines(&blind.scenario, &blind_rule.settings),
    };
    Ok(SensorComparison::new(settings, driven)?)
}

/// A sensor with its tuned rule on the held-out courses.
fn driven_sensor(
    candidates: &Candidates,
    kind: SensorKind,
    arm: &Arm,
    tuned: &Tuned,
    options: &SensorOptions,
    lines: Vec<String>,
) -> Result<DrivenSensor, StudyError> {
    let suite = TestSuite::new(&arm.scenario, options.courses);
    let rule = rule(&arm.scenario, &tuned.settings)?;
    let seen = sighting(suite.scenario(), SIGHTING_COURSES.min(options.courses), || rule.clone());
    let card = cards::card(candidates, kind, &arm.scenario, seen, lines)?;
    Ok(DrivenSensor { card, outcomes: outcomes(&arm.scenario, tuned, options.courses)?, unused: vec![] })
}

fn rule(scenario: &Scenario, settings: &RuleSettings) -> Result<Rule, StudyError> {
    Ok(Rule::new(settings.clone(), scenario.gears()).map_err(PolicyError::from)?)
}

fn outcomes(scenario: &Scenario, tuned: &Tuned, courses: u64) -> Result<Vec<Outcome>, StudyError> {
    let rule = rule(scenario, &tuned.settings)?;
    Ok(TestSuite::new(scenario, courses).outcomes(|| rule.clone()))
}

/// The clairvoyant plan, driven.
fn planned(scenario: &Scenario, courses: u64) -> Vec<Outcome> {
    let suite = TestSuite::new(scenario, courses);
    (0..courses)
        .into_par_iter()
        .map(|episode| {
            let mut drive = Drive::new(Arc::clone(suite.scenario()), episode);
            let plan = Plan::new(&drive, GridResolution::default());
            drive_plan(&mut drive, &plan);
            drive.outcome()
        })
        .collect()
}
