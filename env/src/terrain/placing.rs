//! Kinds of obstacle, and where they lie.

use super::generate::{LEAST_GAP_M, SurfaceConfig};
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
    #[serde(default = "single")]
    pub row_count: ParameterDistribution,
    /// Spacing within a row, m.
    #[serde(default = "half_metre")]
    pub row_spacing_m: ParameterDistribution,
    /// Share of the laps of a way on which the wheels meet one of these: it lies there, and they do not pass it by.
    /// 0 to 1; absent: all laps.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub met_share: Option<f64>,
    /// Obstacles (or rows) per metre that lie there on one lap of a way only, 0 to 5; absent: none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stray_rate_per_m: Option<f64>,
}

fn single() -> ParameterDistribution {
    ParameterDistribution::Fixed(1.0)
}

fn half_metre() -> ParameterDistribution {
    ParameterDistribution::Fixed(0.5)
}

/// An obstacle as it was drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlacedObstacle {
    /// The obstacle.
    pub obstacle: Obstacle,
    /// Number of its kind in [`RandomConfig::obstacles`](super::RandomConfig::obstacles).
    pub kind: usize,
    /// Its number in its row, from 0; single ones are rows of one.
    pub in_row: usize,
    /// The ground there is of a kind on which it lies, and it is not too near the end of the course.
    pub lies: bool,
}

/// Free run before the first obstacle, m.
pub const FREE_START_M: f64 = 0.3;
/// Free run behind the last one, m.
pub const FREE_END_M: f64 = 0.2;

impl ObstacleConfig {
    /// Obstacles of this kind on a course of this length, `rate_per_m` of them (or rows of them) per metre, those that do
    /// not lie among them; of kind number 0.
    pub(super) fn place(
        &self,
        rate_per_m: f64,
        length_m: f64,
        kinds: &[SurfaceConfig],
        patches: &[(f64, usize, usize)],
        rng: &mut impl Rng,
    ) -> Vec<PlacedObstacle> {
        let mut obstacles = Vec::new();
        let Ok(gap) = Exp::new(rate_per_m) else { return obstacles };
        let mut at = FREE_START_M + gap.sample(rng);
        while at < length_m && rate_per_m > 0.0 {
            let count = self.row_count.draw(rng).round().max(1.0) as usize;
            let spacing = self.row_spacing_m.draw(rng).max(LEAST_GAP_M);
            let height_m = self.height_m.draw(rng);
            for i in 0..count {
                let position_m = at + i as f64 * spacing;
                let patch = patches.partition_point(|p| p.0 <= position_m).saturating_sub(1);
                let fits = self.on.is_empty() || self.on.contains(&kinds[patches[patch].2].name);
                obstacles.push(PlacedObstacle {
                    obstacle: Obstacle { position_m, height_m, shape: self.shape },
                    kind: 0,
                    in_row: i,
                    lies: fits && position_m < length_m - FREE_END_M,
                });
            }
            at += count.saturating_sub(1) as f64 * spacing + gap.sample(rng);
        }
        obstacles
    }
}

impl Check for ObstacleConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("rate-per-m", self.rate_per_m, 0.0, 5.0, "1/m")?;
        self.height_m.check_within("height-m", 0.0005, 0.5, "m")?;
        self.row_count.check_within("row-count", 1.0, 1000.0, "")?;
        self.row_spacing_m.check_within("row-spacing-m", LEAST_GAP_M, 1000.0, "m")?;
        self.met_share.map_or(Ok(()), |share| in_range("met-share", share, 0.0, 1.0, ""))?;
        self.stray_rate_per_m.map_or(Ok(()), |rate| in_range("stray-rate-per-m", rate, 0.0, 5.0, "1/m"))
    }
}
