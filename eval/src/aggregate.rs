//! From raw outcomes to a [`Summary`], `episodes.csv` and a table for the terminal.
//!
//! Every figure is a mean over training seeds and courses with the two-way Student interval of
//! [`crate::statistics`]; the worst 5 % of times, the share of the gap and the probability of improvement
//! have jackknife intervals. Figures per distance are a policy's total over its total distance, so that an
//! episode that ends after a few centimetres does not outweigh the others (`aggregate/figures.rs`).

mod cards;
mod compare;
mod episodes;
mod figures;
mod seeds;
mod terminal;

pub use cards::{curve, suite_card, vehicle_card};
pub(crate) use compare::ratio;
pub use compare::time_difference;
pub use episodes::write_episodes;
pub use figures::scores as episode_scores;
pub use terminal::{terminal_table, wrapped};

use std::collections::BTreeMap;

use lowgear_env::{Cause, Outcome, RewardTerms};
use rayon::prelude::*;

use crate::PolicyId;
use crate::statistics::{Estimate, StatisticsError, iqm_interval, mean_interval, tail_mean};
use crate::summary::{
    CauseCount, Curve, FORMAT, FittedComparison, Metric, NetworkSheet, Outcomes, PlaceCount, PolicyRecord,
    PolicySummary, ReturnTerms, RobustnessMap, Roles, Study, Summary, TableSheet, TestSuite, TunedRule,
    VehicleCard,
};

/// A policy and the outcomes of its test episodes.
#[derive(Clone, Debug, PartialEq)]
pub struct EvaluatedPolicy {
    /// Which policy. Its failed seeds have no row in `outcomes`.
    pub record: PolicyRecord,
    /// `[training seed][course]`; one row for a rule or plan. Empty when every training seed failed: such an
    /// evaluated policy is listed, without figures.
    pub outcomes: Vec<Vec<Outcome>>,
}

impl EvaluatedPolicy {
    /// Number of each judged training seed, in the order of the rows: counted from 1, failed ones left out.
    pub fn judged_seeds(&self) -> impl Iterator<Item = u64> {
        (1..).filter(|seed| !self.record.failed_seeds.contains(seed)).take(self.outcomes.len())
    }
}

/// What a summary says beyond the outcomes.
#[derive(Clone, Debug, PartialEq)]
pub struct StudyMetadata {
    /// What was run; the level of the intervals is taken from it.
    pub study: Study,
    /// What drove.
    pub vehicle: VehicleCard,
    /// Where.
    pub test_suite: TestSuite,
    /// Time limit of an episode, s: no interval of a course time reaches beyond.
    pub time_limit_s: f64,
    /// Who plays which part.
    pub roles: Roles,
    /// Further policies (by id) that every evaluated policy is compared with.
    pub also_against: Vec<PolicyId>,
    /// The policy under test against the tuned rule in perturbed conditions.
    pub robustness: Vec<RobustnessMap>,
    /// The policy under test on vehicles that fit the owner's logs.
    pub fitted: Vec<FittedComparison>,
    /// What happened where.
    pub places: Vec<PlaceCount>,
    /// Validation scores over training.
    pub curves: Vec<Curve>,
    /// Thresholds to read.
    pub tuned: Vec<TunedRule>,
    /// The exported table; tables are also compared with its teacher.
    pub table: Option<TableSheet>,
    /// The exported integer network.
    pub network: Option<NetworkSheet>,
}

/// Why no summary could be made.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AggregateError {
    /// A role or comparison names no known policy.
    #[error("`{id}` is named as {part}, but no evaluated policy has this id")]
    Unknown {
        /// The id.
        id: PolicyId,
        /// What it was named as.
        part: &'static str,
    },
    /// Two evaluated policies with one id.
    #[error("two evaluated policies have the id `{0}`")]
    Repeated(PolicyId),
    /// Nothing to judge.
    #[error("`{id}` has no outcomes, but {part} needs some")]
    NoOutcomes {
        /// The evaluated policy.
        id: PolicyId,
        /// What needs them.
        part: &'static str,
    },
    /// Other courses than the suite's.
    #[error("`{id}` has {got} courses in a row, expected are {expected}")]
    Courses {
        /// The evaluated policy.
        id: PolicyId,
        /// Courses of the row.
        got: usize,
        /// Courses of the suite.
        expected: usize,
    },
    /// A figure could not be computed.
    #[error("`{id}`, {metric}: {source}", metric = .metric.label())]
    Statistics {
        /// The evaluated policy.
        id: PolicyId,
        /// The figure.
        metric: Metric,
        /// Why.
        source: StatisticsError,
    },
}

/// Share of seed-course pairs that the tail figure averages.
const TAIL: f64 = 0.05;

/// The summary of a study. The plan may have driven fewer courses than the suite holds, the first ones:
/// distances to it are then taken on these courses.
///
/// # Errors
/// [`AggregateError`] names the evaluated policy and what is missing or cannot be computed.
pub fn summarise(
    metadata: StudyMetadata,
    evaluated_policies: &[EvaluatedPolicy],
) -> Result<Summary, AggregateError> {
    check(&metadata, evaluated_policies)?;
    let gap_shares = compare::gap_shares(&metadata, evaluated_policies)?;
    let policies = evaluated_policies
        .par_iter()
        .map(|evaluated| {
            let mut policy =
                policy_summary(&metadata, evaluated, gap_shares.get(evaluated.record.id.as_str()))?;
            policy.seeds = seeds::seeds(&metadata, evaluated_policies, evaluated)?;
            policy.profile = seeds::profile(&metadata, evaluated_policies, evaluated)?;
            Ok(policy)
        })
        .collect::<Result<Vec<_>, _>>()?;
    let judged = || evaluated_policies.iter().filter(|evaluated| !evaluated.outcomes.is_empty());
    Ok(Summary {
        format: FORMAT,
        policies,
        returns: judged().map(return_terms).collect(),
        outcomes: judged().map(causes).collect(),
        paired: compare::paired(&metadata, evaluated_policies)?,
        headroom: compare::headroom(&metadata, evaluated_policies, &gap_shares)?,
        robustness: metadata.robustness,
        fitted: metadata.fitted,
        places: metadata.places,
        study: metadata.study,
        vehicle: metadata.vehicle,
        test_suite: metadata.test_suite,
        roles: metadata.roles,
        curves: metadata.curves,
        tuned: metadata.tuned,
        table: metadata.table,
        network: metadata.network,
    })
}

fn check(metadata: &StudyMetadata, evaluated_policies: &[EvaluatedPolicy]) -> Result<(), AggregateError> {
    for (index, evaluated) in evaluated_policies.iter().enumerate() {
        let id = || evaluated.record.id.clone();
        if evaluated_policies[..index].iter().any(|other| other.record.id == evaluated.record.id) {
            return Err(AggregateError::Repeated(id()));
        }
        if evaluated.outcomes.is_empty() && evaluated.record.failed_seeds.is_empty() {
            return Err(AggregateError::NoOutcomes {
                id: id(),
                part: "an evaluated policy without failed seeds",
            });
        }
        let first = evaluated.outcomes.first().map_or(0, Vec::len);
        let full = metadata.test_suite.courses;
        let expected =
            if metadata.roles.plan.as_ref() == Some(&evaluated.record.id) { first.min(full) } else { full };
        if let Some(row) = evaluated.outcomes.iter().find(|row| row.len() != expected) {
            return Err(AggregateError::Courses { id: id(), got: row.len(), expected });
        }
    }
    let roles = &metadata.roles;
    let named = [("the policy under test", &roles.subject), ("the hand-written rule", &roles.hand_rule)];
    let others = metadata.also_against.iter().map(|id| ("a further opponent", id));
    let all = named
        .into_iter()
        .chain([("the tuned rule", &roles.tuned_rule)])
        .chain(roles.plan.iter().map(|id| ("the plan", id)))
        .chain(others)
        .chain(metadata.table.iter().map(|sheet| ("the table's teacher", &sheet.teacher)));
    for (part, id) in all {
        let Some(found) = find(evaluated_policies, id) else {
            return Err(AggregateError::Unknown { id: id.clone(), part });
        };
        if found.outcomes.is_empty() && (*id == roles.hand_rule || *id == roles.tuned_rule) {
            return Err(AggregateError::NoOutcomes { id: id.clone(), part });
        }
    }
    Ok(())
}

fn find<'a>(evaluated_policies: &'a [EvaluatedPolicy], id: &str) -> Option<&'a EvaluatedPolicy> {
    evaluated_policies.iter().find(|evaluated| evaluated.record.id == id)
}

fn fault(id: &str, metric: Metric) -> impl Fn(StatisticsError) -> AggregateError {
    move |source| AggregateError::Statistics { id: id.into(), metric, source }
}

fn policy_summary(
    metadata: &StudyMetadata,
    evaluated: &EvaluatedPolicy,
    gap: Option<&Estimate>,
) -> Result<PolicySummary, AggregateError> {
    let (level, limit_s) = (metadata.study.level, metadata.time_limit_s);
    let mut metrics = BTreeMap::new();
    if !evaluated.outcomes.is_empty() {
        for metric in figures::MEANS {
            let with = fault(&evaluated.record.id, metric);
            let scores = figures::scores(metric, &evaluated.outcomes).map_err(&with)?;
            let estimate = mean_interval(&scores, level).map_err(&with)?;
            metrics.insert(metric, figures::within_range(metric, estimate, limit_s));
        }
        let with = fault(&evaluated.record.id, Metric::CvarTime);
        let times = figures::scores(Metric::CourseTime, &evaluated.outcomes).map_err(&with)?;
        for (metric, estimate) in [
            (Metric::IqmTime, iqm_interval(&times, level).map_err(&with)?),
            (Metric::CvarTime, tail_mean(&times, TAIL, level).map_err(&with)?),
        ] {
            metrics.insert(metric, figures::within_range(metric, estimate, limit_s));
        }
        metrics.extend(gap.map(|gap| (Metric::GapShare, *gap)));
    }
    Ok(PolicySummary {
        record: evaluated.record.clone(),
        training_seeds: evaluated.outcomes.len(),
        seeds: Vec::new(),
        profile: Vec::new(),
        metrics,
    })
}

fn return_terms(evaluated: &EvaluatedPolicy) -> ReturnTerms {
    let episodes: Vec<RewardTerms> = evaluated.outcomes.iter().flatten().map(|o| o.reward).collect();
    let mean =
        |term: fn(&RewardTerms) -> f64| episodes.iter().map(term).sum::<f64>() / episodes.len().max(1) as f64;
    ReturnTerms {
        policy: evaluated.record.id.clone(),
        terms: RewardTerms {
            progress_s: mean(|t| t.progress_s),
            time_s: mean(|t| t.time_s),
            energy_s: mean(|t| t.energy_s),
            stress_s: mean(|t| t.stress_s),
            shift_s: mean(|t| t.shift_s),
            stall_s: mean(|t| t.stall_s),
            abort_s: mean(|t| t.abort_s),
        },
    }
}

fn causes(evaluated: &EvaluatedPolicy) -> Outcomes {
    let counted = Cause::ALL.map(|cause| CauseCount {
        cause,
        episodes: evaluated.outcomes.iter().flatten().filter(|o| o.cause == cause).count(),
    });
    Outcomes {
        policy: evaluated.record.id.clone(),
        causes: counted.into_iter().filter(|count| count.episodes > 0).collect(),
    }
}

#[cfg(test)]
pub(crate) mod tests;
