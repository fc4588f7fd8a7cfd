//! The comparison: every contestant over the same held-out courses.

use super::card::Card;
use super::firmware::Firmware;
use super::network::NetworkFirmware;
use super::phases::LearnerRuns;
use super::{Inputs, TrainingOutcome};
use crate::error::{PolicyError, StudyError};
use crate::jobs::{LearnerKind, PolicyInstance};
use crate::progress::Reporter;
use crate::stop::StopRequest;
use lowgear_agents::integer_network::IntegerNetworkPolicy;
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_env::{Drive, Outcome};
use lowgear_eval::PolicyId;
use lowgear_eval::aggregate::EvaluatedPolicy;
use lowgear_eval::bound::{GridResolution, Plan, drive_plan};
use lowgear_eval::suite::TestSuite;
use lowgear_eval::summary::{Family, PolicyRecord};
use rayon::prelude::*;
use std::sync::Arc;

/// A policy of the comparison, with one player per training seed.
pub struct ComparedPolicy {
    /// Which policy.
    pub record: PolicyRecord,
    /// Instances, one per training seed.
    pub instances: Vec<PolicyInstance>,
}

/// The comparison's raw outcome.
pub struct Comparison {
    /// The courses.
    pub suite: TestSuite,
    /// Every policy that drives by what the controller sees.
    pub compared_policies: Vec<ComparedPolicy>,
    /// Outcomes, the clairvoyant plan included.
    pub evaluated_policies: Vec<EvaluatedPolicy>,
    /// Mean value of the plan at the start: an optimistic bound on any mean return, s.
    pub bound_s: f64,
}

/// Tilt from which the rule on the ladder holds its gear when the hand-written one has no such rule, tenths of a
/// degree (common practice).
const INCLINE_DDEG: i16 = 50;
/// Drives every policy.
///
/// # Errors
/// [`StudyError`].
pub(super) fn compare(
    inputs: &Inputs,
    learned: &TrainingOutcome,
    firmware: (&Firmware, Option<&NetworkFirmware>),
    card: &Card,
    reporter: &Reporter,
    stop: &StopRequest,
) -> Result<Comparison, StudyError> {
    let suite = TestSuite::new(&inputs.scenario, inputs.study.test_courses);
    let compared_policies = compared_policies(inputs, learned, firmware, card)?;
    let total = compared_policies.iter().map(|c| c.instances.len() as u64).sum::<u64>() + 1;
    let progress = reporter.job("comparing", total);
    let mut evaluated_policies = Vec::new();
    let mut done = 0;
    for compared_policy in &compared_policies {
        let mut outcomes = Vec::new();
        for instance in &compared_policy.instances {
            stop.check()?;
            outcomes.push(suite.outcomes(|| instance.clone()));
            done += 1;
            progress.update(done, total, &compared_policy.record.label);
        }
        evaluated_policies.push(EvaluatedPolicy { record: compared_policy.record.clone(), outcomes });
    }
    progress.update(done, total, "planning with full knowledge");
    let planned: Vec<(Outcome, f64)> = (0..suite.courses)
        .into_par_iter()
        .map(|episode| {
            let mut drive = Drive::new(Arc::clone(suite.scenario()), episode);
            let plan = Plan::new(&drive, GridResolution::default());
            drive_plan(&mut drive, &plan);
            (drive.outcome(), plan.start_value(suite.scenario()))
        })
        .collect();
    progress.finish(&format!("{} courses", suite.courses));
    let bound_s = planned.iter().map(|p| p.1).sum::<f64>() / planned.len() as f64;
    evaluated_policies.push(EvaluatedPolicy {
        record: PolicyRecord::new(PolicyId::Plan, "Clairvoyant plan", Family::Plan),
        outcomes: vec![planned.into_iter().map(|p| p.0).collect()],
    });
    Ok(Comparison { suite, compared_policies, evaluated_policies, bound_s })
}

fn compared_policies(
    inputs: &Inputs,
    learned: &TrainingOutcome,
    (firmware, network): (&Firmware, Option<&NetworkFirmware>),
    card: &Card,
) -> Result<Vec<ComparedPolicy>, StudyError> {
    let gears = inputs.scenario.gears();
    let hand = &inputs.study.rule;
    let up = hand.up_permille.first().copied().unwrap_or(850);
    let stall = hand.stall_ticks.unwrap_or(10);
    let incline = RuleSettings::incline_aware(gears, up, stall, hand.tilt_hold_ddeg.unwrap_or(INCLINE_DDEG));
    let patient = incline.clone().patient(hand.retry_ticks, hand.retry_growth);
    let tuned = &learned.speed_rule;
    let load = &learned.load_rule;
    let guide = learned.guide();
    let mut all = vec![
        rule(PolicyId::FirstGear, "First gear only", &RuleSettings::first_gear(gears), 0, gears)?,
        rule(PolicyId::UpshiftOnly, "Upshift only", &RuleSettings::upshift_only(gears, up), 0, gears)?,
        rule(
            PolicyId::StallAware,
            "Upshift + stall",
            &RuleSettings::stall_aware(gears, up, stall),
            0,
            gears,
        )?,
        rule(PolicyId::InclineAware, "Upshift + stall + tilt", &incline, 0, gears)?,
        rule(PolicyId::Patient, "Upshift + stall + wait", &patient, 0, gears)?,
        rule(PolicyId::HandRule, "Hand-written rule", hand, 0, gears)?,
        rule(PolicyId::TunedSpeedRule, "Tuned motor-speed rule", &tuned.settings, tuned.ticks, gears)?,
        rule(PolicyId::TunedLoadRule, "Tuned load-ratio rule", &load.settings, load.ticks, gears)?,
    ];
    if let Some(preview) = &learned.preview_rule {
        let (label, settings) = ("Tuned rule that uses the sensor", &preview.settings);
        let mut ahead = rule(PolicyId::TunedPreviewRule, label, settings, preview.ticks, gears)?;
        ahead.record.inherited_ticks = load.ticks;
        all.push(ahead);
    }
    for runs in &learned.learners {
        let instances = runs.runs.iter().map(|r| r.selected.instantiate(gears));
        let diverged = (1..).zip(&runs.runs).filter(|(_, run)| run.record.failure.is_some());
        all.push(ComparedPolicy {
            record: PolicyRecord {
                search_ticks: runs.ticks(),
                inherited_ticks: guide.ticks,
                diverged_seeds: diverged.map(|(seed, _)| seed).collect(),
                ..PolicyRecord::new(PolicyId::from(runs.learner), with_failures(runs), Family::Learned)
            },
            instances: instances.collect::<Result<_, _>>()?,
        });
    }
    let tables = firmware
        .tables
        .iter()
        .map(|t| PolicyInstance::Table(lowgear_agents::table::TablePolicy::new(t.iteration.table.clone())));
    all.push(ComparedPolicy {
        record: PolicyRecord {
            search_ticks: firmware.ticks,
            inherited_ticks: guide.ticks + learned.best_learner().map_or(0, LearnerRuns::ticks),
            ..PolicyRecord::new(PolicyId::Table, "Lookup table", Family::Table)
        },
        instances: tables.collect(),
    });
    all.extend(network.map(|network| compared_network(network, learned)));
    let ahead = learned.preview_rule.as_ref().map_or(0, |preview| preview.ticks);
    let inherited = load.ticks
        + ahead
        + tuned.ticks
        + learned.best_learner().map_or(0, LearnerRuns::ticks)
        + firmware.ticks;
    let label = match card.card.numbers {
        1 => "Rule card, 1 number".to_owned(),
        n => format!("Rule card, {n} numbers"),
    };
    let mut compared = rule(PolicyId::RuleCard, &label, &card.card.settings, card.ticks, gears)?;
    compared.record.inherited_ticks = inherited;
    all.push(compared);
    Ok(all)
}

/// The integer networks: what the exported firmware computes.
fn compared_network(network: &NetworkFirmware, learned: &TrainingOutcome) -> ComparedPolicy {
    let networks = network.networks.iter().map(|n| n.iteration.network.clone());
    ComparedPolicy {
        record: PolicyRecord {
            inherited_ticks: learned.guide().ticks + learned.best_learner().map_or(0, LearnerRuns::ticks),
            ..PolicyRecord::new(PolicyId::Network, "Integer network", Family::Table)
        },
        instances: networks.map(|n| PolicyInstance::Network(IntegerNetworkPolicy::new(n))).collect(),
    }
}

/// A learner in words, and how many runs diverged: they are judged by their last good policy.
fn with_failures(runs: &LearnerRuns) -> String {
    let diverged = runs.runs.iter().filter(|run| run.record.failure.is_some()).count();
    let label = label(runs.learner);
    if diverged == 0 { label.to_owned() } else { format!("{label} ({diverged} diverged)") }
}

fn rule(
    id: PolicyId,
    label: &str,
    settings: &RuleSettings,
    ticks: u64,
    gears: usize,
) -> Result<ComparedPolicy, StudyError> {
    let rule = Rule::new(settings.clone(), gears).map_err(PolicyError::from)?;
    Ok(ComparedPolicy {
        record: PolicyRecord { search_ticks: ticks, ..PolicyRecord::new(id, label, Family::Rule) },
        instances: vec![PolicyInstance::Rule(rule)],
    })
}

/// A learner in words.
#[must_use]
pub fn label(learner: &'static str) -> &'static str {
    LearnerKind::ALL.into_iter().find(|kind| kind.name() == learner).map_or(learner, LearnerKind::label)
}
