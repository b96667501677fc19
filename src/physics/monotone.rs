//! A smooth curve through points that never turns back.

/// Cubic pieces through points that rise in both coordinates; the curve rises everywhere between them.
///
/// Between two points the curve is the cubic with given slopes at both. Inner slopes are the weighted harmonic mean
/// of the slopes of the neighbouring chords, which keeps every piece rising:
///
/// d = (w1 + w2) / (w1/δ1 + w2/δ2), w1 = h1 + 2 h2, w2 = 2 h1 + h2
///
/// h1, h2 are the distances to the neighbours and δ1, δ2 the chords' slopes. The slope at an end is that of the
/// parabola through the three last points, held between zero and three times the chord's slope.
///
/// # Source
/// F. N. Fritsch, J. Butland, *A Method for Constructing Local Monotone Piecewise Cubic Interpolants*, SIAM J. Sci.
/// Stat. Comput. 5 (1984) 300-304; bound of the slopes: F. N. Fritsch, R. E. Carlson, SIAM J. Numer. Anal. 17 (1980)
/// 238-246. Both cited from memory.
#[derive(Clone, Debug, PartialEq)]
pub struct MonotoneCubic {
    points: Vec<[f64; 2]>,
    slopes: Vec<f64>,
}

impl MonotoneCubic {
    /// Through `points`, at least two, strictly rising in both coordinates; `None` if they are not.
    pub fn new(points: &[[f64; 2]]) -> Option<Self> {
        let chords: Vec<(f64, f64)> = points
            .windows(2)
            .filter_map(|pair| match pair {
                [[x0, y0], [x1, y1]] => Some((x1 - x0, (y1 - y0) / (x1 - x0))),
                _ => None,
            })
            .collect();
        let rising = |(h, slope): &(f64, f64)| h.is_finite() && slope.is_finite() && *h > 0.0 && *slope > 0.0;
        let (&first, &last) = (chords.first()?, chords.last()?);
        if !chords.iter().all(rising) {
            return None;
        }
        let end = |near: (f64, f64), next: (f64, f64)| {
            let slope = ((2.0 * near.0 + next.0) * near.1 - near.0 * next.1) / (near.0 + next.0);
            slope.clamp(0.0, 3.0 * near.1)
        };
        let (second, before_last) =
            (chords.get(1).copied().unwrap_or(first), chords.iter().rev().nth(1).copied().unwrap_or(last));
        let mut slopes = vec![end(first, second)];
        slopes.extend(chords.windows(2).filter_map(|pair| match pair {
            [(h1, slope1), (h2, slope2)] => {
                let (w1, w2) = (h1 + 2.0 * h2, 2.0 * h1 + h2);
                Some((w1 + w2) / (w1 / slope1 + w2 / slope2))
            }
            _ => None,
        }));
        slopes.push(end(last, before_last));
        Some(Self { points: points.to_vec(), slopes })
    }

    /// Value at `x`; beyond an end, the value at that end.
    pub fn at(&self, x: f64) -> f64 {
        let pieces = self.points.windows(2).zip(self.slopes.windows(2));
        let mut end = self.points.first().map_or(0.0, |point| point[1]);
        for (points, slopes) in pieces {
            let ([[x0, y0], [x1, y1]], [d0, d1]) = (points, slopes) else { continue };
            if x <= *x0 {
                break;
            }
            end = *y1;
            if x < *x1 {
                let h = x1 - x0;
                let t = (x - x0) / h;
                let s = 1.0 - t;
                return y0 * s * s * (1.0 + 2.0 * t) + y1 * t * t * (3.0 - 2.0 * t) + h * s * t * (d0 * s - d1 * t);
            }
        }
        end
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_straight_line_stays_straight() {
        let line = MonotoneCubic::new(&[[0.0, 0.0], [20.0, 5.0], [60.0, 15.0], [90.0, 22.5]]).expect("rising");
        for x in [0.0, 1.0, 20.0, 33.0, 60.0, 89.0, 90.0] {
            assert!((line.at(x) - x / 4.0).abs() < 1e-12, "{x}: {}", line.at(x));
        }
        assert_eq!((line.at(-1.0), line.at(100.0)), (0.0, 22.5));
    }

    #[test]
    fn worked_by_hand() {
        // Points (0,0), (1,3), (2,4): chords 3 and 1, so d = 6 / (3/3 + 3/1) = 1.5 in the middle; at the left end
        // (3 * 3 - 1) / 2 = 4; at the right end (3 * 1 - 3) / 2 = 0. At 0.5: 3/2 + (4 - 1.5)/8 = 1.8125; at 1.5:
        // (3 + 4)/2 + (1.5 - 0)/8 = 3.6875.
        let curve = MonotoneCubic::new(&[[0.0, 0.0], [1.0, 3.0], [2.0, 4.0]]).expect("rising");
        assert!((curve.at(0.5) - 1.8125).abs() < 1e-12 && (curve.at(1.5) - 3.6875).abs() < 1e-12);
    }

    #[test]
    fn points_that_do_not_rise_are_refused() {
        let cases: [&[[f64; 2]]; 5] =
            [&[], &[[0.0, 0.0]], &[[0.0, 0.0], [1.0, 0.0]], &[[0.0, 0.0], [0.0, 1.0]], &[[0.0, 0.0], [1.0, f64::NAN]]];
        for case in cases {
            assert_eq!(MonotoneCubic::new(case), None, "{case:?}");
        }
    }

    proptest! {
        #[test]
        fn rises_everywhere_and_meets_its_points(
            steps in proptest::collection::vec((0.01_f64..50.0, 0.001_f64..30.0), 1..12)
        ) {
            let mut points = vec![[0.0, 0.0]];
            for (dx, dy) in steps {
                let [x, y] = points[points.len() - 1];
                points.push([x + dx, y + dy]);
            }
            let curve = MonotoneCubic::new(&points).expect("rising");
            for [x, y] in &points {
                prop_assert!((curve.at(*x) - y).abs() <= 1e-9 * y.max(1.0));
            }
            let end = points[points.len() - 1][0];
            let mut before = 0.0;
            for i in 0..=400 {
                let y = curve.at(end * f64::from(i) / 400.0);
                prop_assert!(y >= before - 1e-9, "{y} after {before}");
                before = y;
            }
        }
    }
}
