//! What a weighing says about a prediction.

use serde::Serialize;

/// Beyond this difference a wrong output is no longer the likely cause: common practice, no source.
pub const PLAUSIBLE: f64 = 0.25;
/// Standard uncertainties from which bands are made: about 95 %.
const COVERAGE: f64 = 2.0;

/// A predicted mass against a weighed one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Reconciliation {
    /// What the file asks for, g.
    pub predicted_g: f64,
    /// What was weighed, g.
    pub weighed_g: f64,
    /// Step of the scale, g.
    pub resolution_g: f64,
    /// Uncertainty of the weighed mass that comes from the step of the scale, g, about 95 %.
    pub weighed_plus_minus_g: f64,
    /// Weighed over predicted: what the screw gave of what was asked.
    pub factor: f64,
    /// Its uncertainty, about 95 %.
    pub factor_plus_minus: f64,
    /// What to make of it.
    pub verdict: Verdict,
}

/// What to make of a weighing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The scale could not tell the difference.
    Agrees,
    /// The output of the screw is another one than was assumed.
    Differs,
    /// Something else went wrong: the factor must not be used.
    Implausible,
}

impl Reconciliation {
    /// Compares the mass a file asks for with the weighed one; all in g.
    ///
    /// c = m / p, U(m) = 2 d / sqrt(6), U(c) = U(m) / p
    ///
    /// | symbol | argument       | unit | range      |
    /// | p      | `predicted_g`  | g    | above 0    |
    /// | m      | `weighed_g`    | g    | above 0    |
    /// | d      | `resolution_g` | g    | 0 or above |
    ///
    /// A reading is off by up to half a step either way, evenly spread: d / sqrt(12). Part and zero are read once each.
    ///
    /// # Errors
    /// `None` if a value is no number or out of its range.
    ///
    /// # Source
    /// JCGM 100:2008 (guide to the expression of uncertainty), 4.3.7 and F.2.2.1, from memory.
    ///
    /// # Example
    /// ```
    /// use meltwright::hopper::reconcile::{Reconciliation, Verdict};
    ///
    /// // 190 g of 200 g, on a scale of 1 g: 0.95; 2 x 1 / sqrt(6) = 0.8165 g, of 200 g 0.00408.
    /// let found = Reconciliation::of(200.0, 190.0, 1.0).expect("sound masses");
    /// assert_eq!((found.factor, found.verdict), (0.95, Verdict::Differs));
    /// assert!((found.factor_plus_minus - 0.004_08).abs() < 5e-6);
    /// ```
    pub fn of(predicted_g: f64, weighed_g: f64, resolution_g: f64) -> Option<Self> {
        let above_zero = |value: f64| value.is_finite() && value > 0.0;
        if !(above_zero(predicted_g) && above_zero(weighed_g) && resolution_g.is_finite() && resolution_g >= 0.0) {
            return None;
        }
        let factor = weighed_g / predicted_g;
        let weighed_plus_minus_g = COVERAGE * resolution_g / 6.0_f64.sqrt();
        let factor_plus_minus = weighed_plus_minus_g / predicted_g;
        let off = (factor - 1.0).abs();
        let verdict = if off <= factor_plus_minus {
            Verdict::Agrees
        } else if off > PLAUSIBLE {
            Verdict::Implausible
        } else {
            Verdict::Differs
        };
        Some(Self { predicted_g, weighed_g, resolution_g, weighed_plus_minus_g, factor, factor_plus_minus, verdict })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn verdicts_by_hand() {
        // 2 x 0.1 / sqrt(6) = 0.08165 g.
        let cases = [
            (100.05, Verdict::Agrees),
            (99.95, Verdict::Agrees),
            (100.1, Verdict::Differs),
            (75.1, Verdict::Differs),
            (124.9, Verdict::Differs),
            (74.9, Verdict::Implausible),
            (125.1, Verdict::Implausible),
        ];
        for (weighed, verdict) in cases {
            assert_eq!(Reconciliation::of(100.0, weighed, 0.1).map(|found| found.verdict), Some(verdict), "{weighed}");
        }
    }

    #[test]
    fn a_coarse_scale_cannot_tell() {
        // 2 x 10 / sqrt(6) = 8.165 g of 20 g: a difference of 40 % may be the scale alone.
        let found = Reconciliation::of(20.0, 12.0, 10.0).map(|found| found.verdict);
        assert_eq!(found, Some(Verdict::Agrees));
    }

    #[test]
    fn what_is_no_mass_gives_no_answer() {
        for wrong in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(Reconciliation::of(wrong, 1.0, 0.1), None);
            assert_eq!(Reconciliation::of(1.0, wrong, 0.1), None);
        }
        for wrong in [-0.1, f64::NAN, f64::INFINITY] {
            assert_eq!(Reconciliation::of(1.0, 1.0, wrong), None);
        }
    }
}
