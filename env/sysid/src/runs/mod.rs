//! Runs: stretches of a log that tell something, each driven after a recipe of the printed sheet.
//!
//! A run is known by its label in the `event` column, or by what the signals do where only one recipe does that;
//! otherwise the log says that it is ambiguous and the stretch is not used.

mod collect;
mod label;
mod shifts;
mod signals;

pub use collect::{Collected, Collector, Limits};
pub use label::{Label, LabelFault, Recipe};
pub use shifts::{Move, ShiftWatch};

use crate::log::Sample;
use crate::{heat::ThermalState, past::Past};

/// One run in one gear.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// What it is.
    pub recipe: Recipe,
    /// Gear, 0 is the lowest.
    pub gear: usize,
    /// Surface, for runs on the ground.
    pub surface: Option<String>,
    /// Grade, uphill positive, degrees.
    pub grade_deg: f64,
    /// Force on the spring scale and its error, N.
    pub force_n: Option<(f64, f64)>,
    /// Rows.
    pub samples: Vec<Sample>,
    /// How warm the motor is at its beginning, as the currents before it tell.
    pub thermal_state: ThermalState,
    /// What went through the motor before it, for other heat constants.
    pub past: Past,
    /// Whether the label or the signals say what it is.
    pub labelled: bool,
}

impl Run {
    /// Line of the first row.
    #[must_use]
    pub fn line(&self) -> u64 {
        self.samples.first().map_or(0, |s| s.line)
    }

    /// Whether it begins at a standstill: the motor does not turn in the first row and was not driven.
    #[must_use]
    pub fn starts_at_rest(&self, still_rad_s: f64) -> bool {
        self.recipe == Recipe::StallPull
            || self.samples.first().is_some_and(|s| s.motor_rad_s.abs() <= still_rad_s)
    }

    /// Name for reports, as `level on lawn, gear 2`.
    #[must_use]
    pub fn name(&self) -> String {
        let surface = self.surface.as_deref().map_or(String::new(), |s| format!(" on {s}"));
        let grade =
            if self.grade_deg == 0.0 { String::new() } else { format!(" at {:.1}°", self.grade_deg) };
        format!("{}{surface}{grade}, gear {}", self.recipe.name(), self.gear + 1)
    }
}
