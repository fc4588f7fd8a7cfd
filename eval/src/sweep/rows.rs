//! `points.csv`: one row per job and policy.

use std::io::Write;

use super::{DifferenceToRule, SweepSummary};
use crate::statistics::Estimate;

/// Columns behind those of the axes; units stand in the names, `low` and `high` are the ends of the interval.
const COLUMNS: [&str; 26] = [
    "vehicle",
    "policy",
    "training_seeds",
    "courses",
    "rule_time_s",
    "rule_damage_per_km",
    "headroom_s",
    "time_s",
    "time_low_s",
    "time_high_s",
    "damage_per_km",
    "damage_low_per_km",
    "damage_high_per_km",
    "time_less_s",
    "time_less_low_s",
    "time_less_high_s",
    "damage_less_percent",
    "damage_less_low_percent",
    "damage_less_high_percent",
    "return_less_s",
    "return_less_low_s",
    "return_less_high_s",
    "gap_percent",
    "gap_low_percent",
    "gap_high_percent",
    "missing",
];

/// Writes the figures of all points; a job without figures has one row that says why.
///
/// # Errors
/// What the writer says.
pub fn write_points(summary: &SweepSummary, out: impl Write) -> Result<(), csv::Error> {
    let mut writer = csv::Writer::from_writer(out);
    let axes = summary.axes.iter().map(|axis| match axis.unit.as_str() {
        "" => axis.label.clone(),
        unit => format!("{}, {unit}", axis.label),
    });
    let head = std::iter::once("job".to_owned()).chain(axes).chain(COLUMNS.map(str::to_owned));
    writer.write_record(head)?;
    for point in &summary.points {
        let values = summary.axes.iter().zip(&point.place).map(|(axis, &i)| axis.values[i].clone());
        let start: Vec<String> =
            std::iter::once(point.job.to_string()).chain(values).chain([point.vehicle.clone()]).collect();
        if let Some(why) = &point.missing {
            let empty = std::iter::repeat_n(String::new(), COLUMNS.len() - 2);
            writer.write_record(start.iter().cloned().chain(empty).chain([why.clone()]))?;
        }
        for policy in &point.policies {
            let mut row = start.clone();
            let mean = |e: Option<Estimate>| e.map_or_else(String::new, |e| e.mean.to_string());
            row.push(policy.record.id.to_string());
            row.extend([policy.time_s.n_seeds.to_string(), policy.time_s.n_courses.to_string()]);
            row.push(mean(point.rule.as_ref().map(|rule| rule.time_s)));
            row.push(mean(point.rule.as_ref().map(|rule| rule.damage_per_km)));
            row.push(mean(point.headroom.map(|headroom| headroom.absolute)));
            let percent = |change: Option<DifferenceToRule>| change.and_then(|c| c.percent);
            for figure in [
                Some(policy.time_s),
                Some(policy.damage_per_km),
                policy.time_difference.map(|c| c.absolute),
                percent(policy.damage_difference),
                policy.return_difference.map(|c| c.absolute),
                policy.gap_percent,
            ] {
                let ends = figure.map(|e| [e.mean, e.low, e.high].map(|value| value.to_string()));
                row.extend(ends.unwrap_or_default());
            }
            row.push(String::new());
            writer.write_record(row)?;
        }
    }
    writer.flush()?;
    Ok(())
}
