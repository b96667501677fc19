//! How far a corner rule lets the speed along one axis jump.
//!
//! With phi the turn, c = cos(phi/2) and s = sin(phi/2), a corner passed at speed v changes it by 2 v s. Under a rule of
//! deviation v² = a d c/(1 - c), so (2 v s)² = 4 a d c (1 + c): it grows the straighter the corner is, to 8 a d. At the
//! right angle itself v² = a d (1 + sqrt 2), so the largest jump is sqrt(8 (sqrt 2 - 1)) = 1.82 times the speed there.

use crate::profile::Corner;

/// Lowest speed at a right angle that is set, mm/s: below, every bend is nearly a stop.
const LEAST_SPEED_MM_S: f64 = 0.2;
/// Lowest jump by axis, mm/s: boards do not run slower than some steps a second anyway.
const LEAST_STEP_MM_S: f64 = 0.5;
/// Lowest deviation that boards take, mm (0.01 to 0.3, common practice, no source).
const LEAST_DEVIATION_MM: f64 = 0.01;

/// Largest jump along an axis for each mm/s of speed at a right angle.
pub fn per_right_angle() -> f64 {
    (8.0 * (std::f64::consts::SQRT_2 - 1.0)).sqrt()
}

/// Largest jump along an axis for each mm/s of its step. Boards count an axis that turns back to its stop and from there
/// on, each for itself.
pub fn per_step(is_board: bool) -> f64 {
    if is_board { 2.0 } else { 1.0 }
}

/// Largest jump along an axis that a deviation allows, mm/s. `accel`: along that axis, mm/s².
pub fn jump_of(deviation_mm: f64, accel: f64) -> f64 {
    (8.0 * accel * deviation_mm).sqrt()
}

/// Deviation that allows a jump, mm; the inverse of [`jump_of`].
pub fn deviation_of(jump_mm_s: f64, accel: f64) -> f64 {
    if jump_mm_s.is_finite() { jump_mm_s * jump_mm_s / (8.0 * accel) } else { f64::INFINITY }
}

/// The lowest value of a rule that is ever set, in its own unit.
pub fn lowest(rule: Corner) -> f64 {
    match rule {
        Corner::RightAngleSpeed(_) => LEAST_SPEED_MM_S,
        Corner::Deviation(_) => LEAST_DEVIATION_MM,
        Corner::AxisStep(_) => LEAST_STEP_MM_S,
    }
}

/// Largest jump along an axis, 0 for X and 1 for Y, that a rule allows, mm/s; `floor`: as low as it can be set. `accel`:
/// along that axis, mm/s².
pub fn jump(rule: Corner, floor: bool, axis: usize, accel: f64, is_board: bool) -> f64 {
    let value = |own: f64| if floor { own.min(lowest(rule)) } else { own };
    match rule {
        Corner::RightAngleSpeed(speed) => per_right_angle() * value(speed),
        Corner::Deviation(deviation) => jump_of(value(deviation), accel),
        Corner::AxisStep(steps) => per_step(is_board) * steps.get(axis).map_or(0.0, |step| value(*step)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The jump at any turn, from the speed that the rule allows there, stays below the bound and comes close to it.
    #[test]
    fn no_turn_jumps_further() {
        let (speed, accel) = (5.0, 1000.0_f64);
        // The deviation of 5 mm/s at a right angle and 1000 mm/s²: 25 * 0.41421 / 1000.
        let deviation = 0.010_355_3_f64;
        let mut most = 0.0_f64;
        for degrees in 1..180 {
            let half = 0.5 * f64::from(degrees).to_radians();
            let (c, s) = (half.cos(), half.sin());
            most = most.max(2.0 * s * (accel * deviation * c / (1.0 - c)).sqrt());
        }
        let bound = jump(Corner::RightAngleSpeed(speed), false, 1, accel, false);
        assert!(most < bound && most > 0.99 * bound, "{most} {bound}");
        assert!((jump(Corner::Deviation(deviation), false, 1, accel, true) / bound - 1.0).abs() < 1e-5);
        assert!((deviation_of(bound, accel) / deviation - 1.0).abs() < 1e-5);
        // A full turn back of an axis on a board: from its step to a stop, and to its step the other way.
        assert_eq!(jump(Corner::AxisStep([10.0, 8.0, 0.3, 5.0]), false, 1, accel, true), 16.0);
        assert_eq!(jump(Corner::AxisStep([10.0, 8.0, 0.3, 5.0]), true, 0, accel, false), 0.5);
    }
}
