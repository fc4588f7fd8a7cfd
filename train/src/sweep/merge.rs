//! From the summaries of the jobs to one summary of all of them: summary.json, points.csv and report.html.

use super::Sweep;
use super::state::{JobState, SweepFolder};
use super::work::check_jobs;
use crate::error::StudyError;
use crate::store::{StoreError, create_folder, write_atomically};
use lowgear_eval::summary::Summary;
use lowgear_eval::sweep::{
    SWEEP_FORMAT, SweepAxis, SweepPoint, SweepSummary, figures_of, findings, headroom_of, rule_of,
    write_points,
};
use lowgear_report::sweep_page;
use std::fs;
use std::path::PathBuf;

/// The result of merging.
pub struct MergedSweep {
    /// The findings, for the terminal.
    pub text: String,
    /// The page.
    pub report: PathBuf,
}

/// Merges what is there; points whose job is not done say so.
///
/// # Errors
/// [`StudyError`]; a summary that cannot be read is one, since it was written whole.
pub fn merge(sweep: &Sweep, place: &SweepFolder) -> Result<MergedSweep, StudyError> {
    check_jobs(sweep, place)?;
    let points = (1..=sweep.jobs()).map(|job| point(sweep, place, job)).collect::<Result<Vec<_>, _>>()?;
    let level = points.iter().find_map(|(_, level)| *level).unwrap_or(0.95);
    let axes = sweep.config.axes.iter().map(|axis| SweepAxis {
        label: axis.label.clone(),
        unit: axis.unit.clone(),
        key: axis.key.clone(),
        values: axis.names(),
    });
    let study = sweep.config.study.file_stem();
    let summary = SweepSummary {
        format: SWEEP_FORMAT,
        name: sweep.config.name.clone(),
        study: study.map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        level,
        command: format!("lowgear sweep {}", sweep.file_name()),
        axes: axes.collect(),
        points: points.into_iter().map(|(point, _)| point).collect(),
    };
    let mut json = serde_json::to_string_pretty(&summary).map_err(StudyError::step("summary"))?;
    json.push('\n');
    let mut rows = Vec::new();
    write_points(&summary, &mut rows).map_err(StudyError::step("points.csv"))?;
    create_folder(&place.path)?;
    write_atomically(&place.path.join("points.csv"), &rows)?;
    let report = place.path.join("report.html");
    let page = sweep_page(&summary, |job| format!("jobs/{job:04}/report.html"));
    write_atomically(&report, page.as_bytes())?;
    write_atomically(&place.path.join("summary.json"), json.as_bytes())?;
    Ok(MergedSweep { text: findings(&summary).join("\n") + "\n", report })
}

/// A job's figures, and the level of its intervals.
fn point(sweep: &Sweep, place: &SweepFolder, job: u64) -> Result<(SweepPoint, Option<f64>), StudyError> {
    let empty = |missing: String| SweepPoint {
        job,
        place: sweep.place(job),
        missing: Some(missing),
        vehicle: String::new(),
        rule: None,
        headroom: None,
        policies: vec![],
    };
    match place.state(job) {
        JobState::Done => {}
        JobState::Failed(reason) => {
            // The first line says what; the page holds no path of the machine.
            let what = reason.lines().next().unwrap_or_default().replace(&*place.path.to_string_lossy(), "…");
            return Ok((empty(format!("failed: {what}")), None));
        }
        _ => return Ok((empty("not done yet".to_owned()), None)),
    }
    let file = place.result(job);
    let text = fs::read_to_string(&file).map_err(StoreError::io(&file))?;
    let wrong =
        |e: &dyn std::fmt::Display| StoreError::Content { file: file.clone(), problem: e.to_string() };
    let summary = Summary::from_json(&text).map_err(|e| wrong(&e))?;
    let point = SweepPoint {
        missing: None,
        vehicle: summary.vehicle.name.clone(),
        rule: rule_of(&summary),
        headroom: headroom_of(&summary),
        policies: figures_of(&summary),
        ..empty(String::new())
    };
    Ok((point, Some(summary.study.level)))
}
