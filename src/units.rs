//! Quantities with their units, so that one quantity cannot be passed for another.
//!
//! Each type holds one `f64` in the unit named by its constructor and is free at run time. Values cross
//! into bare numbers only inside a function body, through the accessor that names the unit.

use std::ops::{Add, AddAssign, Div, Mul, Sub};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $from:ident, $as:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, serde::Serialize)]
        #[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
        #[repr(transparent)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// Zero of this quantity.
            pub const ZERO: Self = Self(0.0);
            #[doc = concat!("From a number of ", $unit, ".")]
            pub const fn $from(value: f64) -> Self {
                Self(value)
            }
            #[doc = concat!("As a number of ", $unit, ".")]
            pub const fn $as(self) -> f64 {
                self.0
            }
            /// The smaller of two.
            #[must_use]
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }
            /// The larger of two.
            #[must_use]
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }
        }
        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }
        impl AddAssign for $name {
            fn add_assign(&mut self, other: Self) {
                self.0 += other.0;
            }
        }
        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }
        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }
        impl Div for $name {
            /// Ratio of two like quantities, without a unit.
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
    };
}

quantity!(
    /// Length, held in mm.
    Length, from_mm, as_mm, "millimetres"
);
quantity!(
    /// Area, held in mm².
    Area, from_mm2, as_mm2, "square millimetres"
);
quantity!(
    /// Volume, held in mm³.
    Volume, from_mm3, as_mm3, "cubic millimetres"
);
quantity!(
    /// Volume flow, held in mm³/s.
    VolumeFlow, from_mm3_s, as_mm3_s, "cubic millimetres per second"
);
quantity!(
    /// Mass, held in g.
    Mass, from_g, as_g, "grams"
);
quantity!(
    /// Density, held in g/cm³.
    Density, from_g_cm3, as_g_cm3, "grams per cubic centimetre"
);
quantity!(
    /// Rotational speed, held in revolutions per minute.
    RotationSpeed, from_rpm, as_rpm, "revolutions per minute"
);
quantity!(
    /// Output of one screw revolution, held in mm³/rev.
    SpecificOutput, from_mm3_rev, as_mm3_rev, "cubic millimetres per revolution"
);

quantity!(
    /// Pressure or stress, held in MPa.
    Pressure, from_mpa, as_mpa, "megapascals"
);
quantity!(
    /// Young's modulus at small strain, held in MPa.
    Modulus, from_mpa, as_mpa, "megapascals"
);
quantity!(
    /// Dynamic viscosity, held in Pa·s.
    Viscosity, from_pa_s, as_pa_s, "pascal seconds"
);

impl Area {
    /// Cross-section of a round strand of this diameter.
    pub fn of_circle(diameter: Length) -> Self {
        let d = diameter.as_mm();
        Self::from_mm2(std::f64::consts::FRAC_PI_4 * d * d)
    }
}

impl Mul<Density> for Volume {
    type Output = Mass;
    fn mul(self, density: Density) -> Mass {
        // 1 cm³ = 1000 mm³
        Mass::from_g(self.as_mm3() * 1e-3 * density.as_g_cm3())
    }
}

impl Div<Density> for Mass {
    type Output = Volume;
    fn div(self, density: Density) -> Volume {
        Volume::from_mm3(self.as_g() / density.as_g_cm3() * 1e3)
    }
}

impl Mul<RotationSpeed> for SpecificOutput {
    type Output = VolumeFlow;
    fn mul(self, speed: RotationSpeed) -> VolumeFlow {
        VolumeFlow::from_mm3_s(self.as_mm3_rev() * speed.as_rpm() / 60.0)
    }
}

/// A number with so many decimals at most; below zero they count digits before the point.
pub fn rounded(value: f64, decimals: i32) -> f64 {
    // Powers of ten above one are whole, so that the quotient is the decimal nearest to the result.
    let factor = 10.0_f64.powi(decimals.abs());
    if decimals >= 0 { (value * factor).round() / factor } else { (value / factor).round() * factor }
}

/// A number with so many digits that count at most; 0 for what is no number.
pub fn significant(value: f64, digits: i32) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return 0.0;
    }
    rounded(value, digits - 1 - value.abs().log10().floor().clamp(-30.0, 30.0) as i32)
}

/// Bounds of a plain number, for inner loops.
///
/// Unlike [`f64::min`] and [`f64::max`], which look whether either is no number at all, these are one instruction each;
/// a value or a bound that is no number leaves the value as it is.
pub trait Bounded {
    /// The value, or `most` where it is above that.
    fn at_most(self, most: Self) -> Self;
    /// The value, or `least` where it is below that.
    fn at_least(self, least: Self) -> Self;
}

impl Bounded for f64 {
    #[inline(always)]
    fn at_most(self, most: Self) -> Self {
        if most < self { most } else { self }
    }

    #[inline(always)]
    fn at_least(self, least: Self) -> Self {
        if least > self { least } else { self }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_cubic_centimetre_weighs_its_density() {
        let mass = Volume::from_mm3(1000.0) * Density::from_g_cm3(1.12);
        assert!((mass.as_g() - 1.12).abs() < 1e-12);
        assert!(((mass / Density::from_g_cm3(1.12)).as_mm3() - 1000.0).abs() < 1e-9);
    }

    #[test]
    fn circle_area_is_that_of_a_common_filament() {
        // By hand: pi/4 * 1.75^2 = 2.405281875
        let area = Area::of_circle(Length::from_mm(1.75));
        assert!((area.as_mm2() - 2.405_281_875).abs() < 1e-9);
    }

    #[test]
    fn digits() {
        let rows = [
            (21.345_678, 21.346),
            (0.000_123_456_7, 0.000_123_46),
            (123_456.7, 123_460.0),
            (0.0, 0.0),
            (f64::NAN, 0.0),
        ];
        for (value, known) in rows {
            assert_eq!(significant(value, 5), known);
        }
        assert_eq!([rounded(2.345_67, 2), rounded(-1.25, 1), rounded(1234.0, -2)], [2.35, -1.3, 1200.0]);
    }

    #[test]
    fn sixty_rpm_gives_one_revolution_a_second() {
        let flow = SpecificOutput::from_mm3_rev(15.0) * RotationSpeed::from_rpm(60.0);
        assert!((flow.as_mm3_s() - 15.0).abs() < 1e-12);
    }
}
