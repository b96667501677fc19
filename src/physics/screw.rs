//! Output of the screw.

use crate::units::{RotationSpeed, VolumeFlow};

/// Output at a screw speed, from points of a curve.
///
/// Linear between the points and from the origin to the first; beyond the last point the last output is kept, since
/// nothing tells that the screw gives more.
///
/// | argument | unit           | range                    |
/// | `points` | rev/min, mm³/s | rising in both, above 0  |
/// | `speed`  | rev/min        | >= 0                     |
///
/// Returns 0 for no points or a speed of zero or below.
///
/// # Source
/// Piecewise linear interpolation; the points are weighings.
pub fn output_from_curve(points: &[[f64; 2]], speed: RotationSpeed) -> VolumeFlow {
    let rpm = speed.as_rpm();
    let mut before = [0.0, 0.0];
    if rpm.is_nan() || rpm <= 0.0 {
        return VolumeFlow::ZERO;
    }
    for &point in points {
        if rpm <= point[0] {
            let share = (rpm - before[0]) / (point[0] - before[0]);
            return VolumeFlow::from_mm3_s(before[1] + share * (point[1] - before[1]));
        }
        before = point;
    }
    VolumeFlow::from_mm3_s(before[1])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_below_and_beyond_the_points() {
        let points = [[20.0, 5.0], [60.0, 13.0]];
        // By hand: half-way to the first point 2.5; half-way between 9; beyond the last 13.
        for (rpm, flow) in [(0.0, 0.0), (10.0, 2.5), (20.0, 5.0), (40.0, 9.0), (60.0, 13.0), (90.0, 13.0)] {
            let got = output_from_curve(&points, RotationSpeed::from_rpm(rpm)).as_mm3_s();
            assert!((got - flow).abs() < 1e-12, "{rpm} rpm: {got}");
        }
        assert_eq!(output_from_curve(&[], RotationSpeed::from_rpm(10.0)), VolumeFlow::ZERO);
    }
}
