//! The rule card of a study.

use super::compare::Comparison;
use super::firmware::Firmware;
use super::thresholds::enterable;
use super::{Inputs, LEVEL, RunFolder, TrainingOutcome};
use crate::error::{PolicyError, StudyError};
use crate::jobs::{PolicyFile, SavedPolicy};
use crate::progress::Reporter;
use crate::stop::StopRequest;
use crate::store::create_folder;
use lowgear_agents::rule::card::{CardSettings, Gain, RuleCard, rule_card, thresholds_of};
use lowgear_agents::rule::{Rule, RuleSettings, Signal};
use lowgear_agents::table::distil::{Visit, visits};
use lowgear_agents::table::{LookupTable, TablePolicy};
use lowgear_eval::PolicyId;
use lowgear_eval::aggregate::{EvaluatedPolicy, time_difference};
use lowgear_eval::figures::CardSheet;
use lowgear_eval::statistics::Estimate;
use lowgear_eval::suite::{TrainingSuite, training_world};
use rayon::prelude::*;

/// Number of the card among what draws training courses of its own.
const RUN: u64 = 0xca4d;

/// Training courses at least, however short the study.
const LEAST_COURSES: u64 = 12;

/// A rule card and what it took.
pub(super) struct Card {
    /// The card.
    pub card: RuleCard,
    /// Ticks driven for it.
    pub ticks: u64,
}

/// Makes the card of the exported table on training courses.
///
/// # Errors
/// [`StudyError`].
pub(super) fn make(
    inputs: &Inputs,
    folder: &RunFolder,
    learned: &TrainingOutcome,
    firmware: &Firmware,
    reporter: &Reporter,
    stop: &StopRequest,
) -> Result<Card, StudyError> {
    reporter.line("making the rule card");
    let table = &firmware.tables[firmware.exported].iteration.table;
    let rules = [Some(&learned.load_rule), Some(&learned.speed_rule), learned.preview_rule.as_ref()];
    let tuned: Vec<RuleSettings> = rules.into_iter().flatten().map(|rule| rule.settings.clone()).collect();
    let card = card_of(inputs, table, &tuned, stop)?;
    let path = folder.path.join(PolicyId::RuleCard.as_str());
    create_folder(&path)?;
    let saved = SavedPolicy::Rule(card.card.settings.clone());
    let file =
        PolicyFile::new(&PolicyId::RuleCard, &inputs.scenario.vehicle.name, inputs.scenario.gears(), saved);
    file.save(&path.join("policy.json"))?;
    Ok(card)
}

/// The card of a table; `rules` are further places to begin from.
fn card_of(
    inputs: &Inputs,
    table: &LookupTable,
    rules: &[RuleSettings],
    stop: &StopRequest,
) -> Result<Card, StudyError> {
    let (courses, gears) = (inputs.study.table.courses.max(LEAST_COURSES), inputs.scenario.gears());
    let training = TrainingSuite::new(&inputs.scenario).for_run(inputs.scenario.seed.part(RUN));
    let policy = TablePolicy::new(table.clone());
    let seen: Vec<Visit> = (0..courses)
        .into_par_iter()
        .flat_map_iter(|episode| visits(&mut training_world(&training), episode, &mut policy.clone()))
        .collect();
    let hand = &inputs.study.rule;
    let mut starts = rules.to_vec();
    for like in rules.iter().chain([hand]) {
        starts.extend(
            [Signal::SpeedRatio, Signal::MotorSpeed].map(|signal| thresholds_of(&seen, signal, like)),
        );
    }
    let (policies, mut ticks) = training.mean_returns(&[policy], courses);
    let mut judge = |rules: &[RuleSettings]| -> Result<Vec<f64>, StudyError> {
        stop.check()?;
        let rules = rules.iter().map(|rule| Rule::new(rule.clone(), gears)).collect::<Result<Vec<_>, _>>();
        let (returns, driven) = training.mean_returns(&rules.map_err(PolicyError::from)?, courses);
        ticks += driven;
        Ok(returns)
    };
    let from = judge(std::slice::from_ref(hand))?;
    let gain = Gain { policy_s: policies[0], from_s: from[0] };
    let card = rule_card(starts, gain, CardSettings::default(), judge)?
        .ok_or(StudyError::Nothing("rule card: no rule to begin from"))?;
    Ok(Card { card, ticks })
}

/// What stands on the card's page.
///
/// # Errors
/// [`StudyError::Comparison`].
pub(super) fn sheet(inputs: &Inputs, card: &Card, comparison: &Comparison) -> Result<CardSheet, StudyError> {
    Ok(CardSheet {
        vehicle: inputs.scenario.vehicle.name.clone(),
        invented: inputs.scenario.vehicle.invented,
        policy: "the exported lookup table".to_owned(),
        numbers: card.card.numbers,
        lines: enterable(&inputs.scenario, &card.card.settings),
        left_out: card
            .card
            .left_out
            .iter()
            .map(|(what, kept)| {
                format!(
                    "{what}; {:.0} % of the table's gain was kept without it (training courses)",
                    100.0 * kept
                )
            })
            .collect(),
        verdict: worth(&comparison.evaluated_policies)?,
        origin: format!(
            "Study {}, seed {}, version {}. Derived on training courses, evaluated on {} held-out courses; simulation only.",
            inputs.study.name,
            inputs.study.seed,
            env!("CARGO_PKG_VERSION"),
            comparison.suite.courses
        ),
    })
}

/// Results of the card on the test courses, in sentences.
fn worth(evaluated_policies: &[EvaluatedPolicy]) -> Result<Vec<String>, StudyError> {
    let find = |id| evaluated_policies.iter().find(|c| c.record.id == id && !c.outcomes.is_empty());
    let (Some(card), Some(table), Some(hand)) =
        (find(PolicyId::RuleCard), find(PolicyId::Table), find(PolicyId::HandRule))
    else {
        return Ok(vec![]);
    };
    let less = |a: &EvaluatedPolicy, b: &EvaluatedPolicy| time_difference(a, b, LEVEL);
    let (against_table, against_hand, of_table) = (less(card, table)?, less(card, hand)?, less(table, hand)?);
    let words = |e: &Estimate| {
        let (mean, low, high) = (e.mean, e.low, e.high);
        let percent = 100.0 * LEVEL;
        let text = format!("{mean:+.1} s of course time ({percent:.0} % interval {low:+.1} to {high:+.1} s)");
        text.replace('-', "\u{2212}")
    };
    let mut lines = vec![
        format!("Against the hand-written rule: {}.", words(&against_hand)),
        format!("Against the table that it replaces: {}.", words(&against_table)),
    ];
    if of_table.high < 0.0 {
        let share = 100.0 * against_hand.mean / of_table.mean;
        lines.push(format!("It keeps {share:.0} % of what the table gains over the hand-written rule."));
    }
    let damage = |c: &EvaluatedPolicy| {
        let all = || c.outcomes.iter().flatten();
        all().map(|o| o.damage).sum::<f64>() / all().map(|o| o.distance_m / 1000.0).sum::<f64>()
    };
    // Without any damage of the hand-written rule there is nothing to compare with.
    if damage(hand) > 0.0 {
        let [own, of_table] = [card, table].map(|policy| damage(policy) / damage(hand));
        lines.push(format!(
            "Gearbox damage per km: {own:.2} times the hand-written rule's; the table {of_table:.2} times."
        ));
    }
    Ok(lines)
}
