//! What seeing ahead would bring to a vehicle without a sensor ahead: the tuned rule with an exact preview.

use super::tuning::{Arm, Tuned, second};
use super::{SensorOptions, rule_for};
use crate::config::{SensorKind, SensorsConfig, StudyConfig, without_preview};
use crate::error::StudyError;
use crate::progress::Reporter;
use crate::stop::StopRequest;
use lowgear_agents::rule::{RuleSettings, Signal};
use lowgear_env::Scenario;
use lowgear_eval::aggregate::{EvaluatedPolicy, time_difference};
use lowgear_eval::statistics::Estimate;
use lowgear_eval::suite::TestSuite;
use lowgear_eval::summary::{Family, PolicyRecord};

/// What an exact preview of the obstacles would bring to the tuned rule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PreviewGain {
    /// How far ahead of the front axle it sees, m.
    pub ahead_m: f64,
    /// Course time that it saves, % of the mean of the rule without it.
    pub saved_percent: Estimate,
}

/// The gain of a rule with an exact preview over the same rule without one, on the held-out courses of a study. Both are
/// tuned from `rule` on, with the budget of one more search; none for a vehicle that has a sensor ahead.
///
/// # Errors
/// [`StudyError`].
pub fn preview_gain(
    study: &StudyConfig,
    scenario: &Scenario,
    (rule, score): (&RuleSettings, f64),
    level: f64,
    reporter: &Reporter,
    stop: &StopRequest,
) -> Result<Option<PreviewGain>, StudyError> {
    let sensors = SensorsConfig::shipped()?;
    let (Some(fitted), None) =
        (sensors.fitted(&scenario.vehicle, SensorKind::Exact), SensorKind::of(&scenario.vehicle))
    else {
        return Ok(None);
    };
    let options = SensorOptions {
        searches: 1,
        budget: study.tuning.budget_of(Signal::SpeedRatio),
        courses: study.test_courses,
        stop: stop.clone(),
        ..SensorOptions::new(study, false, level)
    };
    reporter.line("tuning the rule with an exact preview, to say what seeing ahead would bring");
    let blind = Arm::new("as is", scenario, without_preview(&scenario.vehicle));
    let exact = Arm::new(SensorKind::Exact.name(), scenario, fitted);
    let start = [Tuned::given(rule.clone(), score)];
    let tuned = second(study, &[&blind, &exact], &start, &options, reporter)?;
    let driven = |arm: &Arm, tuned: &Tuned| -> Result<EvaluatedPolicy, StudyError> {
        let rule = rule_for(&arm.scenario, &tuned.settings)?;
        Ok(EvaluatedPolicy {
            record: PolicyRecord::new(arm.name, arm.name, Family::Rule),
            outcomes: vec![TestSuite::new(&arm.scenario, options.courses).outcomes(|| rule.clone())],
        })
    };
    let [without, with] = &tuned[..] else { return Err(StudyError::Nothing("exact preview: no rule")) };
    let (without, with) = (driven(&blind, without)?, driven(&exact, with)?);
    exact.scenario.check_driven()?;
    let saved_s = time_difference(&without, &with, level)?;
    let times = without.outcomes.iter().flatten().map(|outcome| outcome.time_s);
    let percent = 100.0 * options.courses as f64 / times.sum::<f64>();
    let saved_percent = Estimate {
        mean: percent * saved_s.mean,
        low: percent * saved_s.low,
        high: percent * saved_s.high,
        ..saved_s
    };
    let ahead_m = exact.scenario.vehicle.sensors.preview().map_or(0.0, |sensor| sensor.ahead_m());
    Ok(Some(PreviewGain { ahead_m, saved_percent }))
}
