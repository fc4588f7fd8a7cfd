//! Tables that are trained for a vehicle without a sensor ahead and with each one; the tuned rule stays where validation
//! prefers it.

use super::SensorOptions;
use super::tuning::{Arm, Tuned};
use crate::error::{LearnerError, StudyError};
use crate::jobs::{PolicyInstance, PpoTraining, SavedPolicy};
use crate::progress::Reporter;
use lowgear_agents::ppo::{EnvSlot, FeatureScaler, Ppo, PpoPolicy, RuleGuide, train};
use lowgear_agents::rule::RuleSettings;
use lowgear_agents::table::LookupTable;
use lowgear_env::{PRIVILEGED, Scenario, Seed};
use lowgear_eval::suite::{TrainingSuite, ValidationSuite, run_seed, training_world};
use rayon::prelude::*;
use std::ops::ControlFlow;

/// Number of the training among what seeds are made from.
const NUMBER: u64 = 12;

/// How controllers are trained.
pub struct SensorTraining<'a> {
    /// Training of the policy networks.
    pub network: PpoTraining,
    /// Makes a table of what a network has learned; with its mean return on the validation courses, s.
    pub distil: &'a Distil<'a>,
}

/// What makes a table for a vehicle on its ground, from a teacher; the rule decides where the teacher never was.
pub type Distil<'a> = dyn Fn(&Scenario, &PolicyInstance, &RuleSettings, Seed) -> Result<(LookupTable, f64), StudyError>
    + Sync
    + 'a;

/// The controller of each arm.
pub(super) fn controllers(
    arms: &[&Arm],
    tuned: &[Tuned],
    training: &SensorTraining<'_>,
    options: &SensorOptions,
    reporter: &Reporter,
) -> Result<Vec<PolicyInstance>, StudyError> {
    arms.par_iter()
        .zip(tuned)
        .map(|(arm, tuned)| {
            let instance = |policy: SavedPolicy| {
                let made = policy.instantiate(arm.scenario.gears());
                made.map_err(|problem| StudyError::learner("ppo")(problem.into()))
            };
            let seed = run_seed(arm.scenario.seed, NUMBER, 1);
            let teacher = teacher(arm, tuned, &training.network, options, seed, reporter)?;
            let teacher = instance(SavedPolicy::Ppo(Box::new(teacher)))?;
            let (table, score) = (training.distil)(&arm.scenario, &teacher, &tuned.settings, seed)?;
            instance(if score > tuned.score {
                SavedPolicy::Table(table.to_json()?)
            } else {
                SavedPolicy::Rule(tuned.settings.clone())
            })
        })
        .collect()
}

/// A policy network for an arm: the best by validation along its training.
fn teacher(
    arm: &Arm,
    tuned: &Tuned,
    training: &PpoTraining,
    options: &SensorOptions,
    seed: Seed,
    reporter: &Reporter,
) -> Result<PpoPolicy, StudyError> {
    let fail = |problem: LearnerError| StudyError::learner("ppo")(problem);
    let config = &training.settings;
    let gears = arm.scenario.gears();
    let looks_ahead = arm.scenario.settings.features.preview.fitted;
    let encode = FeatureScaler::new(gears as u8, training.stack).with_preview(looks_ahead);
    let guide = RuleGuide::new(tuned.settings.clone(), gears).map_err(|problem| fail(problem.into()))?;
    let privileged = if config.privileged_critic { PRIVILEGED } else { 0 };
    let mut ppo = Ppo::with_privileged(config.clone(), encode.inputs(), privileged, 3, seed)
        .map_err(|problem| fail(problem.into()))?;
    let world = training_world(&TrainingSuite::new(&arm.scenario).for_run(seed));
    let slot = EnvSlot { world, encode: encode.clone(), guide: guide.clone() };
    let mut slots = vec![slot; config.num_envs];
    let validation = ValidationSuite::new(&arm.scenario, options.validation_courses);
    let progress = reporter.job(&format!("{}, network", arm.name), training.decisions);
    let mut best: Option<(f64, PpoPolicy)> = None;
    while ppo.decisions() < training.decisions {
        let until = (ppo.decisions() + training.validate_every).min(training.decisions);
        train(&mut ppo, &mut slots, until, |ppo, _| {
            let note = best.as_ref().map_or(String::new(), |(score, _)| format!("validation {score:.1} s"));
            progress.update(ppo.decisions(), training.decisions, &note);
            if options.stop.is_made() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        })
        .map_err(|problem| fail(problem.into()))?;
        options.stop.check()?;
        for threshold in [config.shift_threshold].iter().chain(&training.thresholds) {
            let actor = ppo.actor().map_err(|problem| fail(problem.into()))?;
            let policy = PpoPolicy::new(encode.clone(), actor, *threshold, Some(guide.clone()))
                .map_err(|problem| fail(problem.into()))?;
            let (returns, _) = validation.returns(&mut policy.clone());
            let score = returns.iter().sum::<f64>() / returns.len() as f64;
            if best.as_ref().is_none_or(|(so_far, _)| score > *so_far) {
                best = Some((score, policy));
            }
        }
    }
    let (score, policy) = best.ok_or(StudyError::Nothing("sensors: no network"))?;
    progress.finish(&format!("validation return {score:.1} s"));
    Ok(policy)
}
