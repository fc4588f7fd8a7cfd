//! How values and their standard errors are written: to the second digit of the error (JCGM 100:2008, "Guide to the expression of
//! uncertainty in measurement", 7.2.6).

/// Sizes that are written without a power of ten.
const PLAIN: std::ops::Range<f64> = 1e-4..1e6;

/// Power of ten of the first digit.
fn place(value: f64) -> i32 {
    value.abs().log10().floor() as i32
}

/// A value to so many digits.
pub(super) fn figure(value: f64, digits: u8) -> String {
    let after = i32::from(digits) - 1;
    if value == 0.0 || !value.is_finite() {
        return value.to_string();
    }
    // Rounding first: 9.99 with two digits has its first one a place higher.
    let rounded: f64 = format!("{value:.*e}", after.max(0) as usize).parse().unwrap_or(value);
    if PLAIN.contains(&rounded.abs()) {
        format!("{rounded:.*}", (after - place(rounded)).max(0) as usize)
    } else {
        format!("{rounded:.*e}", after.max(0) as usize)
    }
}

/// A value and its standard error, with one power of ten for both where one is needed.
pub(super) fn with_error(value: f64, error: f64) -> String {
    if !(error > 0.0 && error.is_finite() && value.is_finite()) {
        return format!("{} ± {}", figure(value, 5), figure(error, 2));
    }
    let last = place(error) - 1;
    let larger = value.abs().max(error);
    if PLAIN.contains(&larger) {
        let after = (-last).max(0) as usize;
        return format!("{value:.after$} ± {error:.after$}");
    }
    let power = place(larger);
    let after = (power - last).max(0) as usize;
    let tens = 10_f64.powi(power);
    format!("({:.after$} ± {:.after$})e{power}", value / tens, error / tens)
}

/// A value as it was given: all its digits where they are few, else six.
pub(super) fn as_given(value: f64) -> String {
    let whole =
        if value == 0.0 || PLAIN.contains(&value.abs()) { value.to_string() } else { format!("{value:e}") };
    if whole.len() <= 9 { whole } else { figure(value, 6) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first is the example of JCGM 100:2008, 7.2.2 (a mass standard), in grams; figures from memory.
    #[test]
    fn values_are_written_to_the_second_digit_of_their_error() {
        assert_eq!(with_error(100.021_47, 0.000_35), "100.02147 ± 0.00035");
        assert_eq!(with_error(2.70959e-7, 1.1e-9), "(2.710 ± 0.011)e-7");
        assert_eq!(with_error(0.0, 8.1e-4), "0.00000 ± 0.00081");
        assert_eq!(with_error(378.4, 9.2), "378.4 ± 9.2");
        assert_eq!(with_error(-1234.0, 120.0), "-1234 ± 120");
        assert_eq!(with_error(0.5, 0.0), "0.50000 ± 0");
    }

    #[test]
    fn single_figures_have_the_digits_asked_for() {
        assert_eq!(figure(0.009_642_083, 4), "0.009642");
        assert_eq!(figure(0.004_68, 2), "0.0047");
        assert_eq!(figure(9.99, 2), "10");
        assert_eq!(figure(8.41e-6, 2), "8.4e-6");
        assert_eq!(figure(0.0, 4), "0");
        assert_eq!(figure(f64::INFINITY, 2), "inf");
    }

    #[test]
    fn given_values_keep_the_digits_that_they_were_given_with() {
        assert_eq!(as_given(0.498), "0.498");
        assert_eq!(as_given(0.4979), "0.4979");
        assert_eq!(as_given(3.0e-7), "3e-7");
        assert_eq!(as_given(7.2 / 0.47), "15.3191");
        assert_eq!(as_given(0.0), "0");
    }
}
