//! Student's t distribution with a real number of degrees of freedom.

/// Distribution function of Student's t at `t` with `dof` > 0 degrees of freedom.
///
/// By the regularised incomplete beta function: F(t) = 1 - I_x(dof/2, 1/2) / 2 for t >= 0 with
/// x = dof / (dof + t^2).
#[must_use]
pub fn student_cdf(t: f64, dof: f64) -> f64 {
    let tail = 0.5 * incomplete_beta(dof / (dof + t * t), 0.5 * dof, 0.5);
    if t < 0.0 { tail } else { 1.0 - tail }
}

/// The t below which the share `p` in (0, 1) lies; by bisection, to about 1e-12 of its size.
#[must_use]
pub fn student_quantile(p: f64, dof: f64) -> f64 {
    if p < 0.5 {
        return -student_quantile(1.0 - p, dof);
    }
    let (mut low, mut high) = (0.0, 1.0);
    while student_cdf(high, dof) < p && high < 1e12 {
        high *= 2.0;
    }
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if student_cdf(middle, dof) < p { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// Regularised incomplete beta function I_x(a, b), by its continued fraction (modified Lentz).
fn incomplete_beta(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(1.0 - x, b, a);
    }
    let front = (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (1.0 - x).ln()).exp() / a;
    let away_from_zero = |value: f64| if value.abs() < 1e-300 { 1e-300 } else { value };
    let (mut c, mut d) = (1.0, 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0)));
    let mut fraction = d;
    for step in 1..300 {
        let m = f64::from(step);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        for term in [even, odd] {
            d = 1.0 / away_from_zero(1.0 + term * d);
            c = away_from_zero(1.0 + term / c);
            fraction *= c * d;
        }
        if (c * d - 1.0).abs() < 1e-15 {
            break;
        }
    }
    front * fraction
}

/// Natural logarithm of the gamma function for x > 0: shifted upwards, then Stirling's series.
fn ln_gamma(x: f64) -> f64 {
    let (mut shifted, mut product) = (x, 1.0);
    while shifted < 12.0 {
        product *= shifted;
        shifted += 1.0;
    }
    let inverse = 1.0 / shifted;
    let square = inverse * inverse;
    let series = inverse * (1.0 / 12.0 - square * (1.0 / 360.0 - square * (1.0 / 1260.0 - square / 1680.0)));
    (shifted - 0.5) * shifted.ln() - shifted + 0.5 * (2.0 * std::f64::consts::PI).ln() + series - product.ln()
}
