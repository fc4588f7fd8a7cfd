//! Logs of the real vehicle on the command line: where they are, what their columns are called, what was met in them.

use crate::error::StudyError;
use crate::jobs::PolicyInstance;
use crate::progress::Reporter;
use lowgear_agents::policy::Policy;
use lowgear_env::config::escaped;
use lowgear_env::config::load;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Drive, Scenario, World, run_episode};
use lowgear_eval::replay::TrainingCoverage;
use lowgear_eval::suite::TrainingSuite;
use lowgear_sysid::fit::still_rad_s;
use lowgear_sysid::log::{LogReader, Mapping};
use lowgear_sysid::runs::{Collected, Collector, Limits};
use std::path::PathBuf;
use std::sync::Arc;

/// How logs are read.
#[derive(clap::Args)]
pub struct LogArguments {
    /// Names and units of columns that are not the usual ones (TOML)
    #[arg(long, value_name = "FILE")]
    mapping: Option<PathBuf>,
}

impl LogArguments {
    /// The mapping file, if one was given.
    #[must_use]
    pub fn file(&self) -> Option<&PathBuf> {
        self.mapping.as_ref()
    }

    /// The mapping, or the usual names.
    ///
    /// # Errors
    /// The mapping file.
    pub fn mapping(&self) -> Result<Mapping, StudyError> {
        Ok(match &self.mapping {
            Some(file) => load(file)?,
            None => Mapping::default(),
        })
    }
}

/// Runs from logs, and what was met in them, one finding a line.
///
/// # Errors
/// A log that cannot be read.
pub fn collect(
    vehicle: &VehicleConfig,
    logs: &[PathBuf],
    mapping: &Mapping,
    reporter: &Reporter,
) -> Result<(Collected, String), StudyError> {
    let mut collector =
        Collector::new(vehicle, Limits::default(), mapping.surface.clone(), still_rad_s(vehicle));
    let mut notes = String::new();
    for file in logs {
        let mut log = LogReader::open(file, mapping)?;
        let megabytes = std::fs::metadata(file).map_or(0, |m| m.len() >> 20);
        let name = escaped(&file.file_name().unwrap_or_default().to_string_lossy());
        let job = (megabytes >= 64).then(|| reporter.job(&format!("reading {name}"), megabytes));
        collector.read(&mut log, |bytes| {
            if let Some(job) = &job {
                job.update(bytes >> 20, megabytes, "MB");
            }
        })?;
        if let Some(job) = job {
            job.finish("read");
        }
        for line in log.counters().text().lines() {
            notes.push_str(&format!("{name}: {line}\n"));
        }
    }
    let collected = collector.finish();
    for (what, (times, line)) in &collected.notes {
        notes.push_str(&format!(
            "line {line}{}: {what}\n",
            if *times > 1 { format!(" and {} more times", times - 1) } else { String::new() }
        ));
    }
    Ok((collected, notes))
}

/// Training courses that tell what training sees.
const COURSES: u64 = 40;

/// What a policy sees on training courses, driven by itself.
#[must_use]
pub fn training_coverage(scenario: &Scenario, instance: &PolicyInstance) -> TrainingCoverage {
    let suite = TrainingSuite::new(scenario);
    let mut seen = TrainingCoverage::default();
    for episode in 0..COURSES {
        let mut driver = instance.clone();
        driver.reset();
        let mut drive = Drive::new(Arc::clone(suite.scenario()), episode);
        let decide = |drive: &Drive| {
            seen.record(drive.observation());
            driver.decide(drive.observation(), drive.mask())
        };
        run_episode(&mut drive, decide, |_, _, _| {});
    }
    seen
}
