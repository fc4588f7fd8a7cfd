//! The figures of a policy: key, name, unit, direction.

use serde::{Deserialize, Serialize};

/// A figure of a policy on the test courses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Metric {
    /// Episodes that reached the end, %.
    #[serde(rename = "finished_percent")]
    Finished,
    /// Course time, s; the time limit when the course was not finished.
    #[serde(rename = "course_time_s")]
    CourseTime,
    /// Interquartile mean of the course times: the mean of the middle half of all seed-course pairs, s.
    #[serde(rename = "iqm_time_s")]
    IqmTime,
    /// Mean course time of the worst 5 % of seed-course pairs, s.
    #[serde(rename = "cvar5_time_s")]
    CvarTime,
    /// Share of the gap between the tuned load-ratio rule (0) and the plan (100), %.
    #[serde(rename = "gap_percent")]
    GapShare,
    /// Return, s.
    #[serde(rename = "return_s")]
    Return,
    /// Battery energy per distance, J/m.
    #[serde(rename = "energy_j_per_m")]
    Energy,
    /// Standing still under drive per course, s.
    #[serde(rename = "stall_s")]
    Stall,
    /// Highest winding temperature, °C.
    #[serde(rename = "peak_winding_c")]
    PeakWinding,
    /// Shifts per 100 m.
    #[serde(rename = "shifts_per_100m")]
    Shifts,
    /// Reversals per 100 m.
    #[serde(rename = "reversals_per_100m")]
    Reversals,
    /// Failed upshifts per 100 m.
    #[serde(rename = "failed_upshifts_per_100m")]
    FailedUpshifts,
    /// Missed engagements per 100 m.
    #[serde(rename = "missed_engagements_per_100m")]
    MissedEngagements,
    /// Gearbox damage per km, share of nominal life.
    #[serde(rename = "damage_per_km")]
    Damage,
}

impl Metric {
    /// Name with its unit's place left out.
    #[must_use]
    pub const fn label(self) -> &'static str {
        match self {
            Metric::Finished => "finished",
            Metric::CourseTime => "course time",
            Metric::IqmTime => "interquartile mean of course times",
            Metric::CvarTime => "CVaR₅ of course times (mean of the worst 5 %)",
            Metric::GapShare => "share of the gap to the plan",
            Metric::Return => "return",
            Metric::Energy => "energy",
            Metric::Stall => "stalled",
            Metric::PeakWinding => "peak winding temperature",
            Metric::Shifts => "shifts",
            Metric::Reversals => "reversals",
            Metric::FailedUpshifts => "failed upshifts",
            Metric::MissedEngagements => "missed engagements",
            Metric::Damage => "gearbox damage",
        }
    }

    /// Its unit.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Metric::Finished | Metric::GapShare => "%",
            Metric::CourseTime | Metric::IqmTime | Metric::CvarTime | Metric::Return => "s",
            Metric::Energy => "J/m",
            Metric::Stall => "s per course",
            Metric::PeakWinding => "°C",
            Metric::Shifts | Metric::Reversals | Metric::FailedUpshifts | Metric::MissedEngagements => {
                "per 100\u{a0}m"
            }
            Metric::Damage => "of nominal life per km",
        }
    }

    /// Whether a larger figure is the better one.
    #[must_use]
    pub const fn more_is_better(self) -> bool {
        matches!(self, Metric::Finished | Metric::GapShare | Metric::Return)
    }
}
