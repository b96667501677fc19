//! How one melt drives out another: stirred tanks in a row.

use super::range::{OutOfRange, when};

/// Most tanks in a row; more is plug flow for every purpose here.
pub const MOST_TANKS: u32 = 50;

/// Share of new melt in what leaves, after `turnovers` of the melt volume.
///
/// F = 1 - exp(-n theta) sum over k < n of (n theta)^k / k!
///
/// | symbol | argument    | unit | tested range                               |
/// |--------|-------------|------|--------------------------------------------|
/// | n      | `tanks`     | -    | 1 ..= 20; one is fully stirred, many a plug |
/// | theta  | `turnovers` | -    | 0 ..= 7, purged volume over melt volume     |
///
/// # Accuracy
/// Dead corners are not covered: real purges take more.
///
/// # Errors
/// When there are no tanks or more than [`MOST_TANKS`], or the turnovers are below zero.
///
/// # Source
/// O. Levenspiel, Chemical Reaction Engineering, 3rd ed. 1999, p. 322, by way of public code.
pub fn new_share(tanks: u32, turnovers: f64) -> Result<f64, OutOfRange> {
    check(tanks)?;
    when(turnovers >= 0.0, "the number of melt volumes purged", "not be below zero", turnovers)?;
    Ok(share(tanks, turnovers))
}

/// Turnovers of the melt volume until a share of what leaves is new; the inverse of [`new_share`].
///
/// # Errors
/// As [`new_share`], and when the share is not between 0.0001 and 0.9999.
pub fn turnovers(tanks: u32, wanted: f64) -> Result<f64, OutOfRange> {
    check(tanks)?;
    when((1e-4..=0.9999).contains(&wanted), "the share of new melt", "lie between 0.0001 and 0.9999", wanted)?;
    // The slowest, one tank, reaches 0.9999 at 9.2 turnovers.
    let (mut low, mut high) = (0.0, 10.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if share(tanks, middle) < wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok(0.5 * (low + high))
}

/// New melt that has left after `turnovers` of the melt volume, in melt volumes: the integral of [`new_share`].
///
/// V = theta F(theta) - F(theta) + (n theta)^n exp(-n theta) / n!
///
/// | symbol | argument    | unit | tested range                               |
/// |--------|-------------|------|--------------------------------------------|
/// | n      | `tanks`     | -    | 1 ..= 20; one is fully stirred, many a plug |
/// | theta  | `turnovers` | -    | 0 ..= 7, purged volume over melt volume     |
///
/// # Accuracy
/// As [`new_share`].
///
/// # Errors
/// As [`new_share`].
///
/// # Source
/// Integrated by parts; the mean of the times that melt stays is one turnover.
pub fn new_volumes(tanks: u32, turnovers: f64) -> Result<f64, OutOfRange> {
    let share = new_share(tanks, turnovers)?;
    let x = f64::from(tanks) * turnovers;
    // x^n exp(-x) / n!, factor by factor, so that neither grows out of bounds.
    let last = (1..=tanks).fold(1.0, |term, k| term * x / f64::from(k) * (-turnovers).exp());
    Ok((turnovers * share - share + last).max(0.0))
}

fn check(tanks: u32) -> Result<(), OutOfRange> {
    when((1..=MOST_TANKS).contains(&tanks), "the number of tanks", "lie between 1 and 50", f64::from(tanks)).map(|_| ())
}

fn share(tanks: u32, turnovers: f64) -> f64 {
    let x = f64::from(tanks) * turnovers;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..tanks {
        term *= x / f64::from(k);
        sum += term;
    }
    // exp(-x) is zero long before the sum overflows, but zero times infinity would be no number.
    if x > 700.0 { 1.0 } else { (1.0 - (-x).exp() * sum).clamp(0.0, 1.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Table computed in independent code after Levenspiel: n, F(1), F(2), F(3), theta at 50, 90, 95, 99 and 99.9 %.
    #[allow(clippy::approx_constant)] // digits as printed; one tank happens to give logarithms
    const TABLE: [(u32, [f64; 3], [f64; 5]); 6] = [
        (1, [0.63212, 0.86466, 0.95021], [0.6931, 2.3026, 2.9957, 4.6052, 6.9078]),
        (2, [0.59399, 0.90842, 0.98265], [0.8392, 1.9449, 2.3719, 3.3192, 4.6167]),
        (3, [0.57681, 0.93803, 0.99377], [0.8914, 1.7741, 2.0986, 2.8020, 3.7430]),
        (5, [0.55951, 0.97075, 0.99914], [0.9342, 1.5987, 1.8307, 2.3209, 2.9588]),
        (10, [0.54207, 0.99500, 0.99999], [0.9669, 1.4206, 1.5705, 1.8783, 2.2657]),
        (20, [0.52974, 0.99982, 1.00000], [0.9834, 1.2951, 1.3940, 1.5923, 1.8350]),
    ];

    #[test]
    fn shares_and_turnovers_of_the_table() {
        for (tanks, shares, thetas) in TABLE {
            for (theta, expected) in [1.0, 2.0, 3.0].into_iter().zip(shares) {
                let got = new_share(tanks, theta).unwrap();
                assert!((got - expected).abs() < 5.1e-6, "{tanks} tanks at {theta}: {got}");
            }
            for (wanted, expected) in [0.5, 0.9, 0.95, 0.99, 0.999].into_iter().zip(thetas) {
                let got = turnovers(tanks, wanted).unwrap();
                assert!((got - expected).abs() < 5.1e-5, "{tanks} tanks to {wanted}: {got}");
            }
        }
    }

    /// One tank by hand: theta - 1 + exp(-theta). Others by summing up their shares; at last one melt volume lags behind.
    #[test]
    fn volumes_are_shares_summed_up() {
        for theta in [0.0, 0.5, 1.0, 3.0_f64] {
            assert!((new_volumes(1, theta).unwrap() - (theta - 1.0 + (-theta).exp())).abs() < 1e-12, "{theta}");
        }
        for (tanks, theta) in [(2, 0.7), (3, 2.0986), (5, 1.0), (20, 1.3)] {
            let steps = 20_000;
            let step = theta / f64::from(steps);
            let sum: f64 = (0..steps).map(|k| share(tanks, (f64::from(k) + 0.5) * step) * step).sum();
            let got = new_volumes(tanks, theta).unwrap();
            assert!((got - sum).abs() < 1e-8, "{tanks} tanks at {theta}: {got} {sum}");
        }
        assert!((new_volumes(50, 900.0).unwrap() - 899.0).abs() < 1e-9);
    }

    #[test]
    fn nonsense_has_no_answer() {
        for tanks in [0, MOST_TANKS + 1] {
            assert!(new_share(tanks, 1.0).is_err() && turnovers(tanks, 0.95).is_err());
        }
        for wrong in [-1.0, f64::NAN, f64::INFINITY] {
            assert!(new_share(3, wrong).is_err());
        }
        for wrong in [-0.5, 0.0, 1.0, 95.0, f64::NAN] {
            assert!(turnovers(3, wrong).is_err());
        }
    }

    proptest! {
        #[test]
        fn the_share_rises_from_none_to_all(tanks in 1..=MOST_TANKS, theta in 0.0..1e6_f64, more in 0.0..10.0_f64) {
            let (before, after) = (new_share(tanks, theta).unwrap(), new_share(tanks, theta + more).unwrap());
            prop_assert!((0.0..=1.0).contains(&before) && before <= after + 1e-12);
            prop_assert!(new_share(tanks, 0.0).unwrap() == 0.0);
        }

        #[test]
        fn turnovers_undo_the_share(tanks in 1..=MOST_TANKS, wanted in 0.001..0.999_f64) {
            let got = new_share(tanks, turnovers(tanks, wanted).unwrap()).unwrap();
            prop_assert!((got - wanted).abs() < 1e-9);
        }
    }
}
