//! Checked ranges of numbers that come from a file.

/// A number outside its allowed range.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("`{key}` is {value}, allowed is {low} to {high} {unit}")]
pub struct OutOfRange {
    /// Key as it stands in the configuration.
    pub key: String,
    /// The value found.
    pub value: f64,
    /// Smallest allowed value.
    pub low: f64,
    /// Largest allowed value.
    pub high: f64,
    /// Unit of all three.
    pub unit: &'static str,
}

/// Checks that `value` lies in `low..=high`; NaN never does.
///
/// # Errors
/// [`OutOfRange`] names the key, the value and the range.
pub fn check(key: &str, value: f64, (low, high): (f64, f64), unit: &'static str) -> Result<(), OutOfRange> {
    if (low..=high).contains(&value) {
        Ok(())
    } else {
        Err(OutOfRange { key: key.to_owned(), value, low, high, unit })
    }
}
