//! The exported table against the rules on vehicles that fit the owner's logs.

use super::Inputs;
use super::compare::Comparison;
use super::robustness::find;
use crate::error::StudyError;
use crate::progress::Reporter;
use crate::stop::StopRequest;
use lowgear_env::config::ConfigError;
use lowgear_eval::PolicyId;
use lowgear_eval::fitted::{FittedWorlds, time_percent};
use lowgear_eval::summary::FittedComparison;

/// Vehicles of a quick study, at most.
const QUICK_VEHICLES: u64 = 10;

/// The table against the hand-written and the tuned rule; nothing for a vehicle that was not fitted.
///
/// # Errors
/// [`StudyError`].
pub(super) fn comparisons(
    inputs: &Inputs,
    comparison: &Comparison,
    reporter: &Reporter,
    stop: &StopRequest,
) -> Result<Vec<FittedComparison>, StudyError> {
    let Some(fitted) = &inputs.scenario.vehicle.fitted else { return Ok(vec![]) };
    let Some(table) = find(comparison, PolicyId::Table) else { return Ok(vec![]) };
    let worlds = worlds(inputs)?;
    let courses = fitted.courses.min(inputs.study.test_courses);
    let vehicles = if inputs.quick { fitted.vehicles.min(QUICK_VEHICLES) } else { fitted.vehicles };
    let rules: Vec<_> = [PolicyId::HandRule, PolicyId::TunedLoadRule]
        .into_iter()
        .filter_map(|id| find(comparison, id.clone()).map(|rule| (id, rule)))
        .collect();
    let total = vehicles * rules.len() as u64;
    let progress = reporter.job("fitted vehicles", total);
    let mut done = 0;
    let mut out = Vec::new();
    for (id, rule) in rules {
        let mut percents = Vec::new();
        for vehicle in 0..vehicles {
            stop.check()?;
            percents.push(time_percent(
                &worlds.draw(vehicle),
                courses,
                &table.instances,
                &rule.instances[0],
            )?);
            done += 1;
            progress.update(done, total, &rule.record.label);
        }
        out.push(FittedComparison::new((PolicyId::Table, id), fitted, courses, percents));
    }
    progress.finish(&format!("{vehicles} vehicles over {courses} courses"));
    Ok(out)
}

/// The worlds of a fitted vehicle; a fit that is not this vehicle's is refused.
fn worlds(inputs: &Inputs) -> Result<FittedWorlds<'_>, StudyError> {
    let Some(fitted) = &inputs.scenario.vehicle.fitted else {
        return Err(lowgear_env::config::KeyError::new("fitted", "none", "a fitted vehicle").into());
    };
    let file = inputs.given.files.get(1).unwrap_or(&inputs.file);
    FittedWorlds::new(&inputs.scenario, fitted)
        .map_err(|error| ConfigError::Value { file: file.clone(), line: None, error }.into())
}
