//! What a model answers when a number cannot be.

/// A quantity for which a model has no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{quantity} must {must}, but is {}", shown(*.value))]
pub struct OutOfRange {
    /// The quantity, in words.
    pub quantity: &'static str,
    /// What it must do, behind "must".
    pub must: &'static str,
    /// What it is, in the unit of the argument.
    pub value: f64,
}

/// A number without the digits that arithmetic left behind.
fn shown(value: f64) -> String {
    if value.abs() < 0.001 || value.abs() > 1e9 || !value.is_finite() {
        return value.to_string();
    }
    let text = format!("{value:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// `value`, if it is a number above zero.
///
/// # Errors
/// For zero, anything below, and what is no finite number.
pub fn above_zero(quantity: &'static str, value: f64) -> Result<f64, OutOfRange> {
    when(value > 0.0, quantity, "be above zero", value)
}

/// `value`, if it is a number and not below zero.
///
/// # Errors
/// For anything below zero and what is no finite number.
pub fn not_below_zero(quantity: &'static str, value: f64) -> Result<f64, OutOfRange> {
    when(value >= 0.0, quantity, "not be below zero", value)
}

/// `value`, if it is finite and `holds`; else an error with `must`.
///
/// # Errors
/// When it is not.
pub fn when(holds: bool, quantity: &'static str, must: &'static str, value: f64) -> Result<f64, OutOfRange> {
    if holds && value.is_finite() { Ok(value) } else { Err(OutOfRange { quantity, must, value }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_numbers_in_range_pass() {
        assert_eq!(above_zero("the length", 2.0), Ok(2.0));
        assert_eq!(not_below_zero("the length", 0.0), Ok(0.0));
        for wrong in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(above_zero("the length", wrong).is_err(), "{wrong}");
        }
        for wrong in [-1e-300, f64::NAN, f64::INFINITY] {
            assert!(not_below_zero("the length", wrong).is_err(), "{wrong}");
        }
        let said = above_zero("the length", -2.5).unwrap_err().to_string();
        assert_eq!(said, "the length must be above zero, but is -2.5");
        for (value, text) in [(0.1 + 0.2, "0.3"), (120.0, "120"), (1e-9, "0.000000001"), (f64::NAN, "NaN")] {
            assert_eq!(shown(value), text);
        }
    }
}
