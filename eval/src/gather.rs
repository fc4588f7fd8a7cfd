//! From raw outcomes to a [`Summary`], `episodes.csv` and a table for the terminal.
//!
//! Every figure is a mean over training seeds and courses with the two-way Student interval of
//! [`crate::statistics`]; the worst 5 % of times, the share of the gap and the probability of improvement
//! have jackknife intervals. Figures per distance are a policy's total over its total distance, so that an
//! episode that ends after a few centimetres does not outweigh the others (`gather/figures.rs`).

mod cards;
mod compare;
mod episodes;
mod figures;
mod seeds;
mod terminal;

pub use cards::{curve, suite_card, vehicle_card};
pub use compare::time_difference;
pub use episodes::write_episodes;
pub(crate) use figures::scores as episode_scores;
pub use terminal::terminal_table;

use std::collections::BTreeMap;

use lowgear_env::{Cause, Outcome, RewardTerms};
use rayon::prelude::*;

use crate::statistics::{Estimate, StatisticsError, iqm_interval, mean_interval, tail_mean};
use crate::summary::{
    CauseCount, Curve, FORMAT, Family, Metric, Outcomes, PlaceCount, PolicySummary, ReturnTerms,
    RobustnessMap, Roles, Study, Summary, TableSheet, TestSuite, TunedRule, VehicleCard,
};

/// A policy and what its test episodes came to.
#[derive(Clone, Debug, PartialEq)]
pub struct Contender {
    /// Identifier, as in file names.
    pub id: String,
    /// Name in the report.
    pub label: String,
    /// Kind.
    pub family: Family,
    /// Simulated controller ticks spent on finding it, all seeds together.
    pub search_ticks: u64,
    /// Ticks spent before on what it starts from.
    pub inherited_ticks: u64,
    /// Numbers of the training seeds, from 1, that gave no usable policy; they have no row in `outcomes`.
    pub failed_seeds: Vec<u64>,
    /// Those that diverged or broke off and are judged by their best policy until then.
    pub diverged_seeds: Vec<u64>,
    /// `[training seed][course]`; one row for a rule or plan. Empty when every training seed failed: such a
    /// contender is listed, without figures.
    pub outcomes: Vec<Vec<Outcome>>,
}

impl Contender {
    /// Number of each judged training seed, in the order of the rows: counted from 1, failed ones left out.
    pub fn judged_seeds(&self) -> impl Iterator<Item = u64> {
        (1..).filter(|seed| !self.failed_seeds.contains(seed)).take(self.outcomes.len())
    }
}

/// What a summary says beyond the outcomes.
#[derive(Clone, Debug, PartialEq)]
pub struct StudyFacts {
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
    /// Further policies (by id) that every contender is compared with.
    pub also_against: Vec<String>,
    /// The subject against the tuned rule in altered worlds.
    pub robustness: Vec<RobustnessMap>,
    /// What happened where.
    pub places: Vec<PlaceCount>,
    /// Validation scores over training.
    pub curves: Vec<Curve>,
    /// Thresholds to read.
    pub tuned: Vec<TunedRule>,
    /// The exported table; tables are also compared with its teacher.
    pub table: Option<TableSheet>,
}

/// Why no summary could be made.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum GatherError {
    /// A role or comparison names nobody.
    #[error("`{id}` is named as {part}, but no contender has this id")]
    Unknown {
        /// The id.
        id: String,
        /// What it was named as.
        part: &'static str,
    },
    /// Two contenders with one id.
    #[error("two contenders have the id `{0}`")]
    Repeated(String),
    /// Nothing to judge.
    #[error("`{id}` has no outcomes, but {part} needs some")]
    NoOutcomes {
        /// The contender.
        id: String,
        /// What needs them.
        part: &'static str,
    },
    /// Other courses than the suite's.
    #[error("`{id}` has {got} courses in a row, expected are {expected}")]
    Courses {
        /// The contender.
        id: String,
        /// Courses of the row.
        got: usize,
        /// Courses of the suite.
        expected: usize,
    },
    /// A figure could not be computed.
    #[error("`{id}`, {metric}: {source}", metric = .metric.label())]
    Statistics {
        /// The contender.
        id: String,
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
/// [`GatherError`] names the contender and what is missing or cannot be computed.
pub fn summarise(facts: StudyFacts, contenders: &[Contender]) -> Result<Summary, GatherError> {
    check(&facts, contenders)?;
    let gaps = compare::gaps(&facts, contenders)?;
    let policies = contenders
        .par_iter()
        .map(|contender| {
            let mut policy = policy_summary(&facts, contender, gaps.get(contender.id.as_str()))?;
            policy.seeds = seeds::seeds(&facts, contenders, contender)?;
            policy.profile = seeds::profile(&facts, contenders, contender)?;
            Ok(policy)
        })
        .collect::<Result<Vec<_>, _>>()?;
    let judged = || contenders.iter().filter(|contender| !contender.outcomes.is_empty());
    Ok(Summary {
        format: FORMAT,
        policies,
        returns: judged().map(return_terms).collect(),
        outcomes: judged().map(causes).collect(),
        paired: compare::paired(&facts, contenders)?,
        headroom: compare::headroom(&facts, contenders, &gaps)?,
        robustness: facts.robustness,
        places: facts.places,
        study: facts.study,
        vehicle: facts.vehicle,
        test_suite: facts.test_suite,
        roles: facts.roles,
        curves: facts.curves,
        tuned: facts.tuned,
        table: facts.table,
    })
}

fn check(facts: &StudyFacts, contenders: &[Contender]) -> Result<(), GatherError> {
    for (index, contender) in contenders.iter().enumerate() {
        let id = || contender.id.clone();
        if contenders[..index].iter().any(|other| other.id == contender.id) {
            return Err(GatherError::Repeated(id()));
        }
        if contender.outcomes.is_empty() && contender.failed_seeds.is_empty() {
            return Err(GatherError::NoOutcomes { id: id(), part: "a contender without failed seeds" });
        }
        let first = contender.outcomes.first().map_or(0, Vec::len);
        let full = facts.test_suite.courses;
        let expected = if facts.roles.plan.as_ref() == Some(&contender.id) { first.min(full) } else { full };
        if let Some(row) = contender.outcomes.iter().find(|row| row.len() != expected) {
            return Err(GatherError::Courses { id: id(), got: row.len(), expected });
        }
    }
    let roles = &facts.roles;
    let named = [("the subject", &roles.subject), ("the hand-written rule", &roles.hand_rule)];
    let others = facts.also_against.iter().map(|id| ("a further opponent", id));
    let all = named
        .into_iter()
        .chain([("the tuned rule", &roles.tuned_rule)])
        .chain(roles.plan.iter().map(|id| ("the plan", id)))
        .chain(others)
        .chain(facts.table.iter().map(|sheet| ("the table's teacher", &sheet.teacher)));
    for (part, id) in all {
        let Some(found) = find(contenders, id) else {
            return Err(GatherError::Unknown { id: id.clone(), part });
        };
        if found.outcomes.is_empty() && (*id == roles.hand_rule || *id == roles.tuned_rule) {
            return Err(GatherError::NoOutcomes { id: id.clone(), part });
        }
    }
    Ok(())
}

fn find<'a>(contenders: &'a [Contender], id: &str) -> Option<&'a Contender> {
    contenders.iter().find(|contender| contender.id == id)
}

fn fault(id: &str, metric: Metric) -> impl Fn(StatisticsError) -> GatherError {
    move |source| GatherError::Statistics { id: id.to_owned(), metric, source }
}

fn policy_summary(
    facts: &StudyFacts,
    contender: &Contender,
    gap: Option<&Estimate>,
) -> Result<PolicySummary, GatherError> {
    let (level, limit_s) = (facts.study.level, facts.time_limit_s);
    let mut metrics = BTreeMap::new();
    if !contender.outcomes.is_empty() {
        for metric in figures::MEANS {
            let with = fault(&contender.id, metric);
            let scores = figures::scores(metric, &contender.outcomes).map_err(&with)?;
            let estimate = mean_interval(&scores, level).map_err(&with)?;
            metrics.insert(metric, figures::within_range(metric, estimate, limit_s));
        }
        let with = fault(&contender.id, Metric::TailTime);
        let times = figures::scores(Metric::CourseTime, &contender.outcomes).map_err(&with)?;
        for (metric, estimate) in [
            (Metric::MiddleTime, iqm_interval(&times, level).map_err(&with)?),
            (Metric::TailTime, tail_mean(&times, TAIL, level).map_err(&with)?),
        ] {
            metrics.insert(metric, figures::within_range(metric, estimate, limit_s));
        }
        metrics.extend(gap.map(|gap| (Metric::GapShare, *gap)));
    }
    Ok(PolicySummary {
        id: contender.id.clone(),
        label: contender.label.clone(),
        family: contender.family,
        training_seeds: contender.outcomes.len(),
        search_ticks: contender.search_ticks,
        inherited_ticks: contender.inherited_ticks,
        failed_seeds: contender.failed_seeds.clone(),
        diverged_seeds: contender.diverged_seeds.clone(),
        seeds: Vec::new(),
        profile: Vec::new(),
        metrics,
    })
}

fn return_terms(contender: &Contender) -> ReturnTerms {
    let episodes: Vec<RewardTerms> = contender.outcomes.iter().flatten().map(|o| o.reward).collect();
    let mean =
        |term: fn(&RewardTerms) -> f64| episodes.iter().map(term).sum::<f64>() / episodes.len().max(1) as f64;
    ReturnTerms {
        policy: contender.id.clone(),
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

fn causes(contender: &Contender) -> Outcomes {
    let all = [
        Cause::Finished,
        Cause::StalledOut,
        Cause::Jammed,
        Cause::Overheated,
        Cause::BatteryEmpty,
        Cause::OutOfTime,
    ];
    let counted = all.map(|cause| CauseCount {
        cause,
        episodes: contender.outcomes.iter().flatten().filter(|o| o.cause == cause).count(),
    });
    Outcomes {
        policy: contender.id.clone(),
        causes: counted.into_iter().filter(|count| count.episodes > 0).collect(),
    }
}

#[cfg(test)]
pub(crate) mod tests;
