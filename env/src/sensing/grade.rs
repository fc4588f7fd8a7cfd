//! Tilt as an accelerometer shows it.

use crate::motion::GRAVITY_M_S2;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI};

/// A grade as an accelerometer sees it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Grade {
    pub(super) sine: f64,
    cosine: f64,
    angle_deg: f64,
}

/// Tilt that an accelerometer shows, degrees: `tan = (g sin(grade) + a) / (g cos(grade))`; acceleration leaks
/// into it.
#[must_use]
pub fn tilt_deg(sin_grade: f64, acceleration_m_s2: f64) -> f64 {
    Grade::new(sin_grade).tilt_deg(acceleration_m_s2)
}

/// Degrees in a radian.
const DEGREES: f64 = 180.0 / std::f64::consts::PI;
/// Accelerations of steady-state driving: they add a tangent of at most 0.125.
const SMALL_M_S2: f32 = 1.0;

impl Grade {
    pub(super) fn new(sin_grade: f64) -> Grade {
        let cosine = (1.0 - sin_grade * sin_grade).max(0.0).sqrt();
        Grade { sine: sin_grade, cosine, angle_deg: arctangent(sin_grade / cosine) * DEGREES }
    }

    /// The tilt shown: the grade and what the acceleration adds, `tan = a cos / (g + a sin)` (the tangent of the
    /// difference of two angles). An acceleration may turn the vehicle's weight round.
    fn tilt_deg(&self, a: f64) -> f64 {
        let (y, x) = (a * self.cosine, GRAVITY_M_S2 + a * self.sine);
        let added = if x > 0.0 { arctangent(y / x) } else { PI.copysign(y) + arctangent(y / x) };
        self.angle_deg + added * DEGREES
    }

    /// The same for several accelerations at once, in single precision where they are small.
    #[inline]
    pub(super) fn tilts_deg<const N: usize>(&self, acceleration_m_s2: &[f32; N]) -> [f32; N] {
        let [sine, cosine, angle_deg] = [self.sine, self.cosine, self.angle_deg].map(|x| x as f32);
        let (mut tilts, mut small) = ([0.0; N], true);
        for i in 0..N {
            let a = acceleration_m_s2[i];
            small &= a.abs() <= SMALL_M_S2;
            let added = tiny_arctangent(a * cosine / (GRAVITY_M_S2 as f32 + a * sine));
            tilts[i] = angle_deg + added * DEGREES as f32;
        }
        if small { tilts } else { acceleration_m_s2.map(|a| self.tilt_deg(f64::from(a)) as f32) }
    }
}

/// The power series for tangents up to 0.125: good to single precision.
#[inline]
fn tiny_arctangent(t: f32) -> f32 {
    let t2 = t * t;
    t * (1.0 - t2 * (1.0 / 3.0 - t2 * (1.0 / 5.0 - t2 * (1.0 / 7.0))))
}

/// Tangent of an eighth of a half turn: up to here the series below is good to 1e-10.
const SMALL_TANGENT: f64 = 0.414_213_562;

/// Angle whose tangent is `t`, rad, to 1e-10. Our own, for the same bits on every machine.
pub(super) fn arctangent(t: f64) -> f64 {
    let size = t.abs();
    let angle = if size <= SMALL_TANGENT {
        small_arctangent(size)
    } else if size <= 1.0 {
        FRAC_PI_4 + small_arctangent((size - 1.0) / (size + 1.0))
    } else {
        FRAC_PI_2 - arctangent(1.0 / size)
    };
    angle.copysign(t)
}

/// The power series, for arguments up to [`SMALL_TANGENT`].
#[inline]
fn small_arctangent(t: f64) -> f64 {
    let t2 = t * t;
    let t4 = t2 * t2;
    let low = (1.0 - t2 * (1.0 / 3.0)) + t4 * (1.0 / 5.0 - t2 * (1.0 / 7.0));
    let middle = (1.0 / 9.0 - t2 * (1.0 / 11.0)) + t4 * (1.0 / 13.0 - t2 * (1.0 / 15.0));
    let high = (1.0 / 17.0 - t2 * (1.0 / 19.0)) + t4 * (1.0 / 21.0);
    t * (low + t4 * t4 * (middle + t4 * t4 * high))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_arctangent_agrees_with_the_standard_library() {
        for i in -1000..=1000 {
            let t = f64::from(i) * 1e-3;
            assert!((arctangent(t) - t.atan()).abs() < 1e-10, "{t}");
        }
        for (sin, a) in [(0.9, 30.0), (-0.3, -20.0), (0.1, 0.0), (0.0, 9.0), (0.999, -60.0)] {
            let cos = (1.0f64 - sin * sin).sqrt();
            let exact = (GRAVITY_M_S2 * sin + a).atan2(GRAVITY_M_S2 * cos).to_degrees();
            assert!((tilt_deg(sin, a) - exact).abs() < 1e-6);
        }
    }

    #[test]
    fn several_tilts_at_once_are_those_one_by_one() {
        for sine in [0.0, 0.3, -0.6, 0.9] {
            let grade = Grade::new(sine);
            for a in [0.0, 0.05, -0.7, 0.999, -1.5, 30.0] {
                let [one, _] = grade.tilts_deg(&[a, 0.5 * a]);
                assert!((f64::from(one) - tilt_deg(sine, f64::from(a))).abs() < 2e-5, "{sine} {a}");
            }
        }
    }
}
