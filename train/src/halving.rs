//! Search over settings by successive halving (Jamieson, Talwalkar 2016, "Non-stochastic best arm
//! identification and hyperparameter optimization", AISTATS): many trials train for a short time, the best
//! of them by validation go on from where they stand for several times as long, and so forth.
//!
//! Every trial of a contender learns from the same training courses with the same seed, and has a folder of
//! its own while the search lasts; what it came to in each rung is kept there, so that a search that was
//! interrupted goes on where it was.

use crate::config::{Contender, SearchConfig, Setting, StudyConfig};
use crate::error::StudyError;
use crate::jobs::{Guide, Workbench, job_of};
use crate::store::{StoreError, create_folder, read_json, write_atomically, write_json};
use crate::watch::Allowance;
use lowgear_agents::rule::RuleSettings;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;
use std::fs;
use std::path::{Path, PathBuf};

/// What one trial came to in one rung.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    /// Number of the trial, from 1; the first is the study as it stands.
    pub trial: u64,
    /// Number of the rung, from 1.
    pub rung: u64,
    /// Controller ticks that it has trained for, a little more than the rung asks for: episodes, rounds and
    /// generations are trained to their end.
    pub ticks: u64,
    /// Validation return of the policy that it would hand in, s.
    pub score_s: f64,
    /// Validation return of the policy it stands at, s, and its standard error.
    pub last_s: f64,
    /// Standard error of `last_s`, s.
    pub standard_error_s: f64,
    /// What went wrong so that it ended early, if something did.
    pub failure: Option<String>,
}

/// What the search came to for one contender: its file in the run folder.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Found {
    /// Every trial in every rung.
    pub standings: Vec<Standing>,
    /// Number of the trial that won.
    pub chosen: u64,
}

/// The search for one contender.
pub struct Halving<'a> {
    /// What its jobs share.
    pub bench: &'a Workbench<'a>,
    /// The study that the trials change.
    pub study: &'a StudyConfig,
    /// Budget and ranges.
    pub search: &'a SearchConfig,
    /// Who is searched for.
    pub contender: Contender,
    /// The rule that guides a learner.
    pub guide: &'a RuleSettings,
}

impl Standing {
    /// The better one first: sound ones, then by score, then by where they stand, then as drawn.
    fn rank(&self, other: &Standing) -> Ordering {
        let failed = self.failure.is_some().cmp(&other.failure.is_some());
        failed
            .then(other.score_s.total_cmp(&self.score_s))
            .then(other.last_s.total_cmp(&self.last_s))
            .then(self.trial.cmp(&other.trial))
    }
}

impl Found {
    /// The result that a run folder holds, if the search for this contender is over.
    ///
    /// # Errors
    /// [`StudyError::Store`].
    pub fn load(run: &Path, contender: Contender) -> Result<Option<Found>, StudyError> {
        let file = file_of(run, contender);
        Ok(if file.exists() { Some(read_json(&file)?) } else { None })
    }

    /// Controller ticks of all trials together.
    #[must_use]
    pub fn ticks(&self) -> u64 {
        let of_trial =
            |trial| self.standings.iter().filter(|s| s.trial == trial).map(|s| s.ticks).max().unwrap_or(0);
        let trials = self.standings.iter().map(|s| s.trial).max().unwrap_or(0);
        (1..=trials).map(of_trial).sum()
    }
}

fn file_of(run: &Path, contender: Contender) -> PathBuf {
    run.join("search").join(format!("{}.json", contender.name()))
}

impl Halving<'_> {
    /// Searches, or reads what was found before.
    ///
    /// # Errors
    /// [`StudyError`]; [`StudyError::Stopped`] with everything kept.
    pub fn find(&self) -> Result<Found, StudyError> {
        let run = &self.bench.folder;
        let folder = run.join("search").join(self.contender.name());
        let found = match Found::load(run, self.contender)? {
            Some(found) => found,
            None => {
                create_folder(&folder)?;
                let found = self.climb(&folder)?;
                write_json(&file_of(run, self.contender), &found)?;
                found
            }
        };
        // The trials' checkpoints are large and not needed any more.
        if folder.exists() {
            fs::remove_dir_all(&folder).map_err(StoreError::io(&folder))?;
        }
        Ok(found)
    }

    /// From rung to rung with fewer and fewer trials.
    fn climb(&self, folder: &Path) -> Result<Found, StudyError> {
        let mut trials: Vec<u64> = (1..=self.search.trials).collect();
        let mut standings = Vec::new();
        for rung in 0..self.search.rungs {
            trials.truncate(self.search.trials_in(rung) as usize);
            trials.sort_unstable();
            let mut rung: Vec<Standing> = trials
                .par_iter()
                .map(|&trial| self.try_out(&folder.join(format!("trial-{trial}")), trial, rung))
                .collect::<Result<_, _>>()?;
            standings.extend(rung.iter().cloned());
            rung.sort_by(Standing::rank);
            trials = rung.iter().map(|standing| standing.trial).collect();
        }
        Ok(Found { standings, chosen: trials[0] })
    }

    /// Trains one trial to the end of a rung, from where the rung before left it.
    fn try_out(&self, folder: &Path, trial: u64, rung: u64) -> Result<Standing, StudyError> {
        let file = folder.join(format!("rung-{}.json", rung + 1));
        if file.exists() {
            return Ok(read_json(&file)?);
        }
        let settings = self.search.settings(self.study, self.contender, trial)?;
        let study = self.contender.with(self.study, &settings)?.endless();
        let job = job_of(&study, self.contender, Guide { rule: self.guide, searches: &[] }, 0)
            .ok_or_else(|| StudyError::learner("search")("no such learner in the study".to_owned()))?;
        let allowance = Allowance { seconds: None, ticks: Some(self.search.ticks_by(rung)) };
        let name = format!("search {} trial {trial} rung {}", self.contender.name(), rung + 1);
        let record = self.bench.work(job.as_ref(), folder, allowance, &name)?.record;
        let last = record.curve.last();
        let standing = Standing {
            trial,
            rung: rung + 1,
            ticks: record.ticks,
            score_s: record.score,
            last_s: last.map_or(record.score, |p| p.mean),
            standard_error_s: last.map_or(0.0, |p| p.standard_error),
            failure: record.failure,
        };
        write_json(&file, &standing)?;
        Ok(standing)
    }
}

/// The study with what was found for each contender.
///
/// # Errors
/// Settings that do not fit, which [`SearchConfig`]'s check has ruled out.
pub fn chosen(
    study: &StudyConfig,
    search: &SearchConfig,
    found: &[(Contender, Found)],
) -> Result<StudyConfig, StudyError> {
    found.iter().try_fold(study.clone(), |study, (contender, found)| {
        let settings = search.settings(&study, *contender, found.chosen)?;
        Ok(contender.with(&study, &settings)?)
    })
}

/// Writes `search.csv`: one row per trial and rung.
///
/// # Errors
/// [`StudyError`].
pub fn write_csv(
    file: &Path,
    study: &StudyConfig,
    search: &SearchConfig,
    found: &[(Contender, Found)],
) -> Result<(), StudyError> {
    let fail = StudyError::step("search.csv");
    let mut rows = csv::Writer::from_writer(Vec::new());
    let header = [
        "contender",
        "trial",
        "values",
        "rung",
        "training_ticks",
        "validation_return_s",
        "last_validation_return_s",
        "last_standard_error_s",
        "chosen",
        "failure",
    ];
    rows.write_record(header).map_err(&fail)?;
    for (contender, Found { standings, chosen }) in found {
        for s in standings {
            let chosen = s.trial == *chosen && s.rung == search.rungs;
            let row = [
                contender.name().to_owned(),
                s.trial.to_string(),
                in_words(&search.settings(study, *contender, s.trial)?),
                s.rung.to_string(),
                s.ticks.to_string(),
                format!("{:.6}", s.score_s),
                format!("{:.6}", s.last_s),
                format!("{:.6}", s.standard_error_s),
                if chosen { "yes" } else { "" }.to_owned(),
                s.failure.clone().unwrap_or_default(),
            ];
            rows.write_record(row).map_err(&fail)?;
        }
    }
    let bytes = rows.into_inner().map_err(|e| fail_of(&e.to_string()))?;
    Ok(write_atomically(file, &bytes)?)
}

fn fail_of(problem: &str) -> StudyError {
    StudyError::Step { step: "search.csv", problem: problem.to_owned() }
}

/// Settings of a trial on one line.
fn in_words(settings: &[Setting]) -> String {
    if settings.is_empty() {
        return "as the study has them".to_owned();
    }
    settings.iter().map(|(key, value)| format!("{key} = {value}")).collect::<Vec<_>>().join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn standing(trial: u64, score_s: f64, last_s: f64, failed: bool) -> Standing {
        let failure = failed.then(|| "diverged".to_owned());
        Standing { trial, rung: 1, ticks: 10 * trial, score_s, last_s, standard_error_s: 0.0, failure }
    }

    #[test]
    fn trials_rank_by_soundness_then_score_then_where_they_stand_then_number() {
        let mut all = [
            standing(5, -1.0, -1.0, true),
            standing(4, -9.0, -9.0, false),
            standing(3, -2.0, -3.0, false),
            standing(2, -2.0, -2.5, false),
            standing(1, -2.0, -3.0, false),
        ];
        all.sort_by(Standing::rank);
        assert_eq!(all.map(|s| s.trial), [2, 1, 3, 4, 5]);
    }

    #[test]
    fn ticks_of_a_trial_that_went_on_count_once() {
        let mut standings = vec![standing(1, 0.0, 0.0, false), standing(2, 0.0, 0.0, false)];
        standings.push(Standing { rung: 2, ticks: 60, ..standings[1].clone() });
        assert_eq!(Found { standings, chosen: 2 }.ticks(), 10 + 60);
    }
}
