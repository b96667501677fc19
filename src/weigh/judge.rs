//! How far the weighings themselves can be trusted: stray ones, scatter of repeats, drift.

use serde::Serialize;

use super::curve::Curve;
use super::evidence::Point;
use crate::physics::regression::least_squares;
use crate::physics::student::t_outside;

/// Chance below which a stray weighing or a drift is reported.
const REPORTED: f64 = 0.05;
/// Scatter below this share is rounding of doubles.
const ROUNDING: f64 = 1e-9;

/// How one weighing lies to the curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Deviation {
    /// Measured over fitted, less 1.
    pub share: f64,
    /// Deviation as a multiple of its own standard deviation, taken from all others; `None` where it is not known.
    pub studentised: Option<f64>,
    /// Chance that the largest of all deviations is as large.
    pub stray: bool,
}

/// Change of output over the test.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Drift {
    /// Change of output from the first to the last run, as a share.
    pub share: f64,
    /// Chance of as much without a drift.
    pub chance: f64,
}

impl Drift {
    /// Whether it is beyond chance.
    pub fn is_real(&self) -> bool {
        self.chance < REPORTED
    }
}

/// Deviation of each point from the curve, tested for the largest of all (Bonferroni).
///
/// t_i = e_i / (s_(i) sqrt(1 - h_i)), s_(i)² = (SSE - e_i²/(1 - h_i)) / (n - p - 1)
///
/// No s is taken below what the steps of the scale alone make, `noise_share` of the output.
///
/// # Source
/// R. D. Cook, S. Weisberg, *Residuals and Influence in Regression*, 1982, 2.2 (externally studentised residuals); from
/// memory.
pub(super) fn deviations(curve: &Curve, points: &[Point], noise_share: f64) -> Vec<Deviation> {
    let per_turn: Vec<f64> = points.iter().map(Point::per_turn).collect();
    let plain = |point: &Point| point.flow_mm3_s / curve.flow_mm3_s(point.rpm) - 1.0;
    let none = |point: &Point| Deviation { share: plain(point), studentised: None, stray: false };
    let Ok(fit) = least_squares(&curve.columns(points), &per_turn) else {
        return points.iter().map(none).collect();
    };
    let df = fit.residual_df as f64 - 1.0;
    let rows = points.iter().zip(fit.residuals.iter().zip(&fit.leverages).zip(&per_turn));
    rows.map(|(point, ((residual, leverage), per_turn))| {
        let free = 1.0 - leverage;
        if df < 1.0 || free < ROUNDING {
            return none(point);
        }
        let others = (fit.sse - residual * residual / free) / df;
        let others = others.max((noise_share * per_turn).powi(2));
        if others.sqrt() < ROUNDING * per_turn || others.is_nan() || others <= 0.0 {
            return none(point);
        }
        let t = residual / (others * free).sqrt();
        let stray = t_outside(t, df) * (points.len() as f64) < REPORTED;
        Deviation { share: plain(point), studentised: Some(t), stray }
    })
    .collect()
}

/// Scatter of repeats of one speed: standard deviation as a share of their mean, over all speeds; `None` without
/// repeats.
pub(super) fn repeatability(curve: &Curve, points: &[Point]) -> Option<f64> {
    let (mut squares, mut df) = (0.0, 0);
    for group in &curve.groups {
        df += group.members.len() - 1;
        let members = group.members.iter().filter_map(|index| points.get(*index));
        squares += members.map(|point| (point.per_turn() / group.per_turn - 1.0).powi(2)).sum::<f64>();
    }
    (df > 0).then(|| (squares / df as f64).sqrt())
}

/// Trend over the order of running, fitted together with the curve, so that the order of the speeds does not pass for
/// a trend, and against the scatter or the steps of the scale (`noise_share` of the output), whichever is more; `None` for too few points, or where order and speed cannot be told apart.
pub(super) fn drift(curve: &Curve, points: &[Point], noise_share: f64) -> Option<Drift> {
    let per_turn: Vec<f64> = points.iter().map(Point::per_turn).collect();
    let mut columns = curve.columns(points);
    let last = points.len().checked_sub(1).filter(|last| *last > 0)? as f64;
    // From -1/2 at the first to 1/2 at the last, so that the coefficient is the whole change.
    columns.push((0..points.len()).map(|index| index as f64 / last - 0.5).collect());
    let fit = least_squares(&columns, &per_turn).ok().filter(|fit| fit.residual_df >= 2)?;
    let (change, sd) = (*fit.coefficients.last()?, *fit.standard_deviations.last()?);
    let mean = per_turn.iter().sum::<f64>() / per_turn.len() as f64;
    if change.abs() < ROUNDING * mean {
        return Some(Drift { share: 0.0, chance: 1.0 });
    }
    let sd = sd * (noise_share * mean / fit.residual_sd).max(1.0);
    Some(Drift { share: change / mean, chance: t_outside(change / sd, fit.residual_df as f64) })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(rows: &[(f64, f64)]) -> Vec<Point> {
        rows.iter().map(|(rpm, per_turn)| Point { rpm: *rpm, flow_mm3_s: per_turn * rpm / 60.0 }).collect()
    }

    #[test]
    fn a_stray_weighing_by_hand() {
        // Others: 20, 20.1, 19.9, 20.05, 19.95, mean 20, sum of squares 0.025, s² = 0.00625 with 4 degrees of freedom.
        // The stray one lies 1 above their mean, with variance s² (1 + 1/5): t = 1 / sqrt(0.0075) = 11.547.
        let points = points(&[20.0, 20.1, 21.0, 19.9, 20.05, 19.95].map(|y| (60.0, y)));
        let curve = Curve::choose(&points, 0.0).expect("points");
        let found = deviations(&curve, &points, 0.0);
        assert!((found[2].studentised.expect("known") - 11.547_005).abs() < 1e-5);
        let stray: Vec<bool> = found.iter().map(|deviation| deviation.stray).collect();
        assert_eq!(stray, [false, false, true, false, false, false]);
    }

    /// One step of the scale, 0.1 g of 12 g, on otherwise equal weighings is what a scale does. By hand: noise 0.1/(12 √12) =
    /// 0.24 %, and t = 0.661 % / (0.24 % √0.8) = 3.07 for the one of five, a chance of 0.05 among so few.
    #[test]
    fn a_step_of_the_scale_strays_from_nothing() {
        let steps = points(&[20.0, 20.0, 20.0 * 12.1 / 12.0, 20.0, 20.0].map(|y| (60.0, y)));
        let curve = Curve::choose(&steps, 0.0).expect("points");
        let noise = 0.1 / 12.0 / 12_f64.sqrt();
        assert!(!deviations(&curve, &steps, noise).iter().any(|deviation| deviation.stray));
        let t = deviations(&curve, &steps, noise)[2].studentised.expect("known");
        assert!((t - 0.8 * 0.1 / 12.1 / (noise * 0.8_f64.sqrt())).abs() < 1e-6, "{t}");
        let rising = points(&[20.0, 20.0, 20.0, 20.0 * 12.1 / 12.0, 20.0 * 12.1 / 12.0].map(|y| (60.0, y)));
        let curve = Curve::choose(&rising, 0.0).expect("points");
        let chance = |noise| drift(&curve, &rising, noise).expect("enough points").chance;
        assert!(chance(3.0 * noise) > chance(0.0), "{} {}", chance(3.0 * noise), chance(0.0));
    }

    #[test]
    fn scatter_of_repeats_by_hand() {
        // 1 % up and down at both speeds: sum of squares 4e-4 over 2 degrees of freedom.
        let points = points(&[(20.0, 19.8), (20.0, 20.2), (40.0, 9.9), (40.0, 10.1)]);
        let curve = Curve::choose(&points, 0.0).expect("points");
        assert!((repeatability(&curve, &points).expect("repeats") - 2e-4_f64.sqrt()).abs() < 1e-12);
        let single = [points[0], points[2]];
        let curve = Curve::choose(&single, 0.0).expect("points");
        assert_eq!(repeatability(&curve, &single), None);
    }

    #[test]
    fn drift_is_not_taken_for_speed() {
        // 10 % more from first to last, speeds up and down again, scatter of 0.1 %.
        let speeds = [20.0, 40.0, 60.0, 60.0, 40.0, 20.0, 20.0, 40.0, 60.0];
        let rows: Vec<(f64, f64)> = speeds
            .iter()
            .enumerate()
            .map(|(i, rpm)| (*rpm, 20.0 * (0.95 + 0.1 * i as f64 / 8.0) + [0.02, -0.01, -0.01][i % 3]))
            .collect();
        let points = points(&rows);
        let curve = Curve::choose(&points, 0.0).expect("points");
        let drift = drift(&curve, &points, 0.0).expect("enough points");
        assert!(drift.is_real() && (drift.share - 0.1).abs() < 0.005, "{drift:?}");
    }

    #[test]
    fn no_drift_in_equal_weighings() {
        let points = points(&[(20.0, 20.0), (40.0, 20.0), (20.0, 20.0), (40.0, 20.0), (60.0, 20.0)]);
        let curve = Curve::choose(&points, 0.01).expect("points");
        assert!(!drift(&curve, &points, 0.0).expect("enough points").is_real());
        assert!(deviations(&curve, &points, 0.0).iter().all(|deviation| !deviation.stray));
    }

    /// Mean and trend take two of the weighings, and a scatter is told by two more.
    #[test]
    fn three_weighings_show_no_drift() {
        let shown = |rows: &[(f64, f64)]| {
            let points = points(rows);
            drift(&Curve::choose(&points, 0.0).expect("points"), &points, 0.0).is_some()
        };
        let rows = [(60.0, 20.0), (60.0, 20.2), (60.0, 20.1), (60.0, 20.3)];
        assert_eq!([shown(&rows[..3]), shown(&rows)], [false, true]);
        let of_chance = |chance| Drift { share: 0.1, chance }.is_real();
        assert_eq!([of_chance(0.049), of_chance(0.051)], [true, false]);
    }
}
