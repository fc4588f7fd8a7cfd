//! The beam of a range sensor: which ground it covers, and how much each part of it counts.
//!
//! A sensor at the height `h` is aimed at level ground `a` ahead, `d = atan(h / a)` below the horizon. Ground that is `y`
//! higher where a ray meets it `e` below the horizon shortens that ray by `y / sin e`, and the mean range stands for
//! a height of `sin d` times the mean shortening. Rays are spread evenly over the angle of the cone; those that meet no
//! ground within [`FARTHEST_M`] return nothing.

use crate::vehicle::RangeConfig;
use std::f64::consts::FRAC_PI_2;

/// Strips that the cone is cut into.
const STRIPS: usize = 32;
/// Ground farther away returns nothing, m.
const FARTHEST_M: f64 = 2.0;

/// A beam aimed at the ground.
pub(super) struct Beam {
    /// Where its middle meets level ground, m ahead of the front axle.
    pub(super) ahead_m: f64,
    height_m: f64,
    half_rad: f64,
}

/// Ground between two rays.
pub(super) struct Strip {
    /// Its middle, m ahead of the front axle.
    pub(super) ahead_m: f64,
    /// Part of the reading that it makes.
    pub(super) weight: f64,
    /// Its points, counted from the last axle.
    points: [usize; 2],
}

impl Beam {
    /// The beam of a sensor that is aimed at the ground `ahead_m` ahead.
    pub(super) fn new(config: &RangeConfig, ahead_m: f64) -> Beam {
        Beam { ahead_m, height_m: config.height_m, half_rad: 0.5 * config.cone_deg.to_radians() }
    }

    /// Sine of the angle of the middle ray below the horizon.
    pub(super) fn sine(&self) -> f64 {
        self.height_m / self.height_m.hypot(self.ahead_m)
    }

    /// Nearest and farthest ground that it covers, m.
    pub(super) fn footprint_m(&self) -> [f64; 2] {
        let middle = self.height_m.atan2(self.ahead_m);
        [middle + self.half_rad, middle - self.half_rad].map(|angle| self.distance_m(angle))
    }

    /// Farthest ground that it covers, m.
    pub(super) fn reach_m(&self) -> f64 {
        self.footprint_m()[1]
    }

    /// Where a ray meets level ground, m; from 0 to [`FARTHEST_M`].
    fn distance_m(&self, angle: f64) -> f64 {
        let angle = angle.clamp((self.height_m / FARTHEST_M).atan(), FRAC_PI_2);
        self.height_m / angle.tan()
    }

    /// The strips of the cone that return something; `steps` counts points from the last axle.
    pub(super) fn strips(&self, steps: impl Fn(f64) -> usize) -> Vec<Strip> {
        let (middle, lowest) = (self.height_m.atan2(self.ahead_m), (self.height_m / FARTHEST_M).atan());
        let angle = |i: usize| middle + self.half_rad * (1.0 - 2.0 * i as f64 / STRIPS as f64);
        let strip = |i: usize| {
            let (near, far) = (angle(i).min(FRAC_PI_2), angle(i + 1));
            (far > lowest && far < near).then(|| {
                let points = [near, far].map(|angle| steps(self.distance_m(angle)));
                let between = 0.5 * (near + far);
                let weight = self.sine() / between.sin();
                Strip {
                    ahead_m: self.distance_m(between),
                    weight,
                    points: [points[0], points[1].max(points[0] + 1)],
                }
            })
        };
        let mut strips: Vec<Strip> = (0..STRIPS).filter_map(strip).collect();
        let count = strips.len() as f64;
        strips.iter_mut().for_each(|strip| strip.weight /= count);
        strips
    }
}

impl Strip {
    /// Mean height of its ground, m, from sums of heights, with the last axle at point `i`.
    pub(super) fn mean(&self, sums: &[f64], i: usize) -> f64 {
        let [from, to] = self.points.map(|point| (i + point).min(sums.len() - 1));
        if to > from { (sums[to] - sums[from]) / (to - from) as f64 } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sensing::preview::profile::STEP_M;

    fn config() -> RangeConfig {
        RangeConfig {
            ahead_m: 0.25,
            height_m: 0.1,
            cone_deg: 27.0,
            noise_m: 0.02,
            resolution_m: 0.001,
            period_ticks: 1,
            dropout_share: 0.0,
            false_share: 0.0,
            canopy_m: 0.0,
            low_m: 0.02,
            high_m: 0.04,
        }
    }

    /// From 0.1 m up at 0.25 m the middle ray is 21.80 degrees below the horizon; 13.5 degrees more and less meet the
    /// ground at 0.1 / tan 35.30 = 0.141 m and 0.1 / tan 8.30 = 0.685 m.
    #[test]
    fn the_footprint_follows_from_the_cone() {
        let [near_m, far_m] = Beam::new(&config(), 0.25).footprint_m();
        assert!((near_m - 0.1412).abs() < 5e-4 && (far_m - 0.6855).abs() < 1e-3, "{near_m} {far_m}");
        // Straight down from 0.15 m a cone of 27 degrees covers 2 * 0.15 tan 13.5 = 72 mm; half of it lies ahead.
        let down = Beam::new(&RangeConfig { height_m: 0.15, ..config() }, 0.0);
        assert!((down.reach_m() - 0.036).abs() < 1e-3, "{}", down.reach_m());
    }

    #[test]
    fn level_ground_that_is_higher_everywhere_reads_as_high_as_it_is() {
        // A raise of 10 mm under a narrow beam shortens every ray by 10 mm / sin of its angle.
        let beam = Beam::new(&RangeConfig { cone_deg: 0.5, ..config() }, 0.25);
        let strips = beam.strips(|ahead_m| (ahead_m / STEP_M) as usize);
        let sums: Vec<f64> = (0..2000).map(|i| 0.01 * f64::from(i)).collect();
        let read: f64 = strips.iter().map(|s| s.weight * s.mean(&sums, 0)).sum();
        assert!((read - 0.01).abs() < 1e-5, "{read}");
    }

    #[test]
    fn a_rod_in_a_wide_cone_hardly_shows() {
        let beam = Beam::new(&config(), 0.25);
        let strips = beam.strips(|ahead_m| (ahead_m / STEP_M) as usize);
        // 8 mm high and 8 mm long at 0.25 m.
        let height = |i: usize| if (125..129).contains(&i) { 0.008 } else { 0.0 };
        let sums: Vec<f64> = (0..2000)
            .scan(0.0, |sum, i| {
                let before = *sum;
                *sum += height(i);
                Some(before)
            })
            .collect();
        let read: f64 = strips.iter().map(|s| s.weight * s.mean(&sums, 0)).sum();
        assert!(read > 0.0 && read < 0.001, "{read}");
    }
}
