//! Tuning and training.

use super::{Inputs, RunFolder};
use crate::error::StudyError;
use crate::jobs::{ContextualJob, DqnJob, Job, PpoJob, RuleJob, TabularJob, Trained, Workbench};
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
    /// Ticks of all searches together.
    pub ticks: u64,
}

/// The training runs of one learner.
#[derive(Clone, Debug)]
pub struct LearnerRuns {
    /// Name, as its folder.
    pub learner: &'static str,
    /// Every run, in order.
    pub runs: Vec<Trained>,
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

/// Tunes the rules, then trains every learner over its seeds, as jobs over the threads.
///
/// # Errors
/// The first [`StudyError`] of a job.
pub(super) fn learn(
    inputs: &Inputs,
    folder: &RunFolder,
    reporter: &Reporter,
    stop: &StopRequest,
) -> Result<Learned, StudyError> {
    let study = &inputs.study;
    let bench = Workbench {
        training: TrainingSuite::new(&inputs.scenario),
        validation: ValidationSuite::new(&inputs.scenario, study.validation_courses),
        vehicle: inputs.scenario.vehicle.name.clone(),
        gears: inputs.scenario.gears(),
        seed: inputs.scenario.seed,
        folder: folder.path.clone(),
        reporter,
        stop,
    };
    let searches = study.tuning.searches;
    let tuning: Vec<RuleJob> = [Signal::MotorSpeed, Signal::SpeedRatio]
        .into_iter()
        .flat_map(|signal| (1..=searches).map(move |run| (signal, run)))
        .map(|(signal, run)| RuleJob { start: study.rule_on(signal), budget: study.tuning.budget, run })
        .collect();
    reporter.line(&format!("tuning the rules: {} searches", tuning.len()));
    let allowance = share(inputs, RULES, tuning.len());
    let tuned: Vec<Trained> =
        tuning.par_iter().map(|job| bench.finish(job, allowance)).collect::<Result<_, _>>()?;
    let (speed, load) = tuned.split_at(searches as usize);
    let speed_rule = best_rule(speed, &study.rule_on(Signal::MotorSpeed));
    let load_rule = best_rule(load, &study.rule_on(Signal::SpeedRatio));

    let jobs = learner_jobs(inputs, &load_rule.settings);
    reporter.line(&format!("training: {} runs", jobs.len()));
    let allowance = share(inputs, inputs.study.learners.count(), jobs.len());
    let trained: Vec<Trained> =
        jobs.par_iter().map(|job| bench.finish(job.as_ref(), allowance)).collect::<Result<_, _>>()?;
    let mut learners: Vec<LearnerRuns> = Vec::new();
    for (job, result) in jobs.iter().zip(trained) {
        match learners.iter_mut().find(|l| l.learner == job.learner()) {
            Some(runs) => runs.runs.push(result),
            None => learners.push(LearnerRuns { learner: job.learner(), runs: vec![result] }),
        }
    }
    Ok(Learned { speed_rule, load_rule, learners })
}

/// Rules that are tuned.
const RULES: usize = 2;

/// What each of `jobs` jobs may use: every contender, rule or learner, has the same part of the hours.
fn share(inputs: &Inputs, contenders: usize, jobs: usize) -> Allowance {
    let all = RULES + inputs.study.learners.count();
    let part = contenders as f64 / all as f64;
    let seconds = inputs.hours.map(|hours| job_share_s(hours, part, jobs, rayon::current_num_threads()));
    Allowance { seconds }
}

/// Every training run; the long ones first, so that the threads end together.
fn learner_jobs(inputs: &Inputs, rule: &RuleSettings) -> Vec<Box<dyn Job>> {
    let learners = &inputs.study.learners;
    let runs = 1..=inputs.study.training_seeds;
    let mut jobs: Vec<Box<dyn Job>> = Vec::new();
    for run in runs.clone() {
        if let Some(config) = &learners.contextual {
            jobs.push(Box::new(ContextualJob { rule: rule.clone(), budget: config.budget, run }));
        }
    }
    for run in runs.clone() {
        if let Some(config) = &learners.dqn {
            jobs.push(Box::new(DqnJob { config: config.clone(), rule: rule.clone(), run }));
        }
    }
    for run in runs.clone() {
        if let Some(config) = &learners.ppo {
            jobs.push(Box::new(PpoJob { config: config.clone(), rule: rule.clone(), run }));
        }
    }
    for run in runs {
        if let Some(config) = &learners.tabular {
            jobs.push(Box::new(TabularJob { config: config.clone(), rule: rule.clone(), run }));
        }
    }
    jobs
}

/// The best of several searches by validation, and the ticks of all.
fn best_rule(searches: &[Trained], start: &RuleSettings) -> TunedRule {
    let ticks = searches.iter().map(|s| s.record.ticks).sum();
    let best = searches.iter().max_by(|a, b| a.record.score.total_cmp(&b.record.score));
    let settings = match best.map(|b| &b.selected) {
        Some(SavedPolicy::Rule(settings)) => settings.clone(),
        _ => start.clone(),
    };
    TunedRule { settings, ticks }
}

impl Learned {
    /// The learner whose runs have the best mean validation score.
    #[must_use]
    pub fn best_learner(&self) -> Option<&LearnerRuns> {
        self.learners.iter().max_by(|a, b| a.mean_score().total_cmp(&b.mean_score()))
    }
}

impl LearnerRuns {
    /// Ticks of all runs together.
    pub(super) fn ticks(&self) -> u64 {
        self.runs.iter().map(|run| run.record.ticks).sum()
    }

    fn mean_score(&self) -> f64 {
        self.runs.iter().map(|r| r.record.score).sum::<f64>() / self.runs.len() as f64
    }
}
