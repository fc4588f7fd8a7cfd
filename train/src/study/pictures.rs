//! What the report draws: shift maps, and runs on the courses that show the difference between table and tuned rule.

use super::Inputs;
use super::compare::{ComparedPolicy, Comparison};
use super::firmware::{FEW_VISITS, Firmware};
use crate::jobs::PolicyInstance;
use lowgear_agents::table::distil::DaggerIteration;
use lowgear_env::Outcome;
use lowgear_eval::PolicyId;
use lowgear_eval::bound::GridResolution;
use lowgear_eval::figures::{
    CellSupport, CourseDifferences, Driver, Pictures, ShiftMapPicture, Support, TracePicture,
    episode_picture, shift_map,
};
use lowgear_eval::summary::{Family, PolicyRecord};
use lowgear_onboard::Features;

/// Kind of a policy that was read from a file.
#[must_use]
pub fn family(instance: &PolicyInstance) -> Family {
    match instance {
        PolicyInstance::Rule(_) => Family::Rule,
        PolicyInstance::Table(_) | PolicyInstance::Network(_) => Family::Table,
        _ => Family::Learned,
    }
}

/// A policy with the training seed that stands for it, counted from 0: of the table the exported one, else the first.
struct Drawn<'a> {
    record: &'a PolicyRecord,
    index: usize,
    instance: &'a PolicyInstance,
}

/// The rules, the learned policies' first seeds and the exported table, drawn.
/// `network` is the index of the exported network, where there is one.
pub(super) fn pictures(
    inputs: &Inputs,
    (firmware, network): (&Firmware, Option<usize>),
    comparison: &Comparison,
) -> Pictures {
    let drawn: Vec<Drawn<'_>> = comparison
        .compared_policies
        .iter()
        .filter_map(|c| {
            let index = match c.record.id {
                PolicyId::Table => firmware.exported,
                PolicyId::Network => network.unwrap_or(0),
                _ => 0,
            };
            c.instances.get(index).map(|instance| Drawn { record: &c.record, index, instance })
        })
        .collect();
    let differences = differences(comparison, firmware.exported);
    Pictures {
        shift_maps: shift_maps(inputs, firmware, comparison, &drawn),
        traces: traces(comparison, &drawn, &differences),
        differences,
        ..Pictures::default()
    }
}

fn shift_maps(
    inputs: &Inputs,
    firmware: &Firmware,
    comparison: &Comparison,
    drawn: &[Drawn<'_>],
) -> Vec<ShiftMapPicture> {
    let seeds = |id: &PolicyId| {
        let found = comparison.compared_policies.iter().find(|c: &&ComparedPolicy| c.record.id == *id);
        found.map_or(0, |c| c.instances.len())
    };
    let mapped = drawn.iter().filter(|drawn| !PolicyId::LADDER.contains(&drawn.record.id));
    mapped
        .map(|Drawn { record, index, instance }| {
            let exported =
                (record.id == PolicyId::Table).then(|| &firmware.tables[firmware.exported].iteration);
            let of = |features: &Features| support(instance, exported, features);
            let few_visits = exported.map(|_| FEW_VISITS);
            let note =
                if seeds(&record.id) > 1 { format!("Training seed {}.", index + 1) } else { String::new() };
            let support = CellSupport { of: &of, few_visits };
            shift_map(&mut (*instance).clone(), &record.label, &note, &inputs.scenario.settings, &support)
        })
        .collect()
}

/// What the cell of a state rests on: visits while the table was distilled, or trust of the tabular learner.
fn support(instance: &PolicyInstance, exported: Option<&DaggerIteration>, features: &Features) -> Support {
    if let Some(iteration) = exported {
        return match iteration.visits.get(iteration.table.cell(features)) {
            Some(0) => Support::None,
            Some(&visits) if visits < FEW_VISITS => Support::Few,
            _ => Support::Enough,
        };
    }
    match instance {
        // To overrule the rule two actions must be known.
        PolicyInstance::Tabular(policy) => match policy.trusted(features) {
            0 => Support::None,
            1 => Support::Few,
            _ => Support::Enough,
        },
        _ => Support::Enough,
    }
}

/// Course time of the exported table less those of the two rules that it is compared with, course by course.
fn differences(comparison: &Comparison, exported: usize) -> Vec<CourseDifferences> {
    let row = |id: &PolicyId, index: usize| -> Option<&[Outcome]> {
        let found = comparison.evaluated_policies.iter().find(|policy| policy.record.id == *id)?;
        found.outcomes.get(index).map(Vec::as_slice)
    };
    let Some(own) = row(&PolicyId::Table, exported) else { return Vec::new() };
    let opponents = [PolicyId::TunedLoadRule, PolicyId::HandRule].into_iter();
    opponents
        .filter_map(|against| {
            let less_s = own.iter().zip(row(&against, 0)?).map(|(a, b)| a.time_s - b.time_s).collect();
            Some(CourseDifferences { policy: PolicyId::Table, against, less_s })
        })
        .collect()
}

/// The courses nearest the median, with the largest gain and with the largest loss; each once.
fn shown_courses(less_s: &[f64]) -> Vec<(usize, &'static str)> {
    let mut order: Vec<usize> = (0..less_s.len()).collect();
    order.sort_by(|&a, &b| less_s[a].total_cmp(&less_s[b]));
    let (Some(&best), Some(&worst)) = (order.first(), order.last()) else { return Vec::new() };
    let middle = order[(order.len() - 1) / 2];
    let mut shown = vec![(middle, "median difference"), (best, "largest gain"), (worst, "largest loss")];
    let mut known = Vec::new();
    shown.retain(|(course, _)| {
        let first = !known.contains(course);
        known.push(*course);
        first
    });
    shown
}

/// The two rules, the exported table and the plan on the courses that show how they differ; then the learned policies
/// on the first of these.
fn traces(
    comparison: &Comparison,
    drawn: &[Drawn<'_>],
    differences: &[CourseDifferences],
) -> Vec<TracePicture> {
    let first = [PolicyId::HandRule, PolicyId::TunedLoadRule, PolicyId::Table];
    let shown = differences.first().map(|found| shown_courses(&found.less_s)).unwrap_or_default();
    let mut traces: Vec<TracePicture> = shown
        .iter()
        .filter_map(|(course, why)| {
            trace(comparison, drawn, *course, why, true, |record| first.contains(&record.id))
        })
        .collect();
    let course = shown.first().map_or(0, |(course, _)| *course);
    traces.extend(trace(comparison, drawn, course, "learned policies", false, |record| {
        record.family == Family::Learned
    }));
    traces
}

/// Runs of the policies that are `wanted` on one test course, and of the plan; none where none is.
fn trace(
    comparison: &Comparison,
    drawn: &[Drawn<'_>],
    course: usize,
    why: &str,
    planned: bool,
    wanted: impl Fn(&PolicyRecord) -> bool,
) -> Option<TracePicture> {
    let mut drivers: Vec<Driver> = drawn
        .iter()
        .filter(|drawn| wanted(drawn.record))
        .map(|drawn| -> Driver {
            (drawn.record.label.clone(), drawn.record.family, Box::new(drawn.instance.clone()))
        })
        .collect();
    if drivers.is_empty() {
        return None;
    }
    let title = format!("Test course {}: {why}", course + 1);
    let plan = planned.then(|| ("Clairvoyant plan", GridResolution::default()));
    Some(episode_picture(comparison.suite.scenario(), course as u64, &title, &mut drivers, plan))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_courses_shown_are_median_gain_and_loss_once_each() {
        let words = |shown: Vec<(usize, &'static str)>| shown.into_iter().map(|s| s.0).collect::<Vec<_>>();
        assert_eq!(words(shown_courses(&[3.0, -1.0, 0.5, 7.0, -4.0])), [2, 4, 3]);
        assert_eq!(words(shown_courses(&[1.0, 2.0])), [0, 1]);
        assert_eq!(words(shown_courses(&[])), [] as [usize; 0]);
    }
}
