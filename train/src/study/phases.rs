//! Tuning and training.

use super::{Inputs, RunFolder};
use crate::config::{PolicyKind, StudyConfig};
use crate::damage_limit::DamageLimit;
use crate::error::{PolicyError, StudyError};
use crate::halving::{Halving, SearchResult, chosen, write_csv};
use crate::jobs::{Guide, Job, RuleJob, SavedPolicy, TrainingContext, TrainingResult};
use crate::progress::Reporter;
use crate::stop::{JobBudget, StopRequest, job_share_s};
use lowgear_agents::rule::{PreviewRule, Rule, RuleSettings, Signal};
use lowgear_eval::suite::{TrainingSuite, ValidationSuite};
use rayon::prelude::*;

/// A rule that was tuned.
#[derive(Clone, Debug)]
pub struct TunedRule {
    /// The best of the searches.
    pub settings: RuleSettings,
    /// Its validation score, s.
    pub score: f64,
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
    let mut context = training_context(inputs, folder, reporter, stop);
    let given = inputs.study.clone();
    let mut found = search(&context, &given, PolicyKind::RULES, &given.rule)?;
    inputs.study = with_found(&given, &found)?;
    let mut rules = tune(&mut context, inputs)?;
    let [_, load, ahead @ ..] = &rules[..] else { return Err(StudyError::Nothing("tuning: no rule")) };
    let guide = guide(load, ahead.first());
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
        limit: None,
    }
}

/// The limit on damage that the study has, measured by the tuned rule without a sensor ahead.
///
/// # Errors
/// [`StudyError::Policy`] when the rule does not fit the vehicle.
pub(super) fn damage_limit(inputs: &Inputs, rule: &RuleSettings) -> Result<Option<DamageLimit>, StudyError> {
    let Some(ratio) = inputs.study.most_damage else { return Ok(None) };
    let rule = Rule::new(rule.clone(), inputs.scenario.gears()).map_err(PolicyError::from)?;
    Ok(Some(DamageLimit { rule, ratio }))
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

/// The rules on motor speed and on load ratio, tuned. On a vehicle with a sensor ahead the latter are tuned once more,
/// from where their searches ended and with the same budget, with what they do about strikes ahead.
fn tune(context: &mut TrainingContext<'_>, inputs: &Inputs) -> Result<Vec<TunedRule>, StudyError> {
    let study = &inputs.study;
    let searches = study.tuning.searches;
    let starts: Vec<RuleSettings> = [Signal::MotorSpeed, Signal::SpeedRatio]
        .into_iter()
        .flat_map(|signal| (1..=searches).map(move |_| study.rule_on(signal)))
        .collect();
    let tuned = tune_from(context, inputs, &starts)?;
    let mut rules: Vec<TunedRule> =
        tuned.chunks(searches as usize).zip(starts.chunks(searches as usize)).map(best_rule).collect();
    context.limit = damage_limit(inputs, &rules[1].settings)?;
    if let Some(preview) = looking_ahead(inputs) {
        let ahead = |rule: &RuleSettings| RuleSettings { preview: Some(preview.clone()), ..rule.clone() };
        let starts: Vec<RuleSettings> = rules[1].searches.iter().map(ahead).collect();
        let tuned = tune_from(context, inputs, &starts)?;
        rules.push(best_rule((&tuned, &starts)));
    }
    Ok(rules)
}

/// Searches for rules, one from each start; those that start from one signal are numbered from 1.
fn tune_from(
    context: &TrainingContext<'_>,
    inputs: &Inputs,
    starts: &[RuleSettings],
) -> Result<Vec<TrainingResult>, StudyError> {
    let (study, searches) = (&inputs.study, inputs.study.tuning.searches);
    let jobs: Vec<Box<dyn Job>> = (0..)
        .zip(starts)
        .map(|(i, start)| {
            let budget = study.tuning.budget_of(start.signal);
            Box::new(RuleJob { start: start.clone(), budget, run: i % searches + 1 }) as Box<dyn Job>
        })
        .collect();
    context.reporter.line(&format!("tuning the rules: {} searches", jobs.len()));
    let kinds = jobs.len() / searches.max(1) as usize;
    finish(context, &jobs, share(inputs, kinds, jobs.len()))
}

/// The rule that learners begin from: the better one by validation. On a vehicle with a sensor ahead the rule that
/// does without it has an idle part for strikes, so that learners have the features to begin with.
fn guide(load: &TunedRule, ahead: Option<&TunedRule>) -> TunedRule {
    let Some(ahead) = ahead else { return load.clone() };
    if ahead.score >= load.score {
        return ahead.clone();
    }
    let idle = |rule: &RuleSettings| RuleSettings {
        preview: Some(PreviewRule::idle(rule.up_permille.len() + 1, rule.hold_decisions)),
        ..rule.clone()
    };
    TunedRule {
        settings: idle(&load.settings),
        searches: load.searches.iter().map(idle).collect(),
        ..load.clone()
    }
}

/// What the rule by hand does about strikes ahead, on a vehicle with a sensor ahead.
fn looking_ahead(inputs: &Inputs) -> Option<PreviewRule> {
    let sensor = inputs.scenario.settings.features.preview;
    let usual = || PreviewRule::before_high(inputs.scenario.gears(), sensor.ahead_mm);
    sensor.fitted.then(|| inputs.study.rule.preview.clone().unwrap_or_else(usual))
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
fn best_rule((searches, starts): (&[TrainingResult], &[RuleSettings])) -> TunedRule {
    let rule = |(search, start): (&TrainingResult, &RuleSettings)| match &search.selected {
        SavedPolicy::Rule(settings) => settings.clone(),
        _ => start.clone(),
    };
    let found = || searches.iter().zip(starts);
    let best = found().max_by(|(a, _), (b, _)| a.record.score.total_cmp(&b.record.score));
    TunedRule {
        settings: best.map_or_else(|| starts[0].clone(), rule),
        score: best.map_or(f64::NEG_INFINITY, |(search, _)| search.record.score),
        searches: found().map(rule).collect(),
        ticks: searches.iter().map(|s| s.record.ticks).sum(),
    }
}

impl TrainingOutcome {
    /// The tuned rule that learners begin from: the better one by validation.
    #[must_use]
    pub fn guide(&self) -> TunedRule {
        guide(&self.load_rule, self.preview_rule.as_ref())
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
