//! Outcome of an episode.

use serde::{Deserialize, Serialize};

/// Why an episode ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// The end of the course was reached.
    Finished,
    /// No progress for longer than the allowed time.
    StalledOut,
    /// The selector jammed and could not be freed.
    Jammed,
    /// The winding passed its limit temperature.
    Overheated,
    /// The battery's protection switched off.
    BatteryEmpty,
    /// The clock ran out.
    OutOfTime,
}

impl Cause {
    /// Every cause, in the order in which reports show them.
    pub const ALL: [Cause; 6] = [
        Cause::Finished,
        Cause::StalledOut,
        Cause::Jammed,
        Cause::Overheated,
        Cause::BatteryEmpty,
        Cause::OutOfTime,
    ];

    /// The words for it, as readers have them.
    #[must_use]
    pub fn words(self) -> String {
        self.name().replace('-', " ")
    }

    /// The word for it, as files have it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Cause::Finished => "finished",
            Cause::StalledOut => "stalled-out",
            Cause::Jammed => "jammed",
            Cause::Overheated => "overheated",
            Cause::BatteryEmpty => "battery-empty",
            Cause::OutOfTime => "out-of-time",
        }
    }
}

/// The reward of an episode by term, each already weighted, in seconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RewardTerms {
    /// Distance over the reference speed.
    pub progress_s: f64,
    /// Time, negative.
    pub time_s: f64,
    /// Energy, negative.
    pub energy_s: f64,
    /// Gearbox stress, negative.
    pub stress_s: f64,
    /// Shifts, negative.
    pub shift_s: f64,
    /// Standing still under drive, negative.
    pub stall_s: f64,
    /// Not finishing, and the time left until the limit then, negative.
    pub abort_s: f64,
}

impl RewardTerms {
    /// The sum of all terms, s.
    #[must_use]
    pub fn total_s(&self) -> f64 {
        self.progress_s
            + self.time_s
            + self.energy_s
            + self.stress_s
            + self.shift_s
            + self.stall_s
            + self.abort_s
    }
}

/// Figures of one finished episode.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// Why it ended.
    pub cause: Cause,
    /// Course time, s; the time limit when the course was not finished.
    pub time_s: f64,
    /// Distance covered, m.
    pub distance_m: f64,
    /// Battery energy drawn, J.
    pub energy_j: f64,
    /// Shifts begun.
    pub shifts: u32,
    /// Reversals, as [`crate::events`] defines them.
    pub reversals: u32,
    /// Upshifts taken back within the failure window.
    pub failed_upshifts: u32,
    /// Engagements that missed at the first try.
    pub missed_engagements: u32,
    /// Time standing still under drive, s.
    pub stall_s: f64,
    /// Gearbox damage, share of nominal life.
    pub damage: f64,
    /// Highest winding temperature, °C.
    pub peak_winding_c: f64,
    /// Return by term.
    pub reward: RewardTerms,
}
