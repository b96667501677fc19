//! Linear least squares.

/// Why there is no fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unfit {
    /// There have to be more points than terms, and at least one term.
    #[error("a fit takes more points than it has terms")]
    TooFewPoints,
    /// One term is a combination of the others at these points (all at one place, for example).
    #[error("at these points one term is a combination of the others")]
    Dependent,
    /// A number is not finite, or columns differ in length.
    #[error("a value is no finite number, or columns differ in length")]
    NotNumbers,
}

/// A fitted sum of terms, y = b0 f0 + b1 f1 + ..
#[derive(Clone, Debug, PartialEq)]
pub struct LeastSquares {
    /// Coefficient of each term, in the order of the columns.
    pub coefficients: Vec<f64>,
    /// Standard deviation of each coefficient.
    pub standard_deviations: Vec<f64>,
    /// Square root of the sum of squares over the degrees of freedom; in the unit of y.
    pub residual_sd: f64,
    /// Points minus terms.
    pub residual_df: usize,
    /// Sum of squared residuals.
    pub sse: f64,
    /// Share of the sum of squares that is explained: about the mean if there is a constant term, else about zero.
    pub r_squared: f64,
    /// Mean square explained over mean square left; the constant term does not count as explaining. 0 where nothing is
    /// explained, infinite where nothing is left.
    pub f_statistic: f64,
    /// Measured minus fitted, for each point.
    pub residuals: Vec<f64>,
    /// How much each point pulls the curve to itself, 0 ..= 1.
    pub leverages: Vec<f64>,
    /// Length of each column, by which it was scaled.
    scales: Vec<f64>,
    /// The triangle R of the scaled columns, R[row][column].
    triangle: Vec<Vec<f64>>,
}

/// Terms closer than this to a combination of others, as a share of their length, cannot be told apart in doubles.
const DEPENDENT: f64 = 1e-12;

/// Fits `y` by a sum of terms; `columns` holds the value of each term at each point.
///
/// min over b of Σ (y - Σ b_j f_j)²,  sd(b_j) = s sqrt(((XᵀX)⁻¹)_jj),  s² = SSE / (n - p)
///
/// Each column is scaled to length one and the system is solved by Householder reflections (QR), so that the square
/// of the condition never enters. A column without variation counts as the constant term, for `r_squared` and
/// `f_statistic` only.
///
/// | argument  | unit         | range                                    |
/// | `columns` | any          | finite; at least one, of the length of y |
/// | `y`       | any          | finite; more points than columns         |
///
/// # Errors
/// [`Unfit`] if there are too few points, the terms cannot be told apart or a number is not finite.
///
/// # Accuracy
/// Twelve digits or more against the NIST Statistical Reference Datasets Norris, Pontius, NoInt1 and NoInt2.
///
/// # Source
/// A. S. Householder, *Unitary Triangularization of a Nonsymmetric Matrix*, J. ACM 5 (1958) 339-342 (from memory).
///
/// # Example
/// ```
/// use meltwright::physics::regression::least_squares;
/// // By hand: y = 1 + 2x leaves nothing at (0, 1), (1, 3), (2, 5).
/// let fit = least_squares(&[vec![1.0; 3], vec![0.0, 1.0, 2.0]], &[1.0, 3.0, 5.0]).expect("three points");
/// assert!((fit.coefficients[1] - 2.0).abs() < 1e-14);
/// ```
pub fn least_squares(columns: &[Vec<f64>], y: &[f64]) -> Result<LeastSquares, Unfit> {
    let (points, terms) = (y.len(), columns.len());
    if terms == 0 || points <= terms {
        return Err(Unfit::TooFewPoints);
    }
    let sound = |column: &[f64]| column.len() == points && column.iter().all(|value| value.is_finite());
    if !sound(y) || !columns.iter().all(|column| sound(column)) {
        return Err(Unfit::NotNumbers);
    }
    let scales: Vec<f64> = columns.iter().map(|column| length(column)).collect();
    if scales.iter().any(|scale| !scale.is_finite() || *scale == 0.0) {
        return Err(Unfit::Dependent);
    }
    let mut work: Vec<Vec<f64>> = Vec::with_capacity(terms + 1);
    for (column, scale) in columns.iter().zip(&scales) {
        work.push(column.iter().map(|value| value / scale).collect());
    }
    work.push(y.to_vec());
    let mut triangle = vec![vec![0.0; terms]; terms];
    let mut rotated = Vec::with_capacity(terms);
    for step in 0..terms {
        let mut later = work.split_off(step + 1);
        let Some(mirror) = work.get_mut(step).and_then(|column| column.get_mut(step..)) else {
            return Err(Unfit::NotNumbers);
        };
        let diagonal = reflect(mirror, &mut later, step);
        if diagonal.abs() < DEPENDENT {
            return Err(Unfit::Dependent);
        }
        if let Some(row) = triangle.get_mut(step) {
            for (cell, value) in row.iter_mut().skip(step).zip(
                std::iter::once(diagonal).chain(later.iter().map(|column| column.get(step).copied().unwrap_or(0.0))),
            ) {
                *cell = value;
            }
        }
        rotated.push(later.last().and_then(|last| last.get(step)).copied().unwrap_or(0.0));
        work.append(&mut later);
    }
    let solved = back_substitute(&triangle, &rotated);
    let coefficients: Vec<f64> = solved.iter().zip(&scales).map(|(value, scale)| value / scale).collect();
    let mut residuals = y.to_vec();
    for (column, coefficient) in columns.iter().zip(&coefficients) {
        for (residual, value) in residuals.iter_mut().zip(column) {
            *residual -= coefficient * value;
        }
    }
    let sse: f64 = residuals.iter().map(|residual| residual * residual).sum();
    let residual_df = points - terms;
    let variance = sse / residual_df as f64;
    let constant = columns.iter().any(|column| column.iter().all(|value| Some(value) == column.first()));
    let centre = if constant { y.iter().sum::<f64>() / points as f64 } else { 0.0 };
    let total: f64 = y.iter().map(|value| (value - centre).powi(2)).sum();
    let explaining = terms - usize::from(constant);
    let explained = (total - sse).max(0.0);
    let mut fit = LeastSquares {
        coefficients,
        standard_deviations: Vec::new(),
        residual_sd: variance.sqrt(),
        residual_df,
        sse,
        r_squared: if total > 0.0 { 1.0 - sse / total } else { 1.0 },
        f_statistic: if explaining > 0 && explained > 0.0 { explained / explaining as f64 / variance } else { 0.0 },
        residuals,
        leverages: Vec::new(),
        scales,
        triangle,
    };
    let unit = |at: usize| (0..terms).map(|index| f64::from(u8::from(index == at))).collect::<Vec<_>>();
    fit.standard_deviations = (0..terms).map(|at| fit.residual_sd * fit.variance_at(&unit(at)).sqrt()).collect();
    let row = |point: usize| columns.iter().map(|column| column.get(point).copied().unwrap_or(0.0)).collect::<Vec<_>>();
    fit.leverages = (0..points).map(|point| fit.variance_at(&row(point))).collect();
    Ok(fit)
}

impl LeastSquares {
    /// Variance of the fitted value where the terms are `row`, as a multiple of the residual variance:
    /// row (XᵀX)⁻¹ rowᵀ.
    pub fn variance_at(&self, row: &[f64]) -> f64 {
        // Rᵀ u = row (scaled), then |u|².
        let mut solved: Vec<f64> = Vec::with_capacity(self.scales.len());
        for (index, (value, scale)) in row.iter().zip(&self.scales).enumerate() {
            let known: f64 = self
                .triangle
                .iter()
                .zip(&solved)
                .map(|(triangle, u)| triangle.get(index).copied().unwrap_or(0.0) * u)
                .sum();
            let diagonal = self.triangle.get(index).and_then(|row| row.get(index)).copied().unwrap_or(f64::NAN);
            solved.push((value / scale - known) / diagonal);
        }
        solved.iter().map(|u| u * u).sum()
    }

    /// Fitted value where the terms are `row`.
    pub fn value_at(&self, row: &[f64]) -> f64 {
        self.coefficients.iter().zip(row).map(|(coefficient, value)| coefficient * value).sum()
    }
}

/// Length of a vector, without overflow on the way.
fn length(values: &[f64]) -> f64 {
    let largest = values.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
    if largest == 0.0 {
        return 0.0;
    }
    largest * values.iter().map(|value| (value / largest).powi(2)).sum::<f64>().sqrt()
}

/// Reflects `mirror` onto its first axis and `others`, from `start` on, with it; returns its new first entry.
fn reflect(mirror: &mut [f64], others: &mut [Vec<f64>], start: usize) -> f64 {
    let norm = length(mirror);
    let Some(first) = mirror.first_mut() else { return 0.0 };
    if norm == 0.0 {
        return 0.0;
    }
    // Away from the first entry, so that nothing cancels.
    let diagonal = if *first > 0.0 { -norm } else { norm };
    *first -= diagonal;
    let square: f64 = mirror.iter().map(|value| value * value).sum();
    for other in others {
        let Some(other) = other.get_mut(start..) else { continue };
        let product: f64 = mirror.iter().zip(other.iter()).map(|(a, b)| a * b).sum();
        let factor = 2.0 * product / square;
        for (value, part) in other.iter_mut().zip(mirror.iter()) {
            *value -= factor * part;
        }
    }
    diagonal
}

/// Solves R b = q for an upper triangle R.
fn back_substitute(triangle: &[Vec<f64>], right: &[f64]) -> Vec<f64> {
    let mut solved = vec![0.0; right.len()];
    for (index, (row, value)) in triangle.iter().zip(right).enumerate().rev() {
        let known: f64 = row.iter().zip(&solved).skip(index + 1).map(|(r, b)| r * b).sum();
        let diagonal = row.get(index).copied().unwrap_or(f64::NAN);
        if let Some(cell) = solved.get_mut(index) {
            *cell = (value - known) / diagonal;
        }
    }
    solved
}

#[cfg(test)]
mod tests {
    use super::*;

    /// y = b0 + b1 x.
    fn straight_line(x: &[f64], y: &[f64]) -> Result<LeastSquares, Unfit> {
        least_squares(&[vec![1.0; x.len()], x.to_vec()], y)
    }

    /// y = b x.
    fn through_origin(x: &[f64], y: &[f64]) -> Result<LeastSquares, Unfit> {
        least_squares(&[x.to_vec()], y)
    }

    #[test]
    fn a_line_explains_nothing_of_equal_values() {
        let fit = straight_line(&[1.0, 2.0, 3.0, 4.0], &[5.0; 4]).expect("four points");
        assert!(fit.f_statistic == 0.0 && fit.r_squared == 1.0, "{fit:?}");
        // y = x, where all is explained; by hand for 1, 2, 4: b = 3/2, SSE 1/6, F = (14/3 - 1/6)/(1/6) = 27.
        assert!(straight_line(&[1.0, 2.0, 3.0], &[1.0, 2.0, 3.0]).expect("three points").f_statistic > 1e12);
        let fit = straight_line(&[1.0, 2.0, 3.0], &[1.0, 2.0, 4.0]).expect("three points");
        assert!((fit.f_statistic - 27.0).abs() < 1e-9, "{}", fit.f_statistic);
    }

    #[test]
    fn a_parabola_through_its_own_points() {
        // y = 2 - 3x + x²/2 at 0..4, worked by hand.
        let x = [0.0_f64, 1.0, 2.0, 3.0, 4.0];
        let terms = [vec![1.0; 5], x.to_vec(), x.map(|x| x * x).to_vec()];
        let fit = least_squares(&terms, &[2.0, -0.5, -2.0, -2.5, -2.0]).expect("five points");
        for (got, known) in fit.coefficients.iter().zip([2.0, -3.0, 0.5]) {
            assert!((got - known).abs() < 1e-12);
        }
        assert!(fit.sse < 1e-25 && (fit.r_squared - 1.0).abs() < 1e-15);
        assert!((fit.value_at(&[1.0, 5.0, 25.0]) - -0.5).abs() < 1e-11);
    }

    #[test]
    fn leverages_add_up_to_the_terms() {
        let fit = straight_line(&[1.0, 2.0, 4.0, 7.0], &[1.0, 3.0, 2.0, 9.0]).expect("four points");
        assert!((fit.leverages.iter().sum::<f64>() - 2.0).abs() < 1e-13);
        // By hand: mean 3.5, sum of squares 21; 1/4 + 3.5²/21 at x = 7.
        assert!((fit.leverages[3] - (0.25 + 12.25 / 21.0)).abs() < 1e-13);
    }

    #[test]
    fn what_cannot_be_fitted_says_why() {
        assert_eq!(straight_line(&[1.0, 2.0], &[1.0, 2.0]).err(), Some(Unfit::TooFewPoints));
        assert_eq!(least_squares(&[], &[1.0]).err(), Some(Unfit::TooFewPoints));
        assert_eq!(straight_line(&[3.0; 4], &[1.0, 2.0, 3.0, 4.0]).err(), Some(Unfit::Dependent));
        assert_eq!(through_origin(&[0.0; 3], &[1.0, 2.0, 3.0]).err(), Some(Unfit::Dependent));
        assert_eq!(through_origin(&[1.0, f64::NAN, 2.0], &[1.0, 2.0, 3.0]).err(), Some(Unfit::NotNumbers));
        assert_eq!(through_origin(&[1.0, 2.0], &[1.0, 2.0, 3.0]).err(), Some(Unfit::NotNumbers));
    }
}
