//! What weighings say for and against the two simple curves.

use crate::physics::regression::{LeastSquares, least_squares};
use crate::physics::student::f_above;

/// Chance below which neither simple curve is believed: a curve through points costs a number for each speed, and
/// follows scatter where it should not.
pub(super) const POINTS: f64 = 0.01;
/// Fewest weighings for a choice without repeats.
const WITHOUT_REPEATS: usize = 5;
/// Speeds closer than this share are one speed.
const SAME_SPEED: f64 = 1e-4;
/// Scatter below this share of the output is rounding of doubles.
const ROUNDING: f64 = 1e-9;

/// One weighing as the curve sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Screw speed, rev/min; above 0.
    pub rpm: f64,
    /// Flow, mm³/s; above 0.
    pub flow_mm3_s: f64,
}

impl Point {
    /// Output of one turn, mm³/rev.
    pub fn per_turn(&self) -> f64 {
        self.flow_mm3_s * 60.0 / self.rpm
    }
}

/// Weighings of one speed.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Group {
    /// Speed, rev/min.
    pub rpm: f64,
    /// Indices of its points.
    pub members: Vec<usize>,
    /// Mean output of one turn, mm³/rev.
    pub per_turn: f64,
}

/// What the two simple fits leave.
pub(super) struct Evidence {
    pub points: usize,
    pub groups: usize,
    pub straight: LeastSquares,
    pub bent: Option<LeastSquares>,
    /// Sum of squares among repeats, not below what the scale explains, and its degrees of freedom.
    pub repeats: (f64, usize),
    pub mean: f64,
    /// Least believable variance of the output of one turn.
    pub floor: f64,
}

impl Group {
    /// Mean flow, mm³/s.
    pub fn flow(&self) -> f64 {
        self.per_turn * self.rpm / 60.0
    }
}

impl Evidence {
    pub fn gather(points: &[Point], noise_share: f64) -> Option<Self> {
        let per_turn: Vec<f64> = points.iter().map(Point::per_turn).collect();
        let speeds: Vec<f64> = points.iter().map(|point| point.rpm).collect();
        let ones = vec![1.0; points.len()];
        let straight = least_squares(std::slice::from_ref(&ones), &per_turn).ok()?;
        let groups = groups(points);
        let bent = if groups.len() > 1 { least_squares(&[ones, speeds], &per_turn).ok() } else { None };
        let mean = straight.coefficients.first().copied()?;
        let floor = (mean * noise_share.max(ROUNDING)).powi(2);
        let deviation = |group: &Group| {
            let values = group.members.iter().filter_map(|index| per_turn.get(*index));
            values.map(|value| (value - group.per_turn).powi(2)).sum::<f64>()
        };
        let df = points.len() - groups.len();
        let squares = groups.iter().map(deviation).sum::<f64>().max(floor * df as f64);
        Some(Self { points: points.len(), groups: groups.len(), straight, bent, repeats: (squares, df), mean, floor })
    }

    /// Chance that speeds lie as far from the fit as they do if it were true; 1 where it cannot be tested.
    pub fn lack_of_fit(&self, fit: Option<&LeastSquares>) -> f64 {
        let (squares, df) = self.repeats;
        let Some(fit) = fit else { return 1.0 };
        let free = self.groups.saturating_sub(fit.coefficients.len());
        if free == 0 || df == 0 {
            return 1.0;
        }
        let extra = (fit.sse - squares).max(0.0) / free as f64;
        f_above(extra / (squares / df as f64), free as f64, df as f64)
    }

    /// Chance that a bend explains as much as it does if there were none.
    pub fn bend(&self, misfit_bent: f64) -> f64 {
        let Some(bent) = &self.bent else { return 1.0 };
        // A line that does not fit has residuals that are no measure of chance; the repeats are.
        let (squares, df) = if misfit_bent < POINTS {
            self.repeats
        } else {
            (bent.sse.max(self.floor * bent.residual_df as f64), bent.residual_df)
        };
        f_above((self.straight.sse - bent.sse).max(0.0) / (squares / df as f64), 1.0, df as f64)
    }

    /// By how much a bend lowers the corrected information criterion; `None` for too few points.
    pub fn criterion_gain(&self) -> Option<f64> {
        let bent = self.bent.as_ref().filter(|_| self.points >= WITHOUT_REPEATS)?;
        let n = self.points as f64;
        // The variance counts as one more parameter.
        let criterion = |fit: &LeastSquares| {
            let k = fit.coefficients.len() as f64 + 1.0;
            n * (fit.sse / n).max(self.floor).ln() + 2.0 * k + 2.0 * k * (k + 1.0) / (n - k - 1.0)
        };
        Some(criterion(&self.straight) - criterion(bent))
    }
}

/// Points of like speed together, from slow to fast.
pub(super) fn groups(points: &[Point]) -> Vec<Group> {
    let mut order: Vec<(usize, &Point)> = points.iter().enumerate().collect();
    order.sort_by(|a, b| a.1.rpm.total_cmp(&b.1.rpm));
    let mut groups: Vec<Group> = Vec::new();
    for (index, point) in order {
        match groups.last_mut() {
            Some(group) if point.rpm <= group.rpm * (1.0 + SAME_SPEED) => group.members.push(index),
            _ => groups.push(Group { rpm: point.rpm, members: vec![index], per_turn: 0.0 }),
        }
    }
    for group in &mut groups {
        let sum: f64 = group.members.iter().filter_map(|index| points.get(*index)).map(Point::per_turn).sum();
        group.per_turn = sum / group.members.len() as f64;
    }
    groups
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Six speeds, outputs of a turn 100 - 2x + r with x = -2.5 ..= 2.5 and r = 0.1 (1, -3, 2, 2, -3, 1), which neither a
    /// constant nor a slope can take up: what is left is 0.28 about the line, and 4 times 17.5 more about the mean.
    ///
    /// Criterion n ln(SSE/n) + 2k + 2k(k+1)/(n-k-1), with k = 2 and 3 parameters: C. M. Hurvich and C.-L. Tsai, Regression
    /// and time series model selection in small samples, Biometrika 76, 1989, from memory. By hand 4 + 4 and 6 + 12.
    #[test]
    fn the_criterion_of_a_bend_by_hand() {
        let left = [1.0, -3.0, 2.0, 2.0, -3.0, 1.0];
        let points: Vec<Point> = (1..=6)
            .zip(left)
            .map(|(step, left)| {
                let per_turn = 100.0 - 2.0 * (f64::from(step) - 3.5) + 0.1 * left;
                let rpm = 10.0 * f64::from(step);
                Point { rpm, flow_mm3_s: per_turn * rpm / 60.0 }
            })
            .collect();
        let evidence = Evidence::gather(&points, 0.0).expect("points");
        let gain = evidence.criterion_gain().expect("six weighings are enough");
        assert!((gain - (6.0 * (70.28_f64 / 0.28).ln() + 8.0 - 18.0)).abs() < 1e-6, "{gain}");
        assert!(Evidence::gather(&points[..4], 0.0).expect("points").criterion_gain().is_none());
    }
}
