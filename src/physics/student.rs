//! Student's t and Fisher's F distribution: how far chance alone carries.

/// From so many degrees of freedom on, more make no difference.
const LARGEST_DF: f64 = 1e9;

/// Chance that Student's t with `df` degrees of freedom lies outside `-t..=t`.
///
/// P(|T| > t) = I_x(df/2, 1/2), x = df / (df + t²)
///
/// | argument | unit | range                    |
/// | `t`      | -    | any; its sign is ignored |
/// | `df`     | -    | > 0                      |
///
/// Returns 1 for arguments outside the range: what is not known is no evidence.
///
/// # Accuracy
/// Better than 1e-12 for `df` up to 1000, against the closed forms for one and two degrees of freedom.
///
/// # Source
/// *NIST Digital Library of Mathematical Functions*, 8.17 (incomplete beta function).
pub fn t_outside(t: f64, df: f64) -> f64 {
    if t.is_nan() || df.is_nan() || df <= 0.0 {
        return 1.0;
    }
    if t.is_infinite() {
        return 0.0;
    }
    let square = t * t;
    // Beyond that t is the normal distribution to nine digits, and the gamma functions cancel.
    let df = df.min(LARGEST_DF);
    incomplete_beta(df / 2.0, 0.5, df / (df + square), square / (df + square))
}

/// The t that chance stays within with a share `confidence` of all tries; the factor of a two-sided band.
///
/// | argument     | unit | range           |
/// | `confidence` | -    | 0 .. 1, open    |
/// | `df`         | -    | > 0             |
///
/// `None` outside the range, and where the factor would be above 1e150. Found by halving the interval on [`t_outside`], to the
/// last digits.
pub fn t_factor(confidence: f64, df: f64) -> Option<f64> {
    let outside = 1.0 - confidence;
    if df.is_nan() || df <= 0.0 || !(outside > 0.0 && outside < 1.0) {
        return None;
    }
    let (mut low, mut high) = (0.0, 1.0);
    while t_outside(high, df) > outside {
        low = high;
        high *= 2.0;
        // Its square is still a number.
        if high > 1e150 {
            return None;
        }
    }
    // An interval of doubles is halved at most some thousand times; this many leave nothing of it.
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if t_outside(middle, df) > outside {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(f64::midpoint(low, high))
}

/// Chance that Fisher's F with `above` and `below` degrees of freedom exceeds `f`.
///
/// P(F > f) = I_x(below/2, above/2), x = below / (below + above f)
///
/// | argument         | unit | range |
/// | `f`              | -    | >= 0  |
/// | `above`, `below` | -    | > 0   |
///
/// Returns 1 for arguments outside the range, 0 for an infinite `f`.
///
/// # Source
/// As [`t_outside`].
pub fn f_above(f: f64, above: f64, below: f64) -> f64 {
    if f.is_nan() || f <= 0.0 || above.is_nan() || below.is_nan() || above <= 0.0 || below <= 0.0 {
        return 1.0;
    }
    if f.is_infinite() {
        return 0.0;
    }
    let sum = below + above * f;
    incomplete_beta(below / 2.0, above / 2.0, below / sum, above * f / sum)
}

/// Regularised incomplete beta function I_x(a, b); `y` is `1 - x`, given apart since it may be tiny.
///
/// I_x(a, b) = x^a y^b / (a B(a, b)) * 1 / (1 + d1 / (1 + d2 / (1 + ...)))
/// d_2m = m (b - m) x / ((a + 2m - 1)(a + 2m)),  d_2m+1 = -(a + m)(a + b + m) x / ((a + 2m)(a + 2m + 1))
///
/// The fraction converges fast for x < (a + 1) / (a + b + 2); above, I_x(a, b) = 1 - I_y(b, a) is used.
///
/// # Source
/// *NIST Digital Library of Mathematical Functions*, eq. 8.17.4 and 8.17.22; evaluated from the front with the
/// method of Lentz.
fn incomplete_beta(a: f64, b: f64, x: f64, y: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if y <= 0.0 {
        return 1.0;
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta_direct(b, a, y, x);
    }
    incomplete_beta_direct(a, b, x, y)
}

fn incomplete_beta_direct(a: f64, b: f64, x: f64, y: f64) -> f64 {
    // Stands in for a zero denominator, far below any real one.
    const TINY: f64 = 1e-300;
    // The fraction needs about the square root of max(a, b) steps.
    const MOST_STEPS: u32 = 10_000;
    let ln_beta = ln_gamma(a) + ln_gamma(b) - ln_gamma(a + b);
    let front = (a * x.ln() + b * y.ln() - ln_beta).exp() / a;
    let keep = |value: f64| if value.abs() < TINY { TINY } else { value };
    let (mut fraction, mut numerator, mut denominator) = (1.0, 1.0, 0.0);
    for step in 1..=MOST_STEPS {
        let m = f64::from(step / 2);
        let d = if step % 2 == 0 {
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m))
        } else {
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0))
        };
        denominator = 1.0 / keep(1.0 + d * denominator);
        numerator = keep(1.0 + d / numerator);
        let change = numerator * denominator;
        fraction *= change;
        if (change - 1.0).abs() < 4e-16 {
            break;
        }
    }
    (front / fraction).clamp(0.0, 1.0)
}

/// Natural logarithm of the gamma function for x > 0.
///
/// ln Γ(x) = (x - 1/2) ln x - x + 1/2 ln 2π + 1/(12x) - 1/(360x³) + 1/(1260x⁵) - 1/(1680x⁷) + 1/(1188x⁹) - ..
///
/// The series is used from 12 on, where the first term left out is below 1e-14; smaller arguments are raised by
/// Γ(x + 1) = x Γ(x).
///
/// # Source
/// *NIST Digital Library of Mathematical Functions*, eq. 5.11.1 and 5.5.1.
fn ln_gamma(x: f64) -> f64 {
    const FROM: f64 = 12.0;
    let (mut x, mut product) = (x, 1.0);
    while x < FROM {
        product *= x;
        x += 1.0;
    }
    let square = x * x;
    let series = 1.0 / 1260.0 - (1.0 / 1680.0 - 1.0 / (1188.0 * square)) / square;
    let series = (1.0 / 12.0 - (1.0 / 360.0 - series / square) / square) / x;
    (x - 0.5) * x.ln() - x + 0.5 * (2.0 * std::f64::consts::PI).ln() + series - product.ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gamma_of_known_arguments() {
        // Γ(1/2) = sqrt(pi), Γ(5) = 24, Γ(21) = 20!
        let cases = [(0.5, std::f64::consts::PI.sqrt()), (1.0, 1.0), (5.0, 24.0), (21.0, 2_432_902_008_176_640_000.0)];
        for (x, gamma) in cases {
            assert!((ln_gamma(x) - gamma.ln()).abs() < 2e-14 * gamma.ln().abs().max(1.0), "{x}");
        }
    }

    #[test]
    fn closed_forms_of_t() {
        // One degree of freedom: P(|T| > t) = 1 - 2/pi atan t; two: 1 - t / sqrt(2 + t²).
        for t in [0.001_f64, 0.3, 1.0, 2.5, 12.706, 400.0] {
            let one = 1.0 - 2.0 / std::f64::consts::PI * t.atan();
            let two = 1.0 - t / (2.0 + t * t).sqrt();
            assert!((t_outside(t, 1.0) - one).abs() < 1e-12, "{t}: {} {one}", t_outside(t, 1.0));
            assert!((t_outside(-t, 2.0) - two).abs() < 1e-12, "{t}: {} {two}", t_outside(t, 2.0));
        }
    }

    #[test]
    fn printed_table_of_t() {
        // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, as printed (three decimals); from memory.
        let table = [
            (0.95, 1.0, 12.706),
            (0.95, 2.0, 4.303),
            (0.95, 3.0, 3.182),
            (0.95, 5.0, 2.571),
            (0.95, 10.0, 2.228),
            (0.95, 30.0, 2.042),
            (0.95, 100.0, 1.984),
            (0.99, 1.0, 63.657),
            (0.99, 5.0, 4.032),
            (0.99, 10.0, 3.169),
            (0.90, 4.0, 2.132),
            (0.90, 20.0, 1.725),
        ];
        for (confidence, df, t) in table {
            let got = t_factor(confidence, df).expect("within the range");
            assert!((got - t).abs() < 5.1e-4, "{confidence} {df}: {got}");
        }
        // In the limit the normal distribution: 1.959964.
        assert!((t_factor(0.95, 1e7).expect("within the range") - 1.959_964).abs() < 1e-6);
    }

    #[test]
    fn closed_and_printed_values_of_f() {
        // Two degrees above: P(F > f) = (1 + 2 f / n)^(-n/2).
        for (f, below) in [(0.1_f64, 3.0_f64), (1.0, 8.0), (4.0, 17.0), (25.0, 40.0)] {
            let exact = (1.0 + 2.0 * f / below).powf(-below / 2.0);
            assert!((f_above(f, 2.0, below) - exact).abs() < 1e-12 + 1e-11 * exact, "{f} {below}");
        }
        // NIST/SEMATECH e-Handbook, 1.3.6.7.3, upper 5 % points as printed; from memory.
        for (above, below, f) in [(1.0, 10.0, 4.965), (2.0, 10.0, 4.103), (3.0, 20.0, 3.098), (5.0, 5.0, 5.050)] {
            assert!((f_above(f, above, below) - 0.05).abs() < 2e-5, "{above} {below}");
        }
        // The square of t is F with one degree above.
        assert!((f_above(2.5_f64.powi(2), 1.0, 7.0) - t_outside(2.5, 7.0)).abs() < 1e-13);
    }

    #[test]
    fn what_is_out_of_range_is_no_evidence() {
        assert_eq!([t_outside(f64::NAN, 3.0), t_outside(2.0, 0.0), f_above(3.0, 1.0, 0.0)], [1.0; 3]);
        assert_eq!([t_outside(f64::INFINITY, 3.0), f_above(f64::INFINITY, 1.0, 2.0)], [0.0; 2]);
        for (confidence, df) in [(0.0, 3.0), (1.0, 3.0), (0.95, 0.0), (f64::NAN, 3.0), (0.95, f64::NAN)] {
            assert_eq!(t_factor(confidence, df), None);
        }
    }
}
