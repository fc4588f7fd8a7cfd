//! Rows of obstacles along random ground.

use super::{Obstacle, ObstacleShape};
use crate::config::{Check, KeyError, ParameterDistribution, in_range};
use rand::Rng;
use rand_distr::{Distribution, Exp};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A kind of obstacle: single ones as a Poisson process, or in rows of regular spacing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ObstacleConfig {
    /// Shape.
    pub shape: ObstacleShape,
    /// Obstacles (or rows) per metre, 0 to 5.
    pub rate_per_m: f64,
    /// Height, m.
    pub height_m: ParameterDistribution,
    /// Surfaces they lie on; all when empty.
    #[serde(default)]
    pub on: Vec<String>,
    /// Obstacles in a row; 1 for single ones.
    #[serde(default = "one")]
    pub row_count: ParameterDistribution,
    /// Spacing within a row, m.
    #[serde(default = "half_metre")]
    pub row_spacing_m: ParameterDistribution,
}

fn half_metre() -> ParameterDistribution {
    ParameterDistribution::Fixed(0.5)
}

fn one() -> ParameterDistribution {
    ParameterDistribution::Fixed(1.0)
}

/// Least distance between two obstacles, m.
pub(super) const LEAST_GAP_M: f64 = 0.10;
/// Free run before the first obstacle, m.
const FREE_START_M: f64 = 0.3;

/// A row as drawn; a single obstacle is a row of one. What of it lies on other surfaces than its kind's, or too close
/// behind another obstacle, is left out of the course.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ObstacleRow {
    /// Number of its kind in the course file.
    pub kind: usize,
    /// Where its first obstacle lies, m.
    pub start_m: f64,
    /// Obstacles.
    pub count: usize,
    /// Distance from one to the next, m.
    pub spacing_m: f64,
    /// Height of all of them, m.
    pub height_m: f64,
}

impl ObstacleRow {
    /// Distance from its first obstacle to its last, m.
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.count.saturating_sub(1) as f64 * self.spacing_m
    }
}

impl ObstacleConfig {
    /// Where the first row may start, m: from there on, and from the end of each row, the way to the next start is
    /// exponential with mean `1 / rate_per_m`.
    pub const FREE_START_M: f64 = FREE_START_M;

    /// Draws what a row is made of, with its start at `start_m`.
    pub fn row(&self, kind: usize, start_m: f64, rng: &mut impl Rng) -> ObstacleRow {
        let count = self.row_count.draw(rng).round().max(1.0) as usize;
        let spacing_m = self.row_spacing_m.draw(rng).max(LEAST_GAP_M);
        ObstacleRow { kind, start_m, count, spacing_m, height_m: self.height_m.draw(rng) }
    }

    /// The rows on `length_m` of way.
    pub(super) fn rows(&self, kind: usize, length_m: f64, rng: &mut impl Rng) -> Vec<ObstacleRow> {
        let mut rows = Vec::new();
        let Ok(gap) = Exp::new(self.rate_per_m) else { return rows };
        let mut at = FREE_START_M + gap.sample(rng);
        while at < length_m && self.rate_per_m > 0.0 {
            let row = self.row(kind, at, rng);
            at += row.length_m() + gap.sample(rng);
            rows.push(row);
        }
        rows
    }

    /// The obstacles of a row that lie on surfaces of this kind.
    pub(super) fn place<'a>(
        &self,
        row: &ObstacleRow,
        length_m: f64,
        surface_at: impl Fn(f64) -> &'a str,
    ) -> Vec<Obstacle> {
        (0..row.count)
            .map(|i| row.start_m + i as f64 * row.spacing_m)
            .filter(|&at| at < length_m - 0.2 && self.lies_on(surface_at(at)))
            .map(|position_m| Obstacle { position_m, height_m: row.height_m, shape: self.shape })
            .collect()
    }

    /// Whether it lies on the surface of that name.
    #[must_use]
    pub fn lies_on(&self, surface: &str) -> bool {
        self.on.is_empty() || self.on.iter().any(|name| name == surface)
    }
}

impl Check for ObstacleConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("rate-per-m", self.rate_per_m, 0.0, 5.0, "1/m")?;
        self.height_m.check_within("height-m", 0.0005, 0.5, "m")?;
        self.row_count.check_within("row-count", 1.0, 1000.0, "")?;
        self.row_spacing_m.check_within("row-spacing-m", LEAST_GAP_M, 1000.0, "m")
    }
}
