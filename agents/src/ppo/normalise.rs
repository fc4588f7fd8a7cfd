//! Mean and deviation of what has been seen so far.

use serde::{Deserialize, Serialize};

use super::NeuralError;

/// Count, mean and sum of squared deviations of vectors, one at a time (Welford 1962, "Note on a method for
/// calculating corrected sums of squares and products", Technometrics 4).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct RunningMeanVar {
    count: u64,
    mean: Vec<f64>,
    squares: Vec<f64>,
}

impl RunningMeanVar {
    pub(crate) fn new(length: usize) -> RunningMeanVar {
        RunningMeanVar { count: 0, mean: vec![0.0; length], squares: vec![0.0; length] }
    }

    pub(crate) fn add(&mut self, values: impl IntoIterator<Item = f64>) {
        self.count += 1;
        let share = 1.0 / self.count as f64;
        for ((value, mean), squares) in values.into_iter().zip(&mut self.mean).zip(&mut self.squares) {
            let off = value - *mean;
            *mean += off * share;
            *squares += off * (value - *mean);
        }
    }

    pub(crate) fn fits(&self, length: usize) -> bool {
        let finite = self.mean.iter().chain(&self.squares).all(|x| x.is_finite());
        self.mean.len() == length && self.squares.len() == length && finite
    }

    /// Standard deviation of each number; 1 before the second vector.
    pub(crate) fn deviations(&self) -> impl Iterator<Item = f64> + '_ {
        let deviation = |squares: &f64| (squares / self.count as f64).sqrt();
        self.squares.iter().map(move |s| if self.count < 2 { 1.0 } else { deviation(s) })
    }

    /// Root mean square of the first number; 1 where it was never anything but 0. Unlike the deviation it is a scale for
    /// numbers that never differ, too.
    pub(crate) fn scale(&self) -> f64 {
        let mean_square = |(mean, squares): (&f64, &f64)| mean * mean + squares / self.count.max(1) as f64;
        let root = self.mean.iter().zip(&self.squares).next().map_or(0.0, mean_square).sqrt();
        if root > 0.0 { root } else { 1.0 }
    }

    /// What turns vectors like those seen into ones of mean 0 and deviation 1.
    pub(crate) fn normaliser(&self) -> Normaliser {
        let scale = self.deviations().map(|d| (1.0 / d.max(1e-4)) as f32).collect();
        Normaliser { mean: self.mean.iter().map(|&m| m as f32).collect(), scale, clamp: true }
    }
}

/// Farthest that a normalised number lies from 0.
const FARTHEST: f32 = 10.0;

/// Shifts and scales vectors: `clamp((x - mean) scale, -10, 10)`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Normaliser {
    mean: Vec<f32>,
    scale: Vec<f32>,
    /// Whether numbers are kept within ±10: only where they were scaled.
    #[serde(default = "clamped")]
    clamp: bool,
}

const fn clamped() -> bool {
    true
}

impl Normaliser {
    /// Changes nothing.
    #[must_use]
    pub fn identity(length: usize) -> Normaliser {
        Normaliser { mean: vec![0.0; length], scale: vec![1.0; length], clamp: false }
    }

    /// The same for the first `length` numbers.
    #[must_use]
    pub(crate) fn first(&self, length: usize) -> Normaliser {
        let part = |values: &[f32]| values[..length.min(values.len())].to_vec();
        Normaliser { mean: part(&self.mean), scale: part(&self.scale), clamp: self.clamp }
    }

    /// Shifts and scales `values` in place.
    pub fn apply(&self, values: &mut [f32]) {
        let farthest = if self.clamp { FARTHEST } else { f32::INFINITY };
        for ((x, mean), scale) in values.iter_mut().zip(&self.mean).zip(&self.scale) {
            *x = ((*x - mean) * scale).clamp(-farthest, farthest);
        }
    }

    pub(crate) fn check(&self, length: usize) -> Result<(), NeuralError> {
        crate::neural::check_length("mean", self.mean.len(), length)?;
        crate::neural::check_length("scale", self.scale.len(), length)?;
        let finite = self.mean.iter().chain(&self.scale).all(|x| x.is_finite());
        if finite { Ok(()) } else { Err(NeuralError::NotFinite("normaliser")) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_by_hand() {
        // 1, 2, 6: mean 3, squares 4 + 1 + 9 = 14.
        let mut running = RunningMeanVar::new(1);
        assert_eq!(running.deviations().collect::<Vec<_>>(), [1.0]);
        [1.0, 2.0, 6.0].into_iter().for_each(|x| running.add([x]));
        assert!((running.mean[0] - 3.0).abs() < 1e-12 && (running.squares[0] - 14.0).abs() < 1e-12);
        let mut values = [3.0, 3.0 + (14.0_f32 / 3.0).sqrt(), 1000.0];
        for value in &mut values {
            running.normaliser().apply(std::slice::from_mut(value));
        }
        assert!(values[0].abs() < 1e-6 && (values[1] - 1.0).abs() < 1e-6);
        assert_eq!(values[2], 10.0);
    }

    #[test]
    fn the_scale_is_a_root_mean_square_and_has_a_floor() {
        let scale = |values: &[f64]| {
            let mut running = RunningMeanVar::new(1);
            values.iter().for_each(|&x| running.add([x]));
            running.scale()
        };
        assert!((scale(&[1.0, 2.0, 6.0]) - (41.0_f64 / 3.0).sqrt()).abs() < 1e-12);
        assert!((scale(&[-5.0; 9]) - 5.0).abs() < 1e-12);
        assert_eq!((scale(&[]), scale(&[0.0; 3])), (1.0, 1.0));
    }

    #[test]
    fn the_identity_changes_nothing() {
        let mut values = [12_345.0, -30.0];
        Normaliser::identity(2).apply(&mut values);
        assert_eq!(values, [12_345.0, -30.0]);
    }

    #[test]
    fn what_never_changes_is_not_blown_up() {
        let mut running = RunningMeanVar::new(1);
        (0..5).for_each(|_| running.add([0.25]));
        let mut values = [0.25];
        running.normaliser().apply(&mut values);
        assert_eq!(values, [0.0]);
    }
}
