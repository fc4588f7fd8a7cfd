//! Simulation of the same laps as a control variate: what battery and motor at the start of the laps explain of a pair's
//! difference is taken off, and the interval becomes shorter.
//!
//! Per lap the model predicts a time from charge and warmth at its start, with one and the same policy for every lap. The
//! predicted difference of a pair, x, knows nothing of who drove which lap, and a coin decided that; so its mean is 0
//! whatever the model is worth, and the mean of `d - b x` is that of the measured differences d for any b that does not
//! depend on this pair. Here b comes from the earlier pairs alone (it is predictable), by regression with a prior: the model
//! is believed by one half at first, give or take one half. A poor model costs pairs, never validity. (Control variates in
//! sequential inference: Waudby-Smith, Ramdas 2024, J. R. Stat. Soc. B 86, section on predictable plug-ins; simulation as
//! control variate for few real runs: arXiv 2510.04354.)
//!
//! What remains of the assumption: a policy that warms the motor more changes the start of the next lap. Under policies
//! that are equal this is symmetric; otherwise it moves the mean of x by a part of an effect that the lap times have as well.

/// Mean and standard deviation of the prior of the coefficient: 1 would be a model that is right in everything.
const PRIOR: (f64, f64) = (0.5, 0.5);

/// Differences without what their covariate explains.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Adjusted {
    /// `d - b x`, pair by pair.
    pub differences: Vec<f64>,
    /// The coefficients b, each from the pairs before.
    pub coefficients: Vec<f64>,
}

/// Takes off what `predicted` explains of `differences`; a pair without a prediction is left as it is.
#[must_use]
pub fn adjust(differences: &[f64], predicted: &[Option<f64>]) -> Adjusted {
    let mut adjusted = Adjusted::default();
    let mut sums = Regression::default();
    for (d, x) in differences.iter().zip(predicted) {
        let b = sums.coefficient();
        adjusted.coefficients.push(b);
        adjusted.differences.push(d - b * x.unwrap_or(0.0));
        if let Some(x) = x {
            sums.take(*x, *d);
        }
    }
    adjusted
}

/// Running sums of a straight line (Welford 1962).
#[derive(Clone, Copy, Debug, Default)]
struct Regression {
    count: f64,
    mean_x: f64,
    mean_d: f64,
    xx: f64,
    xd: f64,
    dd: f64,
}

impl Regression {
    fn take(&mut self, x: f64, d: f64) {
        self.count += 1.0;
        let (dx, dd) = (x - self.mean_x, d - self.mean_d);
        self.mean_x += dx / self.count;
        self.mean_d += dd / self.count;
        self.xx += dx * (x - self.mean_x);
        self.xd += dx * (d - self.mean_d);
        self.dd += dd * (d - self.mean_d);
    }

    /// Mean of the posterior; the scatter of the differences stands for that of the line.
    fn coefficient(&self) -> f64 {
        let (mean, sd) = PRIOR;
        let variance = self.dd / (self.count - 1.0);
        // Too few pairs, or all alike.
        if self.count < 2.0 || variance <= 0.0 {
            return mean;
        }
        let prior = 1.0 / (sd * sd);
        (self.xd / variance + mean * prior) / (self.xx / variance + prior)
    }
}

/// What the control variate did in a trial.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ControlVariate {
    /// Pairs with a prediction.
    pub pairs: usize,
    /// The coefficient that the next pair would have.
    pub coefficient: f64,
    /// Standard deviation of the adjusted differences over that of the measured ones, squared.
    pub variance_ratio: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wobble(i: u32) -> f64 {
        f64::from((i * 7919) % 101) / 50.0 - 1.0
    }

    #[test]
    fn the_coefficient_comes_from_the_pairs_before_and_finds_the_slope() {
        let x: Vec<f64> = (0..60).map(wobble).collect();
        let d: Vec<f64> = (0..60).map(|i| 0.3 + 0.8 * wobble(i) + 0.1 * wobble(3 * i + 17)).collect();
        let predicted: Vec<Option<f64>> = x.iter().copied().map(Some).collect();
        let whole = adjust(&d, &predicted);
        assert_eq!(whole.coefficients[..2], [0.5, 0.5]);
        assert!((whole.coefficients[59] - 0.8).abs() < 0.05, "{:?}", whole.coefficients);
        // A later pair changes nothing of an earlier one.
        let cut = adjust(&d[..20], &predicted[..20]);
        assert_eq!(whole.differences[..20], cut.differences[..]);
        let squares = |v: &[f64]| v.iter().map(|d| (d - 0.3).powi(2)).sum::<f64>();
        assert!(squares(&whole.differences) < 0.1 * squares(&d));
    }

    #[test]
    fn without_predictions_the_differences_stay() {
        let d = [0.1, 0.3, -0.2];
        assert_eq!(adjust(&d, &[None; 3]).differences, d);
    }
}
