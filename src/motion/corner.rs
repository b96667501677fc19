//! How fast a controller lets a corner be taken.
//!
//! With phi the turn (0 = straight on), c = cos(phi/2) and s = sin(phi/2).

use crate::units::Bounded;

/// c, s of half the turn from the cosine of the whole; both 0..=1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HalfTurn {
    /// cos(phi/2): 1 straight on, 0 at a full reversal.
    pub cos: f64,
    /// sin(phi/2): 0 straight on, 1 at a full reversal.
    pub sin: f64,
}

impl HalfTurn {
    /// From the cosine of the turn. Rounding beyond -1..=1 is cut off.
    #[inline]
    pub fn of_cosine(cosine: f64) -> Self {
        let [cos, sin] = [1.0 + cosine, 1.0 - cosine].map(|twice| (0.5 * twice).at_least(0.0).sqrt());
        Self { cos, sin }
    }

    /// Factors on acceleration times deviation, c/(1 - c), and on half of acceleration times length, cot(phi/2). Infinite
    /// straight on.
    ///
    /// v² = a d c/(1 - c): the circle that touches both moves and passes the corner at distance d has the radius
    /// d c/(1 - c), and holds a centripetal acceleration a at speed v.
    ///
    /// v² = (L/2) a cot(phi/2): the circle that touches both moves at their middles, for two moves of length L.
    ///
    /// # Source
    /// S. Jeon, cornering algorithm article, 2011, whose sin(theta/2), theta being the angle between the moves, is c.
    #[inline]
    pub fn factors(self) -> [f64; 2] {
        [(1.0 - self.cos).at_least(0.0), self.sin].map(|under| self.cos / under)
    }
}

/// Squared speed through a corner, mm²/s², at most `most`: what both factors allow.
///
/// `factors` of the corner, [`HalfTurn::factors`]; `deviation`: acceleration times
/// deviation; `midpoint`: half of acceleration times length, both mm²/s².
#[inline]
pub fn squared_speed(factors: [f64; 2], deviation: f64, midpoint: f64, most: f64) -> f64 {
    // No branches: which of the three holds changes from corner to corner, and a wrong guess costs more than the products.
    // Straight on a factor is infinite, and nothing of it no number, which is left out.
    most.at_most(factors[0] * deviation).at_most(factors[1] * midpoint)
}

/// The deviation that gives a set speed at a right angle, mm: d = v² (sqrt 2 - 1)/a, from c = sqrt(1/2).
///
/// `speed` in mm/s; `accel` in mm/s², above 0.
pub fn deviation_of_right_angle(speed: f64, accel: f64) -> f64 {
    speed * speed * (std::f64::consts::SQRT_2 - 1.0) / accel
}

#[cfg(test)]
mod tests {
    use super::*;

    /// S. Jeon, article on the cornering algorithm, 2011, its formula for a = 1000 mm/s² and a deviation of 0.05 mm. First
    /// column: angle between the moves, degrees, 180 minus the turn.
    #[test]
    fn published_corner_speeds() {
        let rows = [
            (30.0, 0.34920, 4.1785),
            (60.0, 1.00000, 7.0711),
            (90.0, 2.41421, 10.9868),
            (120.0, 6.46410, 17.9779),
            (135.0, 12.13707, 24.6344),
            (150.0, 28.34774, 37.6482),
            (170.0, 261.79124, 114.4096),
            (175.0, 1049.66471, 229.0922),
        ];
        for (between, factor, speed) in rows {
            let half = HalfTurn::of_cosine((180.0_f64 - between).to_radians().cos());
            assert!((half.factors()[0] / factor - 1.0).abs() < 2e-5, "{between}: {half:?}");
            let found = (1000.0 * 0.05 * half.factors()[0]).sqrt();
            assert!((found - speed).abs() < 6e-5, "{between}: {found}");
        }
    }

    #[test]
    fn what_no_factor_holds_back_is_seen_at_once() {
        for k in 0..=2000 {
            let cosine = f64::from(k) / 1000.0 - 1.0;
            let half = HalfTurn::of_cosine(cosine);
            for (deviation, midpoint, most) in
                [(20.0, 500.0, 2500.0), (1e-3, 1e3, 400.0), (0.0, 10.0, 1.0), (5.0, 0.1, 9.0)]
            {
                let factors = half.factors();
                let slow = f64::min(most, factors[0] * deviation).min(factors[1] * midpoint);
                let wanted = if half.sin > 0.0 && half.cos < 1.0 { slow } else { most };
                let found = squared_speed(factors, deviation, midpoint, most);
                assert!((found - wanted).abs() <= 1e-12 * most, "{cosine}: {found} {wanted}");
            }
        }
    }

    #[test]
    fn ends_of_the_range() {
        let straight = HalfTurn::of_cosine(1.0 + 1e-16);
        assert_eq!(straight.factors(), [f64::INFINITY; 2]);
        let back = HalfTurn::of_cosine(-1.0 - 1e-16);
        assert_eq!(back.factors(), [0.0; 2]);
        // A right-angle speed of 5 at 1000: by hand 25 * 0.414214/1000 = 0.01035534 mm, and back to 5 mm/s.
        let deviation = deviation_of_right_angle(5.0, 1000.0);
        assert!((deviation - 0.010_355_339).abs() < 1e-9);
        let right = HalfTurn::of_cosine(0.0);
        assert!(((1000.0 * deviation * right.factors()[0]).sqrt() - 5.0).abs() < 1e-12);
    }
}
