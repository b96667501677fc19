//! From how a tip sways to how the machine may move.

use super::range::{OutOfRange, above_zero, when};

/// Tip deflection over the static one when an acceleration sets in at once, without damping: energy k d² / 2 = F d.
pub const STEP: f64 = 2.0;

/// The same when the acceleration turns round after half a period, the worst moment: 2 + 2, by two steps in phase.
pub const WORST_REVERSAL: f64 = 4.0;

/// What the motion of a bed may be so that a tip stays within its allowance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// Acceleration, mm/s².
    pub accel_mm_s2: f64,
    /// Step of speed at a corner, mm/s.
    pub speed_step_mm_s: f64,
}

impl Limit {
    /// The limits of a tip.
    ///
    /// a = d / (D s),   dv = d / (s omega),   omega = 2 pi f
    ///
    /// | symbol | argument       | unit         | range                                                       |
    /// |--------|----------------|--------------|-------------------------------------------------------------|
    /// | d      | `allowed_mm`   | mm           | above 0; a share of the bead width                          |
    /// | D      | `factor`       | -            | 1 ..= 4: 1 slowly applied, [`STEP`], [`WORST_REVERSAL`]     |
    /// | s      | `per_accel`    | mm per mm/s² | above 0, [`Sway::per_accel`](super::stand::Sway::per_accel) |
    /// | f      | `frequency_hz` | Hz           | above 0                                                     |
    ///
    /// A step dv of the base sets a single oscillator that stands for the tip going with amplitude c dv / omega. Its
    /// static deflection is c a / omega² = s a, so c = s omega² (1.545 for a prism) and the amplitude is s omega dv.
    /// Here the upper bound of the frequency that Rayleigh gives is the safe side.
    ///
    /// # Accuracy
    /// One mode. For a prism the participation of the first mode is 1.566 against c = 1.545; higher modes add at most
    /// 14 % from the second if all crests meet. Steps that follow each other may add up: they are not followed.
    ///
    /// # Errors
    /// When a value is outside its range.
    ///
    /// # Source
    /// Static and dynamic response of one degree of freedom, any text on vibrations; dynamic factors 2 and 4 worked
    /// from it.
    pub fn of(allowed_mm: f64, factor: f64, per_accel: f64, frequency_hz: f64) -> Result<Self, OutOfRange> {
        above_zero("the allowed deflection (mm)", allowed_mm)?;
        when((1.0..=4.0).contains(&factor), "the dynamic factor", "lie between 1 and 4", factor)?;
        above_zero("the deflection per acceleration (mm per mm/s²)", per_accel)?;
        above_zero("the frequency (Hz)", frequency_hz)?;
        Ok(Self {
            accel_mm_s2: allowed_mm / (factor * per_accel),
            speed_step_mm_s: allowed_mm / (per_accel * std::f64::consts::TAU * frequency_hz),
        })
    }

    /// The lower of both, each for itself.
    #[must_use]
    pub fn min(self, other: Self) -> Self {
        Self {
            accel_mm_s2: self.accel_mm_s2.min(other.accel_mm_s2),
            speed_step_mm_s: self.speed_step_mm_s.min(other.speed_step_mm_s),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::column::{Column, Slice, Solid, shear_factor_of_rectangle};
    use crate::physics::stiffness::gent;
    use crate::units::Density;

    /// 20A, 20 x 20 x 100 mm, tip 0.2 mm: 354.871 mm/s² slowly applied and 177.436 as a step, by bending alone.
    #[test]
    fn worked_limit() {
        let bending = 0.563_585e-3;
        let slow = Limit::of(0.2, 1.0, bending, 8.333_86).unwrap();
        assert!((slow.accel_mm_s2 - 354.871).abs() < 1e-3);
        let step = Limit::of(0.2, STEP, bending, 8.333_86).unwrap();
        assert!((step.accel_mm_s2 - 177.436).abs() < 1e-3);
        // d omega / 1.545295 by hand: 0.2 * 52.3632 / 1.545295.
        assert!((step.speed_step_mm_s - 6.777_12).abs() < 1e-4, "{}", step.speed_step_mm_s);
    }

    /// The amplitude after a step of speed, by time steps of an oscillator with the static answer of the tip.
    #[test]
    fn a_step_of_speed_swings_to_the_allowance() {
        let (per_accel, frequency) = (5e-4, 8.0);
        let limit = Limit::of(0.3, STEP, per_accel, frequency).unwrap();
        let omega = std::f64::consts::TAU * frequency;
        // u'' = -omega² u; the base's impulse dv gives u' = c dv.
        let (mut u, mut v, dt) = (0.0, per_accel * omega * omega * limit.speed_step_mm_s, 1e-6);
        let mut most = 0.0_f64;
        for _ in 0..150_000 {
            v -= omega * omega * u * dt;
            u += v * dt;
            most = most.max(u);
        }
        assert!((most - 0.3).abs() < 1e-4, "{most}");
    }

    /// Limits of a prism fall with H⁻⁴ while bending rules, and rise with w².
    #[test]
    fn powers_of_height_and_width() {
        let limit = |height: f64, side: f64, shore: f64| {
            let solid = Solid::new(gent(shore).unwrap(), 0.5, Density::from_g_cm3(1.1)).unwrap();
            let factor = shear_factor_of_rectangle(0.5);
            let slice = Slice::new(height, side * side, side.powi(4) / 12.0, factor).unwrap();
            let mut column = Column::clamped();
            column.grow(&slice, &solid);
            Limit::of(0.2, STEP, column.tip_per_accel(), column.frequency_hz()).unwrap()
        };
        let base = limit(200.0, 10.0, 20.0);
        assert!((base.accel_mm_s2 / limit(400.0, 10.0, 20.0).accel_mm_s2 / 16.0 - 1.0).abs() < 0.01);
        assert!((limit(200.0, 20.0, 20.0).accel_mm_s2 / base.accel_mm_s2 / 4.0 - 1.0).abs() < 0.01);
        let mut last = Limit { accel_mm_s2: 0.0, speed_step_mm_s: 0.0 };
        for shore in [5.0, 10.0, 20.0, 40.0, 60.0, 85.0, 95.0] {
            let now = limit(120.0, 15.0, shore);
            assert!(now.accel_mm_s2 > last.accel_mm_s2 && now.speed_step_mm_s > last.speed_step_mm_s, "{shore}A");
            last = now;
        }
        assert_eq!(limit(200.0, 10.0, 40.0).min(base), base);
    }

    #[test]
    fn nonsense_has_no_answer() {
        for wrong in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(Limit::of(wrong, 2.0, 1e-3, 5.0).is_err());
            assert!(Limit::of(0.2, wrong, 1e-3, 5.0).is_err());
            assert!(Limit::of(0.2, 2.0, wrong, 5.0).is_err());
            assert!(Limit::of(0.2, 2.0, 1e-3, wrong).is_err());
        }
    }
}
