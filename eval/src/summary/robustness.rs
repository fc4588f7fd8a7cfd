//! The policy under test against the tuned rule in worlds other than those that both were made for.

use crate::PolicyId;
use serde::{Deserialize, Serialize};

use crate::statistics::Estimate;

/// What is altered in a world; [`crate::robustness::altered`] says how.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Disturbance {
    /// Factor on the mass, on top of its own spread.
    MassFactor,
    /// State of charge at the start, 0 to 1, instead of its spread.
    Charge,
    /// Offset of the tilt sensor, degrees, instead of its spread.
    TiltBiasDeg,
    /// Share of encoder pulses lost or doubled, standard deviation relative to the count.
    EncoderNoise,
    /// Ticks by which readings are later than the vehicle file says.
    LatencyTicks,
    /// Wear of gears, dogs and selector, from 0 (as in the vehicle file) to 1 (worn out).
    Wear,
}

impl Disturbance {
    /// Name.
    #[must_use]
    pub const fn label(self) -> &'static str {
        match self {
            Disturbance::MassFactor => "mass",
            Disturbance::Charge => "battery charge",
            Disturbance::TiltBiasDeg => "tilt bias",
            Disturbance::EncoderNoise => "encoder noise",
            Disturbance::LatencyTicks => "latency",
            Disturbance::Wear => "gear wear",
        }
    }

    /// Unit of its values; empty for shares and states.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Disturbance::MassFactor => "×",
            Disturbance::TiltBiasDeg => "°",
            Disturbance::LatencyTicks => "ticks",
            Disturbance::Charge | Disturbance::EncoderNoise | Disturbance::Wear => "",
        }
    }
}

/// Paired differences over two disturbances.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RobustnessMap {
    /// Policy id.
    pub policy: PolicyId,
    /// Id of what it is compared with.
    pub against: PolicyId,
    /// Across.
    pub x: DisturbanceAxis,
    /// Upwards.
    pub y: DisturbanceAxis,
    /// Row by row from the first y value, each row from the first x value.
    pub cells: Vec<RobustnessCell>,
}

/// One side of a map.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DisturbanceAxis {
    /// What is altered.
    pub disturbance: Disturbance,
    /// Its values, increasing.
    pub values: Vec<f64>,
}

/// Differences `policy - against` in one perturbed condition, paired on its courses.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RobustnessCell {
    /// In course time, s; below zero is better.
    pub time_s: Estimate,
    /// In return, s; above zero is better.
    pub return_s: Estimate,
    /// Mean course time of `against`, s.
    pub against_time_s: f64,
    /// Episodes that `policy` finishes, %.
    pub finished_percent: f64,
    /// Episodes that `against` finishes, %.
    pub against_finished_percent: f64,
}
