//! Density and stiffness of mixtures, from those of the constituents.
//!
//! Fractions are shares of the whole and have to add up to 1 within a millionth.

use super::range::{OutOfRange, above_zero, not_below_zero, when};
use crate::units::{Density, Modulus, Viscosity};

/// Two bounds that hold a property.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Bounds<T> {
    /// Lower bound.
    pub low: T,
    /// Upper bound.
    pub high: T,
}

/// Density from mass fractions.
///
/// 1 / rho = sum of w_i / rho_i
///
/// | symbol | argument | unit  | range                      |
/// |--------|----------|-------|----------------------------|
/// | w      | first    | -     | 0 ..= 1, together 1, mass  |
/// | rho    | second   | g/cm³ | above 0                    |
///
/// # Assumes
/// Volumes add up: no voids, no shrinkage on mixing.
///
/// # Errors
/// When a density is not above zero or the fractions do not make a whole.
///
/// # Source
/// Conservation of mass and volume.
pub fn density(parts: &[(f64, Density)]) -> Result<Density, OutOfRange> {
    whole(parts.iter().map(|part| part.0))?;
    let mut volume = 0.0;
    for (share, rho) in parts {
        volume += share / above_zero("the density of a constituent (g/cm³)", rho.as_g_cm3())?;
    }
    Ok(Density::from_g_cm3(1.0 / volume))
}

/// Volume fractions from mass fractions: f_i = w_i / rho_i, divided by their sum.
///
/// # Errors
/// As [`density`].
pub fn volume_fractions(parts: &[(f64, Density)]) -> Result<Vec<f64>, OutOfRange> {
    let mixed = density(parts)?;
    Ok(parts.iter().map(|(share, rho)| share * (mixed / *rho)).collect())
}

/// Mass fractions from volume fractions: w_i = f_i rho_i, divided by their sum.
///
/// # Errors
/// As [`density`].
pub fn mass_fractions(parts: &[(f64, Density)]) -> Result<Vec<f64>, OutOfRange> {
    whole(parts.iter().map(|part| part.0))?;
    let mut mass = 0.0;
    for (share, rho) in parts {
        mass += share * above_zero("the density of a constituent (g/cm³)", rho.as_g_cm3())?;
    }
    Ok(parts.iter().map(|(share, rho)| share * rho.as_g_cm3() / mass).collect())
}

/// Stiffness when all constituents stretch alike, and when all bear the same stress: no mixture lies outside.
///
/// Voigt: E = sum of f_i E_i;   Reuss: 1 / E = sum of f_i / E_i
///
/// | symbol | argument | unit | range                        |
/// |--------|----------|------|------------------------------|
/// | f      | first    | -    | 0 ..= 1, together 1, volume  |
/// | E      | second   | MPa  | above 0                      |
///
/// # Errors
/// When a modulus is not above zero or the fractions do not make a whole.
///
/// # Source
/// W. Voigt 1889, A. Reuss 1929 (from memory).
pub fn reuss_voigt(parts: &[(f64, Modulus)]) -> Result<Bounds<Modulus>, OutOfRange> {
    check(parts)?;
    let softness: f64 = parts.iter().map(|(share, e)| share / e.as_mpa()).sum();
    let stiffness: f64 = parts.iter().map(|(share, e)| share * e.as_mpa()).sum();
    Ok(Bounds { low: Modulus::from_mpa(1.0 / softness), high: Modulus::from_mpa(stiffness) })
}

/// Narrower bounds for mixtures that look alike in all directions.
///
/// E = 1 / (sum of f_i / (E_i + z)) - z,   z = 3/2 E_min for the lower and 3/2 E_max for the upper bound
///
/// | symbol | argument | unit | range                        |
/// |--------|----------|------|------------------------------|
/// | f      | first    | -    | 0 ..= 1, together 1, volume  |
/// | E      | second   | MPa  | above 0, within 1 to 1e6     |
///
/// # Assumes
/// Incompressible constituents, E = 3 mu, so that the bulk modulus drops out; no voids, firm contact between phases.
///
/// # Errors
/// As [`reuss_voigt`].
///
/// # Source
/// Z. Hashin, S. Shtrikman, J. Mech. Phys. Solids 11 (1963) 127 (from memory), in the limit of an infinite bulk modulus.
pub fn hashin_shtrikman(parts: &[(f64, Modulus)]) -> Result<Bounds<Modulus>, OutOfRange> {
    check(parts)?;
    // A constituent of which there is nothing does not count.
    let present = || parts.iter().filter(|part| part.0 > 0.0).map(|part| part.1.as_mpa());
    let (softest, stiffest) = present().fold((f64::INFINITY, 0.0_f64), |(low, high), e| (low.min(e), high.max(e)));
    let bound = |reference: f64| {
        let z = 1.5 * reference;
        let sum: f64 = parts.iter().map(|(share, e)| share / (e.as_mpa() + z)).sum();
        Modulus::from_mpa((1.0 / sum - z).clamp(softest, stiffest))
    };
    Ok(Bounds { low: bound(softest), high: bound(stiffest) })
}

/// Viscosity of a mixture by two rules that are both in use; the truth of melts that mix mostly lies near them.
///
/// log rule: ln eta = sum of w_i ln eta_i;   cube-root rule: eta^(1/3) = sum of w_i eta_i^(1/3)
///
/// | symbol | argument | unit | range                      |
/// |--------|----------|------|----------------------------|
/// | w      | first    | -    | 0 ..= 1, together 1, mass  |
/// | eta    | second   | Pa·s | above 0                    |
///
/// The log rule never lies above the cube-root rule.
///
/// # Accuracy
/// Not known. Melts that separate follow neither.
///
/// # Errors
/// When a viscosity is not above zero or the fractions do not make a whole.
///
/// # Source
/// S. Arrhenius 1887 and the cube-root rule of Kendall and Monroe 1917 (from memory).
pub fn viscosity(parts: &[(f64, Viscosity)]) -> Result<Bounds<Viscosity>, OutOfRange> {
    whole(parts.iter().map(|part| part.0))?;
    let (mut log, mut root) = (0.0, 0.0);
    for (share, eta) in parts {
        let eta = above_zero("the viscosity of a constituent (Pa·s)", eta.as_pa_s())?;
        log += share * eta.ln();
        root += share * eta.cbrt();
    }
    let (low, high) = (Viscosity::from_pa_s(log.exp()), Viscosity::from_pa_s(root.powi(3)));
    Ok(Bounds { low: low.min(high), high })
}

fn check(parts: &[(f64, Modulus)]) -> Result<(), OutOfRange> {
    whole(parts.iter().map(|part| part.0))?;
    parts.iter().try_for_each(|part| above_zero("the modulus of a constituent (MPa)", part.1.as_mpa()).map(|_| ()))
}

fn whole(fractions: impl Iterator<Item = f64>) -> Result<(), OutOfRange> {
    let mut sum = 0.0;
    for fraction in fractions {
        sum += not_below_zero("the fraction of a constituent", fraction)?;
    }
    when((sum - 1.0).abs() < 1e-6, "the sum of all fractions", "be 1", sum).map(|_| ())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::stiffness::gent;
    use proptest::prelude::*;

    #[test]
    fn density_goes_by_volume() {
        let rho = |value| Density::from_g_cm3(value);
        let parts = [(0.7, rho(1.12)), (0.3, rho(1.21))];
        // By hand: 1 / (0.7/1.12 + 0.3/1.21) = 1.145562; the mean of the densities would be 1.147.
        assert!((density(&parts).unwrap().as_g_cm3() - 1.145_562).abs() < 5e-7);
        let volumes = volume_fractions(&parts).unwrap();
        // By hand: 0.625 / (0.625 + 0.247934).
        assert!((volumes[0] - 0.715_976).abs() < 5e-7);
        let back = mass_fractions(&[(volumes[0], rho(1.12)), (volumes[1], rho(1.21))]).unwrap();
        assert!((back[0] - 0.7).abs() < 1e-12);
    }

    /// Phases by Gent, volume fractions; Reuss, Hashin-Shtrikman low and high, Voigt, worked in independent code.
    #[test]
    fn bounds_of_five_blends_to_the_printed_digits() {
        for (a, b, share, reuss, low, high, voigt) in [
            (5.0, 85.0, 0.5, 0.5450, 0.9062, 5.1596, 6.7303),
            (20.0, 40.0, 0.5, 1.0214, 1.1115, 1.1496, 1.2108),
            (30.0, 60.0, 0.5, 1.7350, 2.0028, 2.1789, 2.3737),
            (60.0, 85.0, 0.5, 5.6618, 6.7322, 7.5796, 8.3937),
            (60.0, 95.0, 0.75, 4.6785, 5.9182, 10.6127, 13.6611),
        ] {
            let parts = [(share, gent(a).unwrap()), (1.0 - share, gent(b).unwrap())];
            let wide = reuss_voigt(&parts).unwrap();
            let narrow = hashin_shtrikman(&parts).unwrap();
            for (got, expected) in [(wide.low, reuss), (narrow.low, low), (narrow.high, high), (wide.high, voigt)] {
                assert!((got.as_mpa() - expected).abs() < 5.1e-5, "{a}A/{b}A: {got:?} instead of {expected}");
            }
        }
    }

    /// 70 to 30 of 300 and 1200 Pa s: 454.7150 by the log rule, 488.1882 by the cube root, worked in independent code.
    #[test]
    fn viscosity_by_both_rules() {
        let eta = Viscosity::from_pa_s;
        let band = viscosity(&[(0.7, eta(300.0)), (0.3, eta(1200.0))]).unwrap();
        assert!((band.low.as_pa_s() - 454.7150).abs() < 5.1e-5 && (band.high.as_pa_s() - 488.1882).abs() < 5.1e-5);
        assert!(viscosity(&[(1.0, eta(0.0))]).is_err() && viscosity(&[(0.5, eta(1.0))]).is_err());
    }

    /// Averaging the hardness of 60A and 85A, then Gent, gives 6.2170 MPa; the bounds begin at 6.7322.
    #[test]
    fn averaged_hardness_falls_out_of_the_bounds() {
        let averaged = gent(72.5).unwrap();
        let parts = [(0.5, gent(60.0).unwrap()), (0.5, gent(85.0).unwrap())];
        assert!((averaged.as_mpa() - 6.2170).abs() < 5.1e-5);
        assert!(averaged < hashin_shtrikman(&parts).unwrap().low);
    }

    #[test]
    fn nonsense_has_no_answer() {
        let e = Modulus::from_mpa;
        let rho = Density::from_g_cm3;
        assert!(density(&[(0.5, rho(1.0)), (0.4, rho(1.0))]).is_err());
        assert!(density(&[(1.2, rho(1.0)), (-0.2, rho(1.0))]).is_err());
        assert!(density(&[(1.0, rho(0.0))]).is_err());
        assert!(density(&[]).is_err());
        assert!(reuss_voigt(&[(1.0, e(-1.0))]).is_err());
        assert!(hashin_shtrikman(&[(f64::NAN, e(1.0)), (1.0, e(1.0))]).is_err());
    }

    proptest! {
        #[test]
        fn bounds_are_ordered_and_lie_between_the_constituents(
            moduli in proptest::collection::vec(-2.0..4.0_f64, 1..6),
            weights in proptest::collection::vec(0.0..1.0_f64, 6),
        ) {
            let total: f64 = weights.iter().take(moduli.len()).sum();
            prop_assume!(total > 1e-3);
            let parts: Vec<(f64, Modulus)> =
                moduli.iter().zip(&weights).map(|(log, w)| (w / total, Modulus::from_mpa(10_f64.powf(*log)))).collect();
            let wide = reuss_voigt(&parts).unwrap();
            let narrow = hashin_shtrikman(&parts).unwrap();
            let slack = 1.0 + 1e-9;
            let present = parts.iter().filter(|p| p.0 > 0.0).map(|p| p.1.as_mpa());
            let (least, most) = present.fold((f64::MAX, 0.0_f64), |(l, h), e| (l.min(e), h.max(e)));
            let row = [least, wide.low.as_mpa(), narrow.low.as_mpa(), narrow.high.as_mpa(), wide.high.as_mpa(), most];
            prop_assert!(row.windows(2).all(|pair| pair[0] <= pair[1] * slack), "{row:?}");
        }

        #[test]
        fn density_lies_between_the_constituents(share in 0.0..1.0_f64, a in 0.5..5.0_f64, b in 0.5..5.0_f64) {
            let parts = [(share, Density::from_g_cm3(a)), (1.0 - share, Density::from_g_cm3(b))];
            let mixed = density(&parts).unwrap().as_g_cm3();
            prop_assert!(a.min(b) - 1e-9 <= mixed && mixed <= a.max(b) + 1e-9);
            let sum: f64 = volume_fractions(&parts).unwrap().iter().sum();
            prop_assert!((sum - 1.0).abs() < 1e-12);
        }
    }
}
