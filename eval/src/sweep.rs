//! What many studies of one sweep show together. This file is the documented schema of a sweep's
//! `summary.json`; where its figures come from is in `sweep/point.rs`.
//!
//! Keys are `snake_case`, units stand at the end of a key. Nothing here depends on the clock, the machine or
//! the order in which the jobs were done.

mod findings;
mod point;
mod repeats;
mod rows;

pub use findings::findings;
pub use point::{figures_of, headroom_of, rule_of};
pub use rows::write_points;

use serde::{Deserialize, Serialize};

use crate::PolicyId;
use crate::statistics::Estimate;
use crate::summary::{Family, PolicyRecord};

/// Layout version; rises with any change of meaning.
pub const SWEEP_FORMAT: u32 = 3;

/// The whole file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SweepSummary {
    /// [`SWEEP_FORMAT`].
    pub format: u32,
    /// Name of the sweep.
    pub name: String,
    /// Name of the study that its jobs vary.
    pub study: String,
    /// Version of the program.
    pub version: String,
    /// Level of every interval, for example 0.95.
    pub level: f64,
    /// Command that repeats the sweep, in the folder of its file.
    pub command: String,
    /// What is varied; the last axis changes fastest from job to job.
    pub axes: Vec<SweepAxis>,
    /// One entry per job, in their order.
    pub points: Vec<SweepPoint>,
}

/// Something that is varied.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SweepAxis {
    /// What it is, in words.
    pub label: String,
    /// Unit of its values; may be empty.
    pub unit: String,
    /// Key in the study, vehicle or course, where one key alone is varied.
    pub key: Option<String>,
    /// Its values, as they are shown.
    pub values: Vec<String>,
}

/// One combination of values: one job.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SweepPoint {
    /// Number of the job, from 1.
    pub job: u64,
    /// Index of its value on each axis, from 0.
    pub place: Vec<usize>,
    /// Why there are no figures, if there are none.
    pub missing: Option<String>,
    /// What drove here.
    pub vehicle: String,
    /// The tuned rule on load ratio, which all others are compared with.
    pub rule: Option<RuleFigures>,
    /// How far that rule is behind the clairvoyant plan, if one was driven: what there is to win.
    pub headroom: Option<DifferenceToRule>,
    /// The other policies.
    pub policies: Vec<PolicyFigures>,
}

/// Figures of the rule.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RuleFigures {
    /// Its name.
    pub label: String,
    /// Course time, s.
    pub time_s: Estimate,
    /// Gearbox damage, share of nominal life per km.
    pub damage_per_km: Estimate,
    /// Return, s.
    pub return_s: Estimate,
    /// Course time less the hand-written rule's, s.
    pub hand_difference: Option<DifferenceToRule>,
    /// Ticks of all searches for it.
    pub search_ticks: u64,
}

/// Figures of a policy, and its differences to the rule on the same courses.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PolicyFigures {
    /// Which policy, as in the job's own summary.
    pub record: PolicyRecord,
    /// Course time, s.
    pub time_s: Estimate,
    /// Gearbox damage, share of nominal life per km.
    pub damage_per_km: Estimate,
    /// Course time less the rule's, s.
    pub time_difference: Option<DifferenceToRule>,
    /// Damage less the rule's, share of nominal life per km.
    pub damage_difference: Option<DifferenceToRule>,
    /// Return less the rule's, s: the weighted sum that every policy was tuned and trained for.
    pub return_difference: Option<DifferenceToRule>,
    /// Course time less the hand-written rule's, s: that rule is the same with any budget.
    pub hand_difference: Option<DifferenceToRule>,
    /// Share of the gap between the rule and the plan, %, if there is a gap.
    pub gap_percent: Option<Estimate>,
}

/// A paired difference over training seeds and courses.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DifferenceToRule {
    /// In the unit of the figure.
    pub absolute: Estimate,
    /// Over the mean of the policy compared with, taken as exact, %; none where that mean is zero, and none for
    /// a return, which has no natural zero.
    pub percent: Option<Estimate>,
}

impl SweepPoint {
    /// The figures of the policy with this id.
    #[must_use]
    pub fn policy(&self, id: &str) -> Option<&PolicyFigures> {
        self.policies.iter().find(|figures| figures.record.id == *id)
    }
}

impl SweepSummary {
    /// Learned policies and tables, in the order of the jobs' own reports: id and name.
    #[must_use]
    pub fn learned(&self) -> Vec<(&str, &str)> {
        let mut found: Vec<(&str, &str)> = Vec::new();
        for policy in self.points.iter().flat_map(|point| &point.policies).map(|figures| &figures.record) {
            let learned = matches!(policy.family, Family::Learned | Family::Table);
            if learned && !found.iter().any(|(id, _)| *id == policy.id.as_str()) {
                found.push((policy.id.as_str(), plain_label(&policy.label)));
            }
        }
        // Tables come last.
        found.sort_by_key(|(id, _)| *id == PolicyId::Table.as_str());
        found
    }

    /// A point in words: "mass 5 kg, battery readable".
    #[must_use]
    pub fn words(&self, point: &SweepPoint) -> String {
        self.words_without(point, None)
    }

    /// The same without what one of the axes says.
    fn words_without(&self, point: &SweepPoint, left_out: Option<usize>) -> String {
        let axes = self.axes.iter().zip(&point.place).enumerate().filter(|(i, _)| Some(*i) != left_out);
        let named = axes.map(|(_, (axis, &i))| {
            let value = axis.values.get(i).map_or("", String::as_str);
            format!("{} {value} {}", axis.label, axis.unit).trim_end().to_owned()
        });
        named.collect::<Vec<_>>().join(", ")
    }
}

/// The name without what a job adds about diverged runs.
fn plain_label(label: &str) -> &str {
    label.split(" (").next().unwrap_or(label)
}

impl DifferenceToRule {
    /// As it is displayed, with its unit: relative where it can be, else in seconds.
    fn display_form(&self) -> (Estimate, &'static str) {
        self.percent.map_or((self.absolute, "s"), |percent| (percent, "%"))
    }

    /// Whether its interval excludes zero.
    #[must_use]
    pub fn is_clear(&self) -> bool {
        self.absolute.low > 0.0 || self.absolute.high < 0.0
    }
}

#[cfg(test)]
pub(crate) mod example;
#[cfg(test)]
mod tests;
