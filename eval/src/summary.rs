//! `summary.json`: every figure of a study's report. This file is its documented schema.
//!
//! Keys are `snake_case`; units stand at the end of a key or in [`Metric::unit`]. Nothing here depends on
//! the clock or the machine: the same study writes the same bytes.

mod fitted;
mod metric;
mod places;
mod policy;
mod robustness;
mod seeds;
mod sheets;

use crate::PolicyId;
use std::collections::BTreeMap;

use lowgear_env::{Cause, RewardTerms};
use serde::{Deserialize, Serialize};

pub use crate::statistics::Estimate;
pub use fitted::FittedComparison;
pub use metric::Metric;
pub use places::{GradeClass, PlaceCount};
pub use policy::{Family, PolicyRecord};
pub use robustness::{Disturbance, DisturbanceAxis, RobustnessCell, RobustnessMap};
pub use seeds::{ProfilePoint, SeedFigures};
pub use sheets::{NetworkSheet, ShiftThreshold, TableAxis, TableSheet, TunedRule};

/// Layout version; rises with any change of meaning.
pub const FORMAT: u32 = 5;

/// Why a summary could not be read or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SummaryError {
    /// Not JSON, or not of this shape.
    #[error("the summary is not readable: {0}")]
    Json(#[from] serde_json::Error),
    /// Written by another version.
    #[error("the summary has format {got}, this version reads format {FORMAT}: run the study again")]
    Format {
        /// Format found.
        got: u32,
    },
    /// A figure is NaN or infinite, which JSON cannot carry.
    #[error("the summary holds a figure that is not a finite number ({detail})")]
    NotFinite {
        /// Where.
        detail: String,
    },
}

/// The whole file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Summary {
    /// [`FORMAT`].
    pub format: u32,
    /// What was run.
    pub study: Study,
    /// What drove.
    pub vehicle: VehicleCard,
    /// Where it was judged.
    pub test_suite: TestSuite,
    /// Which policy plays which part in the verdict.
    pub roles: Roles,
    /// Every contender, in the order of the report.
    pub policies: Vec<PolicySummary>,
    /// Mean return by term, per policy.
    pub returns: Vec<ReturnTerms>,
    /// How the test episodes ended, per policy.
    pub outcomes: Vec<Outcomes>,
    /// Paired differences on the test courses.
    pub paired: Vec<PairedDifference>,
    /// Distance to the clairvoyant plan, per policy; empty without a plan.
    pub headroom: Vec<Headroom>,
    /// The policy under test against the tuned rule in perturbed conditions; empty when none were asked for.
    pub robustness: Vec<RobustnessMap>,
    /// The policy under test on vehicles that fit the owner's logs; left out for a vehicle that was not fitted.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fitted: Vec<FittedComparison>,
    /// What happened where to the policy under test and the tuned rule, over all test courses.
    pub places: Vec<PlaceCount>,
    /// Validation score over training, one entry per learner and seed.
    pub curves: Vec<Curve>,
    /// Thresholds of the hand-written rule and of those that the optimiser found.
    pub tuned: Vec<TunedRule>,
    /// The exported lookup table, when one was made.
    pub table: Option<TableSheet>,
    /// The exported integer network, when one was made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub network: Option<NetworkSheet>,
}

/// What was run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Study {
    /// Name of the study.
    pub name: String,
    /// Its seed; everything else follows from it and the configuration.
    pub seed: u64,
    /// Version of the program.
    pub version: String,
    /// Version of the task; results of different task versions must not be compared.
    pub task_version: u32,
    /// Whether this was a short run, too small to conclude from.
    pub quick: bool,
    /// Level of every interval, for example 0.95.
    pub level: f64,
    /// Command that repeats the study, in the folder of the run.
    pub command: String,
    /// What the study was given; absent in older summaries.
    #[serde(default)]
    pub inputs: Vec<InputDigest>,
}

/// What identifies a part of a study's configuration.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InputDigest {
    /// "study", "vehicle", "course" or "profile".
    pub part: String,
    /// SHA-256 as `resolved.toml` holds it, in hexadecimal digits.
    pub sha256: String,
}

/// The vehicle in short.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct VehicleCard {
    /// Name from the vehicle file.
    pub name: String,
    /// Whether its figures are invented rather than measured.
    pub invented: bool,
    /// Key figures, ready to print.
    pub figures: Vec<KeyFigure>,
}

/// One line of a data sheet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeyFigure {
    /// What it is.
    pub label: String,
    /// Its value, formatted.
    pub value: String,
    /// Its unit; may be empty.
    pub unit: String,
}

/// The held-out courses.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TestSuite {
    /// Number of courses.
    pub courses: usize,
    /// Their lengths together, m.
    pub total_length_m: f64,
    /// One sentence on how they were drawn; may be empty.
    pub note: String,
}

/// Which policy (by id) plays which part in the verdict.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Roles {
    /// The contender the verdict is about, normally the exported table.
    pub subject: PolicyId,
    /// What it is first compared with: the hand-written rule.
    pub hand_rule: PolicyId,
    /// What it is next compared with, also 0 % of the gap: the tuned load-ratio rule.
    pub tuned_rule: PolicyId,
    /// The clairvoyant plan, 100 % of the gap, if one was driven.
    pub plan: Option<PolicyId>,
}

/// One policy.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PolicySummary {
    /// Which policy.
    pub record: PolicyRecord,
    /// Training seeds judged; 1 for a rule or plan.
    pub training_seeds: usize,
    /// Every training seed by itself; empty for rules and plans.
    pub seeds: Vec<SeedFigures>,
    /// Performance profile (Dolan and More 2002; Agarwal et al. 2021): share of episodes that take at most so many
    /// times the time of the plan on the same course; empty without a plan.
    pub profile: Vec<ProfilePoint>,
    /// Its figures on the test courses.
    pub metrics: BTreeMap<Metric, Estimate>,
}

impl PolicySummary {
    /// Training seeds that are equal to the tuned rule on every test course: they kept the policy they started from.
    #[must_use]
    pub fn kept_start(&self) -> usize {
        let equal = |seed: &&SeedFigures| {
            let e = &seed.against_tuned_s;
            e.mean == 0.0 && e.low == 0.0 && e.high == 0.0
        };
        self.seeds.iter().filter(equal).count()
    }
}

/// Mean return of a policy by term, s.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReturnTerms {
    /// Policy id.
    pub policy: PolicyId,
    /// Mean of each weighted term.
    pub terms: RewardTerms,
}

/// How the test episodes of a policy ended.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Outcomes {
    /// Policy id.
    pub policy: PolicyId,
    /// Episodes by cause; causes that did not occur may be left out.
    pub causes: Vec<CauseCount>,
}

/// Episodes that ended for one cause.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CauseCount {
    /// Cause.
    pub cause: Cause,
    /// Episodes.
    pub episodes: usize,
}

/// Difference `policy - against` on the same courses.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PairedDifference {
    /// Policy id.
    pub policy: PolicyId,
    /// Id of what it is compared with.
    pub against: PolicyId,
    /// Figure compared.
    pub metric: Metric,
    /// Mean difference, in the unit of the metric.
    pub mean: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// Training seeds of `policy`.
    pub n_seeds: usize,
    /// Courses.
    pub n_courses: usize,
    /// Mean difference over the mean of `against`, %; absent when that mean is zero. The interval in % is
    /// scaled by the same mean, taken as exact.
    pub percent: Option<f64>,
    /// Figure of `policy` over that of `against`, with an interval on the logarithmic scale: no end lies below zero.
    /// Present for damage, unless one of them is zero.
    pub ratio: Option<Estimate>,
    /// Two-sided p-value, corrected for all comparisons of this list by Holm's method, if computed.
    pub corrected_p: Option<f64>,
    /// Probability that `policy` does better on a course, ties counted half, if computed.
    pub improvement: Option<Estimate>,
}

/// Distance of a policy to the clairvoyant plan on the same courses.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Headroom {
    /// Policy id.
    pub policy: PolicyId,
    /// Course time beyond the plan's, s.
    pub behind_s: Estimate,
    /// The same over the plan's mean course time, %.
    pub behind_percent: f64,
    /// Share of the gap closed, %, if the gap is positive.
    pub gap_percent: Option<Estimate>,
}

/// Validation score of one training run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Curve {
    /// Learner id.
    pub learner: PolicyId,
    /// Training seed, from 1.
    pub seed: u64,
    /// Checks in order of training.
    pub points: Vec<CurvePoint>,
}

/// One check during training.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CurvePoint {
    /// Simulated controller ticks so far.
    pub ticks: u64,
    /// Mean validation return, s.
    pub mean: f64,
    /// Lower end of its interval over courses, s.
    pub low: f64,
    /// Upper end, s.
    pub high: f64,
}

impl Summary {
    /// The policy with this id.
    #[must_use]
    pub fn policy(&self, id: &str) -> Option<&PolicySummary> {
        self.policies.iter().find(|summary| summary.record.id == *id)
    }

    /// The report's name of a policy; its id when it is not listed.
    #[must_use]
    pub fn label<'a>(&'a self, id: &'a str) -> &'a str {
        self.policy(id).map_or(id, |summary| summary.record.label.as_str())
    }

    /// The paired difference of two policies in one figure.
    #[must_use]
    pub fn difference(&self, policy: &str, against: &str, metric: Metric) -> Option<&PairedDifference> {
        self.paired.iter().find(|d| d.policy == policy && d.against == against && d.metric == metric)
    }

    /// As the bytes of `summary.json`.
    ///
    /// # Errors
    /// If a figure is not finite.
    pub fn to_json(&self) -> Result<String, SummaryError> {
        let mut text = serde_json::to_string_pretty(self)?;
        // JSON has no NaN: it writes `null`, which fails on reading where a figure is due.
        if let Err(error) = serde_json::from_str::<Summary>(&text) {
            return Err(SummaryError::NotFinite { detail: error.to_string() });
        }
        let optional = self.paired.iter().flat_map(|d| [d.percent, d.corrected_p]).flatten();
        if let Some(value) = optional.into_iter().find(|value| !value.is_finite()) {
            return Err(SummaryError::NotFinite { detail: format!("{value} in a paired difference") });
        }
        text.push('\n');
        Ok(text)
    }

    /// From the text of `summary.json`.
    ///
    /// # Errors
    /// If it is not readable or has another format.
    pub fn from_json(text: &str) -> Result<Summary, SummaryError> {
        #[derive(Deserialize)]
        struct Head {
            format: u32,
        }
        let head: Head = serde_json::from_str(text)?;
        if head.format != FORMAT {
            return Err(SummaryError::Format { got: head.format });
        }
        Ok(serde_json::from_str(text)?)
    }
}
