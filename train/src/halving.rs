//! Search over hyper-parameters by successive halving (Jamieson, Talwalkar 2016, "Non-stochastic best arm
//! identification and hyperparameter optimization", AISTATS): many candidates train for a short time, the best
//! of them by validation go on from where they stand for several times as long, and so forth.
//!
//! Every candidate of a policy learns from the same training courses with the same seed, and has a folder of
//! its own while the search lasts; the result in each rung is kept there, so that a search that was
//! interrupted goes on where it was.

use crate::config::{HyperSearchConfig, PolicyKind, Setting, StudyConfig};
use crate::error::{LearnerError, StudyError};
use crate::jobs::{Guide, TrainingContext};
use crate::stop::JobBudget;
use crate::store::{StoreError, create_folder, read_json, write_atomically, write_json};
use lowgear_agents::rule::RuleSettings;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;
use std::fs;
use std::path::{Path, PathBuf};

/// The result of one candidate in one rung.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CandidateResult {
    /// Number of the candidate, from 1; the first is the study as it stands.
    pub candidate: u64,
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

/// The result of the search for one policy: its file in the run folder.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SearchResult {
    /// Every candidate in every rung.
    pub results: Vec<CandidateResult>,
    /// Number of the candidate that won.
    pub chosen: u64,
}

/// The search for one policy.
pub struct Halving<'a> {
    /// What its jobs share.
    pub context: &'a TrainingContext<'a>,
    /// The study that the candidates change.
    pub study: &'a StudyConfig,
    /// Budget and ranges.
    pub search: &'a HyperSearchConfig,
    /// Who is searched for.
    pub policy_kind: PolicyKind,
    /// The rule that guides a learner.
    pub guide: &'a RuleSettings,
}

impl CandidateResult {
    /// The better one first: sound ones, then by score, then by where they stand, then as drawn.
    fn rank(&self, other: &CandidateResult) -> Ordering {
        let failed = self.failure.is_some().cmp(&other.failure.is_some());
        failed
            .then(other.score_s.total_cmp(&self.score_s))
            .then(other.last_s.total_cmp(&self.last_s))
            .then(self.candidate.cmp(&other.candidate))
    }
}

impl SearchResult {
    /// The result that a run folder holds, if the search for this policy is over.
    ///
    /// # Errors
    /// [`StudyError::Store`].
    pub fn load(run: &Path, policy_kind: PolicyKind) -> Result<Option<SearchResult>, StudyError> {
        let file = file_of(run, policy_kind);
        Ok(if file.exists() { Some(read_json(&file)?) } else { None })
    }

    /// Controller ticks of all candidates together.
    #[must_use]
    pub fn ticks(&self) -> u64 {
        let of_candidate = |candidate| {
            self.results.iter().filter(|s| s.candidate == candidate).map(|s| s.ticks).max().unwrap_or(0)
        };
        let candidates = self.results.iter().map(|s| s.candidate).max().unwrap_or(0);
        (1..=candidates).map(of_candidate).sum()
    }
}

fn file_of(run: &Path, policy_kind: PolicyKind) -> PathBuf {
    run.join("hyper-search").join(format!("{}.json", policy_kind.name()))
}

impl Halving<'_> {
    /// Searches, or reads what was found before.
    ///
    /// # Errors
    /// [`StudyError`]; [`StudyError::Stopped`] with everything kept.
    pub fn find(&self) -> Result<SearchResult, StudyError> {
        let run = &self.context.folder;
        let folder = run.join("hyper-search").join(self.policy_kind.name());
        let found = match SearchResult::load(run, self.policy_kind)? {
            Some(found) => found,
            None => {
                create_folder(&folder)?;
                let found = self.run_rungs(&folder)?;
                write_json(&file_of(run, self.policy_kind), &found)?;
                found
            }
        };
        // The candidates' checkpoints are large and not needed any more.
        if folder.exists() {
            fs::remove_dir_all(&folder).map_err(StoreError::io(&folder))?;
        }
        Ok(found)
    }

    /// From rung to rung with fewer and fewer candidates.
    fn run_rungs(&self, folder: &Path) -> Result<SearchResult, StudyError> {
        let mut candidates: Vec<u64> = (1..=self.search.candidates).collect();
        let mut results = Vec::new();
        for rung in 0..self.search.rungs {
            candidates.truncate(self.search.candidates_in(rung) as usize);
            candidates.sort_unstable();
            let mut rung: Vec<CandidateResult> = candidates
                .par_iter()
                .map(|&candidate| {
                    self.evaluate_candidate(&folder.join(format!("candidate-{candidate}")), candidate, rung)
                })
                .collect::<Result<_, _>>()?;
            results.extend(rung.iter().cloned());
            rung.sort_by(CandidateResult::rank);
            candidates = rung.iter().map(|result| result.candidate).collect();
        }
        Ok(SearchResult { results, chosen: candidates[0] })
    }

    /// Trains one candidate to the end of a rung, from where the rung before left it.
    fn evaluate_candidate(
        &self,
        folder: &Path,
        candidate: u64,
        rung: u64,
    ) -> Result<CandidateResult, StudyError> {
        let file = folder.join(format!("rung-{}.json", rung + 1));
        if file.exists() {
            return Ok(read_json(&file)?);
        }
        let settings = self.search.settings(self.study, self.policy_kind, candidate)?;
        let study = self.policy_kind.with(self.study, &settings)?.without_step_limit();
        let job = self
            .policy_kind
            .job(&study, Guide { rule: self.guide, searches: &[] }, 0)
            .ok_or_else(|| StudyError::learner("search")(LearnerError::Absent))?;
        let job_budget = JobBudget { seconds: None, ticks: Some(self.search.ticks_by(rung)) };
        let name = format!("search {} candidate {candidate} rung {}", self.policy_kind.name(), rung + 1);
        let record = self.context.work(job.as_ref(), folder, job_budget, &name)?.record;
        let last = record.curve.last();
        let result = CandidateResult {
            candidate,
            rung: rung + 1,
            ticks: record.ticks,
            score_s: record.score,
            last_s: last.map_or(record.score, |p| p.mean),
            standard_error_s: last.map_or(0.0, |p| p.standard_error),
            failure: record.failure,
        };
        write_json(&file, &result)?;
        Ok(result)
    }
}

/// The study with what was found for each policy.
///
/// # Errors
/// Settings that do not fit, which [`HyperSearchConfig`]'s check has ruled out.
pub fn chosen(
    study: &StudyConfig,
    search: &HyperSearchConfig,
    found: &[(PolicyKind, SearchResult)],
) -> Result<StudyConfig, StudyError> {
    found.iter().try_fold(study.clone(), |study, (policy_kind, found)| {
        let settings = search.settings(&study, *policy_kind, found.chosen)?;
        Ok(policy_kind.with(&study, &settings)?)
    })
}

/// Writes `hyper-search.csv`: one row per candidate and rung.
///
/// # Errors
/// [`StudyError`].
pub fn write_csv(
    file: &Path,
    study: &StudyConfig,
    search: &HyperSearchConfig,
    found: &[(PolicyKind, SearchResult)],
) -> Result<(), StudyError> {
    let mut rows = csv::Writer::from_writer(Vec::new());
    let header = [
        "policy",
        "candidate",
        "values",
        "rung",
        "training_ticks",
        "validation_return_s",
        "last_validation_return_s",
        "last_standard_error_s",
        "chosen",
        "failure",
    ];
    rows.write_record(header)?;
    for (policy_kind, SearchResult { results, chosen }) in found {
        for s in results {
            let chosen = s.candidate == *chosen && s.rung == search.rungs;
            let row = [
                policy_kind.name().to_owned(),
                s.candidate.to_string(),
                in_words(&search.settings(study, *policy_kind, s.candidate)?),
                s.rung.to_string(),
                s.ticks.to_string(),
                format!("{:.6}", s.score_s),
                format!("{:.6}", s.last_s),
                format!("{:.6}", s.standard_error_s),
                if chosen { "yes" } else { "" }.to_owned(),
                s.failure.clone().unwrap_or_default(),
            ];
            rows.write_record(row)?;
        }
    }
    let bytes = rows.into_inner().map_err(|e| csv::Error::from(e.into_error()))?;
    Ok(write_atomically(file, &bytes)?)
}

/// Settings of a candidate on one line.
fn in_words(settings: &[Setting]) -> String {
    if settings.is_empty() {
        return "as the study has them".to_owned();
    }
    settings.iter().map(|(key, value)| format!("{key} = {value}")).collect::<Vec<_>>().join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn result(candidate: u64, score_s: f64, last_s: f64, failed: bool) -> CandidateResult {
        let failure = failed.then(|| "diverged".to_owned());
        CandidateResult {
            candidate,
            rung: 1,
            ticks: 10 * candidate,
            score_s,
            last_s,
            standard_error_s: 0.0,
            failure,
        }
    }

    #[test]
    fn candidates_rank_by_soundness_then_score_then_where_they_stand_then_number() {
        let mut all = [
            result(5, -1.0, -1.0, true),
            result(4, -9.0, -9.0, false),
            result(3, -2.0, -3.0, false),
            result(2, -2.0, -2.5, false),
            result(1, -2.0, -3.0, false),
        ];
        all.sort_by(CandidateResult::rank);
        assert_eq!(all.map(|s| s.candidate), [2, 1, 3, 4, 5]);
    }

    #[test]
    fn ticks_of_a_candidate_that_went_on_count_once() {
        let mut results = vec![result(1, 0.0, 0.0, false), result(2, 0.0, 0.0, false)];
        results.push(CandidateResult { rung: 2, ticks: 60, ..results[1].clone() });
        assert_eq!(SearchResult { results, chosen: 2 }.ticks(), 10 + 60);
    }
}
