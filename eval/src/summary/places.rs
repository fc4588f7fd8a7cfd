//! Where things go wrong: what happened on each kind of ground.

use crate::PolicyId;
use serde::{Deserialize, Serialize};

/// Class of a grade, uphill positive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GradeClass {
    /// Below -4 degrees.
    SteepDown,
    /// -4 to -1 degrees.
    Down,
    /// -1 to 1 degree.
    Level,
    /// 1 to 4 degrees.
    Up,
    /// Above 4 degrees.
    SteepUp,
}

impl GradeClass {
    /// The class of a grade, degrees.
    #[must_use]
    pub fn of(grade_deg: f64) -> GradeClass {
        match grade_deg {
            g if g < -4.0 => GradeClass::SteepDown,
            g if g < -1.0 => GradeClass::Down,
            g if g <= 1.0 => GradeClass::Level,
            g if g <= 4.0 => GradeClass::Up,
            _ => GradeClass::SteepUp,
        }
    }

    /// In words.
    #[must_use]
    pub const fn label(self) -> &'static str {
        match self {
            GradeClass::SteepDown => "down, over 4°",
            GradeClass::Down => "down, 1° to 4°",
            GradeClass::Level => "level",
            GradeClass::Up => "up, 1° to 4°",
            GradeClass::SteepUp => "up, over 4°",
        }
    }
}

/// What happened to one policy on one kind of ground, over all test courses and training seeds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlaceCount {
    /// Policy id.
    pub policy: PolicyId,
    /// Surface under the front axle.
    pub surface: String,
    /// Grade there.
    pub grade: GradeClass,
    /// Distance covered there, m.
    pub distance_m: f64,
    /// Times that the vehicle stopped under drive.
    pub stalls: u32,
    /// How long it stood, s.
    pub stalled_s: f64,
    /// Upshifts that had to be taken back.
    pub failed_upshifts: u32,
    /// Times that it hunted: up, down and up again within [`lowgear_env::events::HUNTING_S`].
    pub hunts: u32,
}
