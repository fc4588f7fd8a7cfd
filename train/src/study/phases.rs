//! Tuning and training.

use super::{Inputs, RunFolder};
use crate::config::{PolicyKind, StudyConfig};
use crate::error::StudyError;
use crate::halving::{Halving, SearchResult, chosen, write_csv};
use crate::jobs::{Guide, Job, RuleJob, SavedPolicy, TrainingContext, TrainingResult};
use crate::progress::Reporter;
use crate::stop::{JobBudget, StopRequest, job_share_s};
use lowgear_agents::rule::{PreviewRule, RuleSettings, Signal};
use lowgear_eval::suite::{TrainingSuite, ValidationSuite};
use rayon::prelude::*;

/// A rule that was tuned.
#[derive(Clone, Debug)]
pub struct TunedRule {
    /// The best of the searches.
    pub settings: RuleSettings,
    /// The result of each search.
    pub searches: Vec<RuleSettings>,
    /// Ticks of all searches together, for thresholds and, with `--hyper-search`, for settings.
    pub ticks: u64,
}

/// The training runs of one learner.
#[derive(Clone, Debug)]
pub struct LearnerRuns {
    /// Name, as its folder.
    pub learner: &'static str,
    /// Every run, in order.
    pub runs: Vec<TrainingResult>,
    /// Ticks of the search for its settings, if there was one.
    pub search_ticks: u64,
}

/// Results of tuning and training.
#[derive(Clone, Debug)]
pub struct TrainingOutcome {
    /// Rule on motor speed.
    pub speed_rule: TunedRule,
    /// Rule on load ratio.
    pub load_rule: TunedRule,
    /// Rule on load ratio that looks ahead, on a vehicle with a sensor ahead.
    pub preview_rule: Option<TunedRule>,
    /// Learners.
    pub learners: Vec<LearnerRuns>,
}

/// Tunes the rules, then trains every learner over its seeds, as jobs over the threads. With `--hyper-search`
/// hyper-parameters are searched before each of the two, and the study goes on with what was found.
///
/// # Errors
/// The first [`StudyError`] of a job.
pub(super) fn learn(
    inputs: &mut Inputs,
    folder: &RunFolder,
    reporter: &Reporter,
    stop: &StopRequest,
) -> Result<TrainingOutcome, StudyError> {
    let context = training_context(inputs, folder, reporter, stop);
    let given = inputs.study.clone();
    let mut found = search(&context, &given, PolicyKind::RULES, &given.rule)?;
    inputs.study = with_found(&given, &found)?;
    let mut rules = tune(&context, inputs)?;
    // The rule that looks ahead, where there is one, comes last.
    let guide = rules.last().ok_or(StudyError::Nothing("tuning: no rule"))?.clone();
    let guide = Guide { rule: &guide.settings, searches: &guide.searches };
    found.extend(search(&context, &given, PolicyKind::learners(), guide.rule)?);
    inputs.study = with_found(&given, &found)?;
    let mut learners = train(&context, inputs, guide)?;
    if let Some(search) = &given.hyper_search {
        write_csv(&folder.file("hyper-search.csv"), &given, search, &found)?;
        folder.keep_study(inputs)?;
    }
    for (policy_kind, found) in &found {
        match policy_kind {
            PolicyKind::SpeedRule => rules[0].ticks += found.ticks(),
            PolicyKind::LoadRule => rules[1].ticks += found.ticks(),
            learner => learners
                .iter_mut()
                .filter(|l| l.learner == learner.name())
                .for_each(|l| l.search_ticks = found.ticks()),
        }
    }
    let mut rules = rules.into_iter();
    let (Some(speed_rule), Some(load_rule)) = (rules.next(), rules.next()) else {
        return Err(StudyError::Nothing("tuning: no rule"));
    };
    Ok(TrainingOutcome { speed_rule, load_rule, preview_rule: rules.next(), learners })
}

/// What the jobs of a study share.
pub(super) fn training_context<'a>(
    inputs: &Inputs,
    folder: &RunFolder,
    reporter: &'a Reporter,
    stop: &'a StopRequest,
) -> TrainingContext<'a> {
    TrainingContext {
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

/// What a search over hyper-parameters finds for those of `policy_kinds` that are in the study; nothing without one.
fn search(
    context: &TrainingContext<'_>,
    study: &StudyConfig,
    policy_kinds: impl IntoIterator<Item = PolicyKind>,
    guide: &RuleSettings,
) -> Result<Vec<(PolicyKind, SearchResult)>, StudyError> {
    let Some(search) = &study.hyper_search else { return Ok(vec![]) };
    let taking_part: Vec<PolicyKind> = policy_kinds.into_iter().filter(|c| c.is_in(study)).collect();
    context.reporter.line(&format!(
        "searching for hyper-parameters: {} policies, {} candidates and {} ticks each",
        taking_part.len(),
        search.candidates,
        search.ticks()
    ));
    let find = |policy_kind: PolicyKind| {
        Halving { context, study, search, policy_kind, guide }.find().map(|found| (policy_kind, found))
    };
    taking_part.into_par_iter().map(find).collect()
}

/// The study with the settings that were found.
fn with_found(study: &StudyConfig, found: &[(PolicyKind, SearchResult)]) -> Result<StudyConfig, StudyError> {
    study.hyper_search.as_ref().map_or_else(|| Ok(study.clone()), |search| chosen(study, search, found))
}

/// The rules on motor speed and on load ratio, and the latter once more with the sensor ahead if there is one, tuned
/// with the same budget.
fn tune(context: &TrainingContext<'_>, inputs: &Inputs) -> Result<Vec<TunedRule>, StudyError> {
    let study = &inputs.study;
    let load_budget = study.tuning.budget_of(Signal::SpeedRatio);
    let mut starts = vec![
        (study.rule_on(Signal::MotorSpeed), study.tuning.budget_of(Signal::MotorSpeed)),
        (study.rule_on(Signal::SpeedRatio), load_budget),
    ];
    starts.extend(looking_ahead(inputs).map(|start| (start, load_budget)));
    let searches = study.tuning.searches;
    let jobs: Vec<Box<dyn Job>> = starts
        .iter()
        .flat_map(|(start, budget)| {
            let job = move |run| RuleJob { start: start.clone(), budget: *budget, run };
            (1..=searches).map(move |run| Box::new(job(run)) as Box<dyn Job>)
        })
        .collect();
    context.reporter.line(&format!("tuning the rules: {} searches", jobs.len()));
    let tuned = finish(context, &jobs, share(inputs, rules(inputs), jobs.len()))?;
    let of_each = tuned.chunks(searches as usize);
    Ok(of_each.zip(&starts).map(|(searches, (start, _))| best_rule(searches, start)).collect())
}

/// The rule by hand with what it does about strikes ahead, on a vehicle with a sensor ahead.
fn looking_ahead(inputs: &Inputs) -> Option<RuleSettings> {
    let sensor = inputs.scenario.settings.features.preview;
    let usual = || PreviewRule::before_high(inputs.scenario.gears(), sensor.ahead_mm);
    let preview = inputs.study.rule.preview.clone().unwrap_or_else(usual);
    let rule = inputs.study.rule_on(Signal::SpeedRatio);
    sensor.fitted.then_some(RuleSettings { preview: Some(preview), ..rule })
}

/// Number of rules that are tuned.
fn rules(inputs: &Inputs) -> usize {
    PolicyKind::RULES.len() + usize::from(inputs.scenario.settings.features.preview.fitted)
}

/// Every learner over its seeds; the long runs first, so that the threads end together.
fn train(
    context: &TrainingContext<'_>,
    inputs: &Inputs,
    guide: Guide<'_>,
) -> Result<Vec<LearnerRuns>, StudyError> {
    let study = &inputs.study;
    let runs = 1..=study.training_seeds;
    let jobs: Vec<Box<dyn Job>> = PolicyKind::learners()
        .flat_map(|learner| runs.clone().filter_map(move |run| learner.job(study, guide, run)))
        .collect();
    context.reporter.line(&format!("training: {} runs", jobs.len()));
    let trained = finish(context, &jobs, share(inputs, study.learners.count(), jobs.len()))?;
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
    context: &TrainingContext<'_>,
    jobs: &[Box<dyn Job>],
    job_budget: JobBudget,
) -> Result<Vec<TrainingResult>, StudyError> {
    jobs.par_iter().map(|job| context.finish(job.as_ref(), job_budget)).collect()
}

/// What each of `jobs` jobs may use: every policy, rule, learner or search of the tables' edges, has the same part of
/// the hours.
pub(super) fn share(inputs: &Inputs, policy_kinds: usize, jobs: usize) -> JobBudget {
    let tables = usize::from(inputs.study.table.edge_refinement.is_some());
    let all = rules(inputs) + inputs.study.learners.count() + tables;
    let part = policy_kinds as f64 / all as f64;
    let seconds = inputs.hours.map(|hours| job_share_s(hours, part, jobs, rayon::current_num_threads()));
    JobBudget { seconds, ticks: None }
}

/// The best of several searches by validation, and the ticks of all.
fn best_rule(searches: &[TrainingResult], start: &RuleSettings) -> TunedRule {
    let ticks = searches.iter().map(|s| s.record.ticks).sum();
    let best = searches.iter().max_by(|a, b| a.record.score.total_cmp(&b.record.score));
    let rule = |search: &TrainingResult| match &search.selected {
        SavedPolicy::Rule(settings) => settings.clone(),
        _ => start.clone(),
    };
    TunedRule {
        settings: best.map_or_else(|| start.clone(), rule),
        searches: searches.iter().map(rule).collect(),
        ticks,
    }
}

impl TrainingOutcome {
    /// The tuned rule that learners begin from.
    #[must_use]
    pub fn guide(&self) -> &TunedRule {
        self.preview_rule.as_ref().unwrap_or(&self.load_rule)
    }

    /// The learner whose runs have the best mean validation score.
    #[must_use]
    pub fn best_learner(&self) -> Option<&LearnerRuns> {
        self.learners.iter().max_by(|a, b| a.mean_score().total_cmp(&b.mean_score()))
    }
}

impl LearnerRuns {
    /// Ticks of the search over hyper-parameters and of all runs together.
    pub(super) fn ticks(&self) -> u64 {
        self.search_ticks + self.runs.iter().map(|run| run.record.ticks).sum::<u64>()
    }

    fn mean_score(&self) -> f64 {
        self.runs.iter().map(|r| r.record.score).sum::<f64>() / self.runs.len() as f64
    }
}
