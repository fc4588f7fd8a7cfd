//! Tuning and training.

use super::{Inputs, RunFolder};
use crate::config::{Contender, StudyConfig};
use crate::error::StudyError;
use crate::halving::{Found, Halving, chosen, write_csv};
use crate::jobs::{Guide, Job, Trained, Workbench, job_of};
use crate::progress::Reporter;
use crate::saved::SavedPolicy;
use crate::watch::{Allowance, StopRequest, job_share_s};
use lowgear_agents::rule::{RuleSettings, Signal};
use lowgear_eval::suite::{TrainingSuite, ValidationSuite};
use rayon::prelude::*;

/// A rule that was tuned.
#[derive(Clone, Debug)]
pub struct TunedRule {
    /// The best of the searches.
    pub settings: RuleSettings,
    /// What each search came to.
    pub searches: Vec<RuleSettings>,
    /// Ticks of all searches together, for thresholds and, with `--search`, for settings.
    pub ticks: u64,
}

/// The training runs of one learner.
#[derive(Clone, Debug)]
pub struct LearnerRuns {
    /// Name, as its folder.
    pub learner: &'static str,
    /// Every run, in order.
    pub runs: Vec<Trained>,
    /// Ticks of the search for its settings, if there was one.
    pub search_ticks: u64,
}

/// Everything that tuning and training came to.
#[derive(Clone, Debug)]
pub struct Learned {
    /// Rule on motor speed.
    pub speed_rule: TunedRule,
    /// Rule on load ratio.
    pub load_rule: TunedRule,
    /// Learners.
    pub learners: Vec<LearnerRuns>,
}

/// Tunes the rules, then trains every learner over its seeds, as jobs over the threads. With `--search`
/// settings are searched for before each of the two, and the study goes on with what was found.
///
/// # Errors
/// The first [`StudyError`] of a job.
pub(super) fn learn(
    inputs: &mut Inputs,
    folder: &RunFolder,
    reporter: &Reporter,
    stop: &StopRequest,
) -> Result<Learned, StudyError> {
    let bench = workbench(inputs, folder, reporter, stop);
    let given = inputs.study.clone();
    let mut found = search(&bench, &given, &Contender::RULES, &given.rule)?;
    inputs.study = with_found(&given, &found)?;
    let mut rules = tune(&bench, inputs)?;
    let guide = Guide { rule: &rules[1].settings, searches: &rules[1].searches };
    found.extend(search(&bench, &given, &Contender::LEARNERS, guide.rule)?);
    inputs.study = with_found(&given, &found)?;
    let mut learners = train(&bench, inputs, guide)?;
    if let Some(search) = &given.search {
        write_csv(&folder.file("search.csv"), &given, search, &found)?;
        folder.keep_study(inputs)?;
    }
    for (contender, found) in &found {
        match contender {
            Contender::SpeedRule => rules[0].ticks += found.ticks(),
            Contender::LoadRule => rules[1].ticks += found.ticks(),
            learner => learners
                .iter_mut()
                .filter(|l| l.learner == learner.name())
                .for_each(|l| l.search_ticks = found.ticks()),
        }
    }
    let [speed_rule, load_rule] = rules;
    Ok(Learned { speed_rule, load_rule, learners })
}

/// What the jobs of a study share.
pub(super) fn workbench<'a>(
    inputs: &Inputs,
    folder: &RunFolder,
    reporter: &'a Reporter,
    stop: &'a StopRequest,
) -> Workbench<'a> {
    Workbench {
        training: TrainingSuite::new(&inputs.scenario),
        validation: ValidationSuite::new(&inputs.scenario, inputs.study.validation_courses),
        vehicle: inputs.scenario.vehicle.name.clone(),
        gears: inputs.scenario.gears(),
        seed: inputs.scenario.seed,
        folder: folder.path.clone(),
        digest: folder.digest.clone(),
        reporter,
        stop,
    }
}

/// What a search over settings finds for those of `contenders` that are in the study; nothing without one.
fn search(
    bench: &Workbench<'_>,
    study: &StudyConfig,
    contenders: &[Contender],
    guide: &RuleSettings,
) -> Result<Vec<(Contender, Found)>, StudyError> {
    let Some(search) = &study.search else { return Ok(vec![]) };
    let taking_part: Vec<Contender> = contenders.iter().copied().filter(|c| c.is_in(study)).collect();
    bench.reporter.line(&format!(
        "searching for settings: {} contenders, {} trials and {} ticks each",
        taking_part.len(),
        search.trials,
        search.ticks()
    ));
    let find = |contender: Contender| {
        Halving { bench, study, search, contender, guide }.find().map(|found| (contender, found))
    };
    taking_part.into_par_iter().map(find).collect()
}

/// The study with the settings that were found.
fn with_found(study: &StudyConfig, found: &[(Contender, Found)]) -> Result<StudyConfig, StudyError> {
    study.search.as_ref().map_or_else(|| Ok(study.clone()), |search| chosen(study, search, found))
}

/// The rules on motor speed and on load ratio, tuned.
fn tune(bench: &Workbench<'_>, inputs: &Inputs) -> Result<[TunedRule; 2], StudyError> {
    let study = &inputs.study;
    let searches = study.tuning.searches;
    let start = Guide { rule: &study.rule, searches: &[] };
    let jobs: Vec<Box<dyn Job>> = Contender::RULES
        .into_iter()
        .flat_map(|rule| (1..=searches).filter_map(move |run| job_of(study, rule, start, run)))
        .collect();
    bench.reporter.line(&format!("tuning the rules: {} searches", jobs.len()));
    let tuned = finish(bench, &jobs, share(inputs, Contender::RULES.len(), jobs.len()))?;
    let (speed, load) = tuned.split_at(searches as usize);
    Ok([
        best_rule(speed, &study.rule_on(Signal::MotorSpeed)),
        best_rule(load, &study.rule_on(Signal::SpeedRatio)),
    ])
}

/// Every learner over its seeds; the long runs first, so that the threads end together.
fn train(bench: &Workbench<'_>, inputs: &Inputs, guide: Guide<'_>) -> Result<Vec<LearnerRuns>, StudyError> {
    let study = &inputs.study;
    let runs = 1..=study.training_seeds;
    let jobs: Vec<Box<dyn Job>> = Contender::LEARNERS
        .into_iter()
        .flat_map(|learner| runs.clone().filter_map(move |run| job_of(study, learner, guide, run)))
        .collect();
    bench.reporter.line(&format!("training: {} runs", jobs.len()));
    let trained = finish(bench, &jobs, share(inputs, study.learners.count(), jobs.len()))?;
    let mut learners: Vec<LearnerRuns> = Vec::new();
    for (job, result) in jobs.iter().zip(trained) {
        match learners.iter_mut().find(|l| l.learner == job.learner()) {
            Some(runs) => runs.runs.push(result),
            None => {
                learners.push(LearnerRuns { learner: job.learner(), runs: vec![result], search_ticks: 0 });
            }
        }
    }
    Ok(learners)
}

/// Runs jobs over the threads; results in their order.
fn finish(
    bench: &Workbench<'_>,
    jobs: &[Box<dyn Job>],
    allowance: Allowance,
) -> Result<Vec<Trained>, StudyError> {
    jobs.par_iter().map(|job| bench.finish(job.as_ref(), allowance)).collect()
}

/// What each of `jobs` jobs may use: every contender, rule, learner or search of the tables' edges, has the same part of
/// the hours.
pub(super) fn share(inputs: &Inputs, contenders: usize, jobs: usize) -> Allowance {
    let tables = usize::from(inputs.study.table.trim.is_some());
    let all = Contender::RULES.len() + inputs.study.learners.count() + tables;
    let part = contenders as f64 / all as f64;
    let seconds = inputs.hours.map(|hours| job_share_s(hours, part, jobs, rayon::current_num_threads()));
    Allowance { seconds, ticks: None }
}

/// The best of several searches by validation, and the ticks of all.
fn best_rule(searches: &[Trained], start: &RuleSettings) -> TunedRule {
    let ticks = searches.iter().map(|s| s.record.ticks).sum();
    let best = searches.iter().max_by(|a, b| a.record.score.total_cmp(&b.record.score));
    let rule = |search: &Trained| match &search.selected {
        SavedPolicy::Rule(settings) => settings.clone(),
        _ => start.clone(),
    };
    TunedRule {
        settings: best.map_or_else(|| start.clone(), rule),
        searches: searches.iter().map(rule).collect(),
        ticks,
    }
}

impl Learned {
    /// The learner whose runs have the best mean validation score.
    #[must_use]
    pub fn best_learner(&self) -> Option<&LearnerRuns> {
        self.learners.iter().max_by(|a, b| a.mean_score().total_cmp(&b.mean_score()))
    }
}

impl LearnerRuns {
    /// Ticks of the search over settings and of all runs together.
    pub(super) fn ticks(&self) -> u64 {
        self.search_ticks + self.runs.iter().map(|run| run.record.ticks).sum::<u64>()
    }

    fn mean_score(&self) -> f64 {
        self.runs.iter().map(|r| r.record.score).sum::<f64>() / self.runs.len() as f64
    }
}
