//! Settings of an episode: when it ends and what counts.

use crate::config::{Check, KeyError, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The episode in a study file.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct EpisodeConfig {
    /// The clock runs out after this long, s.
    pub time_limit_s: f64,
    /// Without any progress for this long the vehicle has stalled out, s.
    pub give_up_s: f64,
    /// A jam that lasts this long is beyond recovery, s.
    pub jam_limit_s: f64,
    /// Duty that the throttle is held at, permille.
    pub throttle_permille: u16,
    /// Gear at the start, 1 is the lowest.
    pub start_gear: usize,
    /// What counts.
    pub reward: RewardConfig,
}

/// Weights of the reward, all in seconds.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct RewardConfig {
    /// Progress is distance over this speed, m/s.
    pub reference_speed_m_s: f64,
    /// Per second of time.
    pub time: f64,
    /// Seconds per joule from the battery.
    pub energy_s_per_j: f64,
    /// Seconds per nominal gearbox life: the knob between speed and wear.
    pub stress_s_per_life: f64,
    /// Seconds per shift.
    pub shift_s: f64,
    /// Seconds per second standing still under drive.
    pub stall: f64,
    /// Seconds for not finishing, in addition to the time that was left until the time limit.
    pub abort_s: f64,
}

impl Default for EpisodeConfig {
    fn default() -> EpisodeConfig {
        EpisodeConfig {
            time_limit_s: 600.0,
            give_up_s: 30.0,
            jam_limit_s: 10.0,
            throttle_permille: 1000,
            start_gear: 1,
            reward: RewardConfig::default(),
        }
    }
}

impl Default for RewardConfig {
    fn default() -> RewardConfig {
        RewardConfig {
            reference_speed_m_s: 0.3,
            time: 1.0,
            energy_s_per_j: 0.0,
            stress_s_per_life: 20_000.0,
            shift_s: 0.1,
            stall: 0.5,
            abort_s: 100.0,
        }
    }
}

impl Check for EpisodeConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("time-limit-s", self.time_limit_s, 1.0, 86_400.0, "s")?;
        in_range("give-up-s", self.give_up_s, 1.0, 3600.0, "s")?;
        in_range("jam-limit-s", self.jam_limit_s, 0.5, 3600.0, "s")?;
        in_range("throttle-permille", f64::from(self.throttle_permille), 50.0, 1000.0, "permille")?;
        in_range("start-gear", self.start_gear as f64, 1.0, 6.0, "")?;
        self.reward.check().map_err(|e| e.within("reward"))
    }
}

impl Check for RewardConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("reference-speed-m-s", self.reference_speed_m_s, 0.01, 100.0, "m/s")?;
        for (key, weight, most) in [
            ("time", self.time, 100.0),
            ("energy-s-per-j", self.energy_s_per_j, 100.0),
            ("stress-s-per-life", self.stress_s_per_life, 1e9),
            ("shift-s", self.shift_s, 100.0),
            ("stall", self.stall, 100.0),
            ("abort-s", self.abort_s, 1e5),
        ] {
            in_range(key, weight, 0.0, most, "")?;
        }
        Ok(())
    }
}
