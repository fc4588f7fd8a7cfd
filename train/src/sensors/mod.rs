//! What one more sensor would be worth: a rule is tuned for the vehicle without a sensor ahead and with each one, and
//! all drive the same held-out courses.
//!
//! All rules have the same budget. The rule without a sensor is tuned first; then it is tuned once more, as is, from where
//! its searches ended, the rule with each sensor. Their searches share courses, optimiser and noise, so that what differs
//! is the sensor. Where it is asked for, a table is trained for each of them as well.

mod ahead;
mod cards;
mod trained;
mod tuning;

pub use ahead::{PreviewGain, preview_gain};
pub use trained::{Distil, SensorTraining};

use crate::config::{SensorKind, SensorsConfig, StudyConfig, without_preview};
use crate::effort::Effort;
use crate::error::{PolicyError, StudyError};
use crate::progress::Reporter;
use crate::search::SearchBudget;
use crate::stop::StopRequest;
use lowgear_agents::policy::Policy;
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_env::{Drive, Outcome, Scenario};
use lowgear_eval::bound::{GridResolution, Plan, drive_plan};
use lowgear_eval::sensors::{
    Controller, Driven, DrivenSensor, SensorCard, SensorComparison, SensorSettings, sighting,
};
use lowgear_eval::suite::TestSuite;
use rayon::prelude::*;
use std::sync::Arc;
use tuning::{Arm, first, second};

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

/// Compares sensors on the vehicle and ground of a study: with tuned rules, then, if `training` is given, with trained
/// controllers. `lines` puts a rule into words.
///
/// # Errors
/// [`StudyError`].
pub fn compare_sensors(
    study: &StudyConfig,
    scenario: &Scenario,
    candidates: &Candidates,
    options: &SensorOptions,
    training: Option<&SensorTraining<'_>>,
    lines: impl Fn(&Scenario, &RuleSettings) -> Vec<String>,
    reporter: &Reporter,
) -> Result<Vec<SensorComparison>, StudyError> {
    let blind = Arm::new("without a sensor", scenario, without_preview(&scenario.vehicle));
    let arms: Vec<(SensorKind, Arm)> = SensorKind::ALL
        .into_iter()
        .filter_map(|kind| {
            let fitted = candidates.sensors.fitted(&scenario.vehicle, kind)?;
            Some((kind, Arm::new(kind.name(), scenario, fitted)))
        })
        .collect();
    reporter.line(&format!("tuning the rule without a sensor: {} searches", options.searches));
    let starts = first(study, &blind, options, reporter)?;
    reporter.line(&format!("tuning it and the rules with {} sensors", arms.len()));
    let all: Vec<&Arm> = std::iter::once(&blind).chain(arms.iter().map(|(_, arm)| arm)).collect();
    let tuned = second(study, &all, &starts, options, reporter)?;
    let rules: Vec<Rule> = all
        .iter()
        .zip(&tuned)
        .map(|(arm, tuned)| rule_for(&arm.scenario, &tuned.settings))
        .collect::<Result<_, _>>()?;
    let cards: Vec<SensorCard> = arms
        .iter()
        .zip(rules.iter().zip(&tuned).skip(1))
        .map(|((kind, arm), (rule, tuned))| {
            let suite = TestSuite::new(&arm.scenario, options.courses);
            let seen = sighting(suite.scenario(), SIGHTING_COURSES.min(options.courses), || rule.clone());
            cards::card(candidates, *kind, &arm.scenario, seen, lines(&arm.scenario, &tuned.settings))
        })
        .collect::<Result<_, _>>()?;
    let plan = planned(&blind.scenario, options.plan_courses.min(options.courses));
    let budget = options.budget;
    let settings = SensorSettings {
        controller: Controller::TunedRule,
        vehicle: scenario.vehicle.name.clone(),
        course: scenario.course.name.clone(),
        seed: study.seed,
        quick: options.quick,
        searches: options.searches,
        episodes: options.searches * budget.generations as u64 * budget.population as u64 * budget.courses,
        level: options.level,
        margin_percent: options.margin_percent,
        rule: lines(&blind.scenario, &tuned[0].settings),
    };
    reporter.line(&format!("driving {} held-out courses", options.courses));
    let mut comparisons = vec![compared(&settings, &all, &rules, &cards, &plan, options)?];
    if let Some(training) = training {
        reporter.line(&format!("training {} controllers", all.len()));
        let trained = trained::controllers(&all, &tuned, training, options, reporter)?;
        let controller = Controller::Trained { decisions: training.network.decisions };
        let settings = SensorSettings { controller, ..settings };
        comparisons.push(compared(&settings, &all, &trained, &cards, &plan, options)?);
    }
    Ok(comparisons)
}

/// Drives the held-out courses with the policy of every arm, the one without a sensor first, and compares them.
fn compared<P: Policy + Clone + Sync>(
    settings: &SensorSettings,
    arms: &[&Arm],
    policies: &[P],
    cards: &[SensorCard],
    plan: &[Outcome],
    options: &SensorOptions,
) -> Result<SensorComparison, StudyError> {
    let outcomes =
        |arm: &Arm, policy: &P| TestSuite::new(&arm.scenario, options.courses).outcomes(|| policy.clone());
    let [blind, ..] = policies else { return Err(StudyError::Nothing("sensors: no policy")) };
    let sensors = arms[1..].iter().zip(&policies[1..]).zip(cards).map(|((arm, policy), card)| DrivenSensor {
        card: card.clone(),
        outcomes: outcomes(arm, policy),
        unused: outcomes(arm, blind),
    });
    let driven = Driven { sensors: sensors.collect(), blind: outcomes(arms[0], blind), plan: plan.to_vec() };
    arms.iter().try_for_each(|arm| arm.scenario.check_driven())?;
    Ok(SensorComparison::new(settings.clone(), driven)?)
}

fn rule_for(scenario: &Scenario, settings: &RuleSettings) -> Result<Rule, StudyError> {
    Ok(Rule::new(settings.clone(), scenario.gears()).map_err(PolicyError::from)?)
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
