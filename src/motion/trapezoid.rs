//! Closed forms of a move with one acceleration: speed up, cruise, brake.

use crate::units::Bounded;

/// Squared top speed of a move that speeds up and brakes without cruising, mm²/s².
///
/// v_p² = (v_0² + v_1²)/2 + a L, from v_p² - v_0² = 2 a d_up, v_p² - v_1² = 2 a d_down, d_up + d_down = L.
///
/// `start` and `end` are squared speeds, mm²/s²; `ramp` is 2 a L, mm²/s². Meaningful for |start - end| <= ramp.
///
/// # Source
/// Uniform acceleration: v² = v0² + 2 a s.
pub fn peak_sq(start: f64, end: f64, ramp: f64) -> f64 {
    0.5 * (start + end + ramp)
}

/// Time of a move, s.
///
/// t = (v - v_0)/a + (v - v_1)/a + (L - d_up - d_down)/v, with d = (v² - v_0²)/(2 a).
///
/// | symbol   | argument                  | unit  | range                                       |
/// | v_0, v_1 | `entry`, `exit`           | mm/s  | >= 0, at most `top`                         |
/// | v        | `top`                     | mm/s  | > 0, reachable within the length            |
/// | a        | `accel`                   | mm/s² | > 0                                         |
/// | L        | `length`                  | mm    | >= 0                                        |
///
/// Where rounding leaves less than nothing for the cruise, it takes no time.
///
/// # Source
/// Uniform acceleration: v² = v0² + 2 a s.
#[inline]
pub fn time(length: f64, entry: f64, top: f64, exit: f64, accel: f64) -> f64 {
    let half = 0.5 / accel;
    let (up, down) = (top - entry, top - exit);
    let ramps = (up * (top + entry) + down * (top + exit)) * half;
    (up + down) * (2.0 * half) + (length - ramps).at_least(0.0) / top
}

/// Time of a way from rest to rest, s, at most at `speed`; 0 for no way. `calm`: acceleration whose ramps have to reach the top
/// of a way, as where a controller keeps a share of each move even, mm/s²; infinite where none does.
pub fn from_rest(way: f64, speed: f64, accel: f64, calm: f64) -> f64 {
    let top = speed.at_most((way * accel.at_most(calm)).sqrt());
    if top > 0.0 { time(way, 0.0, top, 0.0, accel) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ways_from_rest_to_rest_by_hand() {
        let free = f64::INFINITY;
        // 1 unit at 100/s²: top 10, 0.2 s; at most 5 a second: 0.05 s up and down, 0.75 units even: 0.25 s in all.
        assert!((from_rest(1.0, 50.0, 100.0, free) - 0.2).abs() < 1e-12);
        assert!((from_rest(1.0, 5.0, 100.0, free) - 0.25).abs() < 1e-12);
        // What 25/s² reaches is 5 a second as well.
        assert!((from_rest(1.0, 50.0, 100.0, 25.0) - 0.25).abs() < 1e-12);
        // No way, and one whose square root is nothing.
        assert_eq!(from_rest(0.0, 5.0, 100.0, free), 0.0);
        assert!(from_rest(f64::MIN_POSITIVE, 5.0, 1e-300, free).is_finite());
    }

    /// By hand from v² = v0² + 2 a s: length, entry, exit, asked speed, acceleration, peak, time.
    #[test]
    fn closed_forms() {
        let rows: [[f64; 7]; 5] = [
            [100.0, 0.0, 0.0, 50.0, 500.0, 50.0, 2.1],
            [2.0, 0.0, 0.0, 50.0, 500.0, 31.622_776_601_7, 0.126_491_106_407],
            [10.0, 10.0, 5.0, 60.0, 300.0, 55.339_859_052_9, 0.318_932_393_686],
            [5.0, 20.0, 0.0, 20.0, 100.0, 20.0, 0.35],
            [1.0, 0.0, 0.0, 100.0, 1000.0, 31.622_776_601_7, 0.063_245_553_203_4],
        ];
        for [length, entry, exit, asked, accel, peak, seconds] in rows {
            let top = peak_sq(entry * entry, exit * exit, 2.0 * accel * length).sqrt().min(asked);
            assert!((top - peak).abs() < 1e-9, "{top} {peak}");
            let found = time(length, entry, top, exit, accel);
            assert!((found - seconds).abs() < 1e-9, "{found} {seconds}");
        }
    }
}
