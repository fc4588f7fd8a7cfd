//! Torque-life curve and the Palmgren-Miner rule.
//!
//! `N(T) = N_knee (T_knee / T)^m` above the knee; below it the variants differ. Sources: ISO 6336-6:2019
//! (Palmgren-Miner for load spectra), Haibach 1970 (slope `2m - 1` below the knee).

use serde::{Deserialize, Serialize};

/// What happens below the knee of the torque-life curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Miner {
    /// No damage below the knee.
    Original,
    /// The slope goes on to zero.
    Elementary,
    /// Slope `2m - 1` below the knee.
    Haibach,
}

/// A torque-life curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LifeCurve {
    /// Torque range at the knee, N·m.
    pub knee_torque_nm: f64,
    /// Cycles at the knee.
    pub knee_cycles: f64,
    /// Slope exponent `m` on torque.
    pub slope: f64,
    /// Rule below the knee.
    pub miner: Miner,
}

impl LifeCurve {
    /// Damage of one cycle of range `range_nm`: `1 / N(range)`.
    #[must_use]
    pub fn damage_per_cycle(&self, range_nm: f64) -> f64 {
        let load = range_nm / self.knee_torque_nm;
        let slope = match self.miner {
            _ if load >= 1.0 => self.slope,
            Miner::Original => return 0.0,
            Miner::Elementary => self.slope,
            Miner::Haibach => 2.0 * self.slope - 1.0,
        };
        if load <= 0.0 { 0.0 } else { load.powf(slope) / self.knee_cycles }
    }
}
