//! Length and geometry of circular moves, as RS-274/NGC defines them.

use std::f64::consts::{FRAC_PI_2, PI, TAU};

/// The plane of an arc and, with it, which axes are the first, the second and the one it climbs along.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Plane {
    /// `G17`.
    #[default]
    Xy,
    /// `G18`.
    Zx,
    /// `G19`.
    Yz,
}

impl Plane {
    /// Axis numbers (0 = X, 1 = Y, 2 = Z): first, second, and the axis of the helix.
    pub const fn axes(self) -> (usize, usize, usize) {
        match self {
            Self::Xy => (0, 1, 2),
            Self::Zx => (2, 0, 1),
            Self::Yz => (1, 2, 0),
        }
    }
}

/// How a line gives the centre.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Centre {
    /// Offsets from the start along the first and second axis of the plane, mm.
    Offset(f64, f64),
    /// Radius, mm; negative for the arc larger than a semicircle.
    Radius(f64),
}

/// Why an arc cannot be run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ArcError {
    /// The centre is where the arc starts.
    #[error("this arc has no radius: its centre is its start")]
    ZeroRadius,
    /// The radius is beyond ten kilometres.
    #[error("the radius of this arc is beyond ten kilometres")]
    HugeRadius,
    /// A radius was given, and the end is the start: every circle through that point would do.
    #[error("an arc given by its radius cannot end where it starts")]
    NoChord,
    /// The end is further away than the diameter.
    #[error("the end of this arc is out of reach of its radius")]
    OutOfReach,
}

/// A resolved arc.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arc {
    /// Centre along the first and second axis of the plane, mm.
    pub centre: [f64; 2],
    /// Radius at the start, mm.
    pub radius: f64,
    /// Angle swept, rad; positive counter-clockwise.
    pub sweep: f64,
    /// Distance between the end point and the circle, mm.
    pub end_error: f64,
}

/// An arc in space: a circle in its plane, and a climb along the third axis that goes with the angle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ArcPath {
    /// Its plane.
    pub plane: Plane,
    /// The circle.
    pub arc: Arc,
    /// Start, mm along X, Y, Z.
    pub from: [f64; 3],
    /// End as the line gives it, mm along X, Y, Z.
    pub to: [f64; 3],
}

impl ArcPath {
    /// The point after a share 0..=1 of the sweep, mm along X, Y, Z; exactly the stated end at 1.
    pub fn point(&self, share: f64) -> [f64; 3] {
        if share >= 1.0 {
            return self.to;
        }
        let (first, second, helix) = self.plane.axes();
        let (sin, cos) = (self.arc.sweep * share).sin_cos();
        let [cx, cy] = self.arc.centre;
        let (ax, ay) = (self.from[first] - cx, self.from[second] - cy);
        let mut at = self.from;
        at[first] = cx + ax * cos - ay * sin;
        at[second] = cy + ax * sin + ay * cos;
        at[helix] += (self.to[helix] - self.from[helix]) * share;
        at
    }

    /// Least and largest X, Y, Z on the way, mm: of both ends, and of where the circle runs along an axis.
    pub fn bounds(&self) -> [[f64; 3]; 2] {
        let (first, second, _) = self.plane.axes();
        let mut least: [f64; 3] = std::array::from_fn(|axis| self.from[axis].min(self.to[axis]));
        let mut most: [f64; 3] = std::array::from_fn(|axis| self.from[axis].max(self.to[axis]));
        let Arc { centre: [cx, cy], radius, sweep, .. } = self.arc;
        let start = (self.from[second] - cy).atan2(self.from[first] - cx);
        let passes = |angle: f64| ((angle - start) * sweep.signum()).rem_euclid(TAU) <= sweep.abs();
        if passes(0.0) {
            most[first] = most[first].max(cx + radius);
        }
        if passes(FRAC_PI_2) {
            most[second] = most[second].max(cy + radius);
        }
        if passes(PI) {
            least[first] = least[first].min(cx - radius);
        }
        if passes(-FRAC_PI_2) {
            least[second] = least[second].min(cy - radius);
        }
        [least, most]
    }
}

/// Radii below are no radius, mm: far below the resolution of any machine.
const LEAST_RADIUS_MM: f64 = 1e-6;
/// Radii above are a fault of the file, mm.
const LARGEST_RADIUS_MM: f64 = 1e7;

/// How far half the chord may exceed the radius before the end counts as out of reach, mm.
///
/// 0.002 mm is the tolerance of the NIST interpreter (NISTIR 6556; as quoted by two public ports); numbers with
/// two decimals, which some slicing programs write, need 0.01.
const REACH_TOLERANCE_MM: f64 = 0.01;

/// Points closer than this are one point, mm: sums of distances differ in their last digits from the place they lead to.
const SAME_POINT_MM: f64 = 1e-6;

fn is_same(a: [f64; 2], b: [f64; 2]) -> bool {
    (a[0] - b[0]).abs() < SAME_POINT_MM && (a[1] - b[1]).abs() < SAME_POINT_MM
}

impl Arc {
    /// Resolves an arc in its plane.
    ///
    /// `from` and `to` are positions along the first and second axis of the plane, mm. `turns` is the number of
    /// whole and part turns (`P` of the line), at least 1; an end at the start is a full circle in centre form.
    ///
    /// # Errors
    /// [`ArcError`] as named there.
    ///
    /// # Source
    /// T. Kramer, F. Proctor, E. Messina, The NIST RS274NGC Interpreter, Version 3, NISTIR 6556 (2000): meaning of
    /// centre and radius form, of the sign of R and of the semicircle.
    pub fn resolve(
        from: [f64; 2],
        to: [f64; 2],
        centre: Centre,
        clockwise: bool,
        turns: u32,
    ) -> Result<Self, ArcError> {
        let (cx, cy) = match centre {
            Centre::Offset(i, j) => (from[0] + i, from[1] + j),
            Centre::Radius(r) => centre_from_radius(from, to, r, clockwise)?,
        };
        let (ax, ay) = (from[0] - cx, from[1] - cy);
        let (bx, by) = (to[0] - cx, to[1] - cy);
        let radius = ax.hypot(ay);
        if radius.is_nan() || radius < LEAST_RADIUS_MM {
            return Err(ArcError::ZeroRadius);
        }
        if radius > LARGEST_RADIUS_MM {
            return Err(ArcError::HugeRadius);
        }
        // Angle from start to end, counter-clockwise, in (-pi, pi].
        let mut sweep = (ax * by - ay * bx).atan2(ax * bx + ay * by);
        let closed = is_same(from, to);
        if clockwise {
            if sweep >= 0.0 || closed {
                sweep -= 2.0 * PI;
            }
            if closed {
                sweep = -2.0 * PI;
            }
        } else {
            if sweep <= 0.0 {
                sweep += 2.0 * PI;
            }
            if closed {
                sweep = 2.0 * PI;
            }
        }
        let further = 2.0 * PI * f64::from(turns.saturating_sub(1));
        sweep += if clockwise { -further } else { further };
        Ok(Self { centre: [cx, cy], radius, sweep, end_error: (bx.hypot(by) - radius).abs() })
    }

    /// Length along the arc, mm, with `climb` mm of travel along the helix axis.
    pub fn length(&self, climb: f64) -> f64 {
        (self.radius * self.sweep).hypot(climb)
    }
}

fn centre_from_radius(from: [f64; 2], to: [f64; 2], r: f64, clockwise: bool) -> Result<(f64, f64), ArcError> {
    let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
    let half = 0.5 * dx.hypot(dy);
    if is_same(from, to) {
        return Err(ArcError::NoChord);
    }
    let radius = r.abs();
    if half > radius + REACH_TOLERANCE_MM {
        return Err(ArcError::OutOfReach);
    }
    // Half the chord within rounding of the radius: a semicircle.
    let height = if half >= radius { 0.0 } else { (radius * radius - half * half).sqrt() };
    // The centre lies left of the chord for a short counter-clockwise or a long clockwise arc.
    let side = if clockwise == (r > 0.0) { -1.0 } else { 1.0 };
    let (nx, ny) = (-dy / (2.0 * half), dx / (2.0 * half));
    Ok((from[0] + 0.5 * dx + side * height * nx, from[1] + 0.5 * dy + side * height * ny))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sources: the RS-274/NGC rules of NISTIR 6556 (centre of an R arc, larger arc for R < 0); rows marked "public" come from
    /// public tests of other interpreters, the rest follow from the rules by hand.
    #[test]
    fn radius_form_follows_rs274ngc() {
        /// Clockwise, from, to, R, centre, sweep in degrees, length.
        type Row = (bool, [f64; 2], [f64; 2], f64, [f64; 2], f64, f64);
        let rows: [Row; 6] = [
            (true, [7.0, 2.0], [2.0, 7.0], -5.0, [2.0, 2.0], -270.0, 23.561_945), // public
            (true, [7.0, 2.0], [2.0, 7.0], 5.0, [7.0, 7.0], -90.0, 7.853_982),
            (false, [7.0, 2.0], [2.0, 7.0], 5.0, [2.0, 2.0], 90.0, 7.853_982),
            (false, [7.0, 2.0], [2.0, 7.0], -5.0, [7.0, 7.0], 270.0, 23.561_945),
            (true, [0.0, 0.0], [100.0, 0.0], 50.0, [50.0, 0.0], -180.0, 157.079_633), // public
            (false, [70.0, 50.0], [49.466, 69.993], 20.0, [50.0, 50.0], 91.530, 31.9501), // public
        ];
        for (cw, from, to, r, centre, sweep, length) in rows {
            let arc = Arc::resolve(from, to, Centre::Radius(r), cw, 1).unwrap();
            assert!((arc.centre[0] - centre[0]).abs() < 6e-4 && (arc.centre[1] - centre[1]).abs() < 6e-4, "{arc:?}");
            assert!((arc.sweep.to_degrees() - sweep).abs() < 2e-3, "{arc:?}");
            assert!((arc.length(0.0) - length).abs() < 1e-3, "{arc:?}");
        }
    }

    /// Distances that should add up to the place they lead to do so but for their last digits.
    #[test]
    fn an_end_that_is_the_start_but_for_rounding_closes_the_circle() {
        let [from, to] = [[0.1 + 0.2, 100.0], [0.3, 100.0]];
        assert_ne!(from, to);
        for clockwise in [true, false] {
            let arc = Arc::resolve(from, to, Centre::Offset(0.0, 10.0), clockwise, 1).unwrap();
            assert!((arc.sweep.abs() - 2.0 * PI).abs() < 1e-12, "{arc:?}");
            assert_eq!(Arc::resolve(from, to, Centre::Radius(10.0), clockwise, 1), Err(ArcError::NoChord));
        }
    }

    #[test]
    fn centre_form_full_circle_helix_and_turns() {
        let circle = Arc::resolve([1.0, 0.0], [1.0, 0.0], Centre::Offset(-1.0, 0.0), true, 1).unwrap();
        assert!((circle.sweep + 2.0 * PI).abs() < 1e-12);
        // One turn of a helix, radius 3, climb 4 per 2 pi of circumference: by hand sqrt((6 pi)^2 + 16).
        let helix = Arc::resolve([3.0, 0.0], [3.0, 0.0], Centre::Offset(-3.0, 0.0), false, 1).unwrap();
        assert!((helix.length(4.0) - ((6.0 * PI).powi(2) + 16.0).sqrt()).abs() < 1e-9);
        let two = Arc::resolve([3.0, 0.0], [-3.0, 0.0], Centre::Offset(-3.0, 0.0), false, 2).unwrap();
        assert!((two.sweep - 3.0 * PI).abs() < 1e-12);
    }

    /// The bounds hold every point of the way, and each of them is reached.
    #[test]
    fn bounds_hold_the_way() {
        let mut looked_at = 0;
        for plane in [Plane::Xy, Plane::Zx, Plane::Yz] {
            let (first, second, helix) = plane.axes();
            for (start, end) in (0..24).flat_map(|start| (0..24).map(move |end| (start, end))) {
                for clockwise in [false, true] {
                    let on = |step: i32| {
                        let (sin, cos) = (f64::from(step) * PI / 12.0 + 0.1).sin_cos();
                        [5.0 + 2.0 * cos, -3.0 + 2.0 * sin]
                    };
                    let ([x, y], to) = (on(start), on(end));
                    let arc = Arc::resolve([x, y], to, Centre::Offset(5.0 - x, -3.0 - y), clockwise, 1).unwrap();
                    let mut ends = [[0.0; 3]; 2];
                    for ([a, b], at) in [[x, y], to].into_iter().zip(&mut ends) {
                        (at[first], at[second]) = (a, b);
                    }
                    ends[1][helix] = 1.5;
                    let path = ArcPath { plane, arc, from: ends[0], to: ends[1] };
                    let points: Vec<_> = (0..=4000).map(|step| path.point(f64::from(step) / 4000.0)).collect();
                    let [least, most] = path.bounds();
                    for axis in 0..3 {
                        let low = points.iter().map(|at| at[axis]).fold(f64::INFINITY, f64::min);
                        let high = points.iter().map(|at| at[axis]).fold(f64::NEG_INFINITY, f64::max);
                        // Two millimetres times half the square of half a step.
                        let near = |bound: f64, reached: f64| (bound - reached).abs() < 2e-6;
                        assert!(near(least[axis], low) && near(most[axis], high), "{path:?}: {least:?} {most:?}");
                    }
                    looked_at += 1;
                }
            }
        }
        assert_eq!(looked_at, 3 * 24 * 24 * 2);
    }

    #[test]
    fn impossible_arcs_are_refused() {
        let at = |to, centre| Arc::resolve([0.0, 0.0], to, centre, true, 1);
        assert_eq!(at([1.0, 0.0], Centre::Offset(0.0, 0.0)), Err(ArcError::ZeroRadius));
        assert_eq!(at([0.0, 0.0], Centre::Radius(5.0)), Err(ArcError::NoChord));
        assert_eq!(at([20.0, 0.0], Centre::Radius(5.0)), Err(ArcError::OutOfReach));
        // What rounding leaves out of reach is half a circle.
        assert!(at([20.01, 0.0], Centre::Radius(10.0)).is_ok());
        assert_eq!(at([20.022, 0.0], Centre::Radius(10.0)), Err(ArcError::OutOfReach));
    }

    #[test]
    fn every_refusal_has_words_of_its_own() {
        macro_rules! each_of {
            ($($refusal:ident),+) => {{
                // One that is missing here does not compile.
                let _complete = |error: ArcError| match error { $(ArcError::$refusal => (),)+ };
                [$(ArcError::$refusal),+]
            }};
        }
        let each = each_of!(ZeroRadius, HugeRadius, NoChord, OutOfReach);
        let words: Vec<String> = each.iter().map(ToString::to_string).collect();
        insta::assert_snapshot!(words.join("\n"), @r"
        this arc has no radius: its centre is its start
        the radius of this arc is beyond ten kilometres
        an arc given by its radius cannot end where it starts
        the end of this arc is out of reach of its radius
        ");
    }
}
