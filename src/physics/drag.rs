//! The sideways pull of the nozzle face on a part, through the melt between them.

use super::range::{OutOfRange, above_zero, not_below_zero};
use super::viscosity::PowerLaw;

/// Newtons from Pa mm².
const N_PER_PA_MM2: f64 = 1e-6;

/// Lateral force of a nozzle face that slides over melt: shear between two plates.
///
/// F = K (v / h)^n A
///
/// | symbol | argument   | unit         | range                                                                  |
/// |--------|------------|--------------|------------------------------------------------------------------------|
/// | K, n   | `melt`     | Pa·s^n, -    | at the temperature of the melt under the face                          |
/// | v      | `speed`    | mm/s         | 0 or above                                                             |
/// | h      | `gap`      | mm           | above 0; the layer height                                              |
/// | A      | `face`     | mm²          | 0 or above; bead width times half the face: what lies behind the axis |
///
/// Returns N.
///
/// # Assumes
/// All of the face slides on melt as hot as the nozzle, no pressure that drives melt through the gap, no melt that
/// sticks out beyond the bead.
///
/// # Accuracy
/// Not known: no measurement was found. Melt cools under the face, which makes it more; the power law holds for a
/// decade or two of shear rate.
///
/// # Errors
/// When a value is outside its range.
///
/// # Source
/// Shear flow between plates of a power-law melt, any text on rheology; used for the nozzle face by us.
pub fn force_n(melt: PowerLaw, speed: f64, gap: f64, face: f64) -> Result<f64, OutOfRange> {
    not_below_zero("the speed (mm/s)", speed)?;
    above_zero("the gap (mm)", gap)?;
    not_below_zero("the nozzle face over the bead (mm²)", face)?;
    Ok(melt.consistency() * (speed / gap).powf(melt.index()) * face * N_PER_PA_MM2)
}

/// Highest speed, mm/s, at which the drag bends a tip by no more than `allowed_mm`; [`force_n`] solved for v.
///
/// v = h (d / (c K A))^(1/n)
///
/// `give_mm_per_n` (c): deflection of the tip per lateral force, above 0, mm/N; `allowed_mm` (d): above 0, mm; others
/// as [`force_n`], with a face above 0. Infinite where no speed a number can hold would be too high.
///
/// # Errors
/// When a value is outside its range.
///
/// # Source
/// [`force_n`].
pub fn speed_limit(
    melt: PowerLaw,
    gap: f64,
    face: f64,
    give_mm_per_n: f64,
    allowed_mm: f64,
) -> Result<f64, OutOfRange> {
    above_zero("the gap (mm)", gap)?;
    above_zero("the nozzle face over the bead (mm²)", face)?;
    above_zero("the give of the tip (mm/N)", give_mm_per_n)?;
    above_zero("the allowed deflection (mm)", allowed_mm)?;
    let stress = allowed_mm / (give_mm_per_n * face * N_PER_PA_MM2);
    Ok(gap * (stress / melt.consistency()).powf(1.0 / melt.index()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn worked_by_hand() {
        // 1000 Pa·s, 50 mm/s over 0.5 mm: 100 1/s, 0.1 MPa; on 2 x 1.5 mm: 0.3 N.
        let newtonian = PowerLaw::new(1000.0, 1.0).unwrap();
        assert!((force_n(newtonian, 50.0, 0.5, 3.0).unwrap() - 0.3).abs() < 1e-12);
        // 5000 Pa·s^0.5 at 100 1/s: 0.05 MPa, 0.15 N.
        let thinning = PowerLaw::new(5000.0, 0.5).unwrap();
        assert!((force_n(thinning, 50.0, 0.5, 3.0).unwrap() - 0.15).abs() < 1e-12);
        // A tip of 2 mm/N bends 0.3 mm then.
        assert!((speed_limit(thinning, 0.5, 3.0, 2.0, 0.3).unwrap() - 50.0).abs() < 1e-9);
        assert_eq!(force_n(thinning, 0.0, 0.5, 3.0), Ok(0.0));
    }

    #[test]
    fn nonsense_has_no_answer() {
        let melt = PowerLaw::new(1000.0, 0.6).unwrap();
        for wrong in [-1.0, f64::NAN, f64::INFINITY] {
            assert!(force_n(melt, wrong, 0.5, 3.0).is_err() && force_n(melt, 50.0, 0.5, wrong).is_err());
        }
        for wrong in [0.0, -1.0, f64::NAN] {
            assert!(force_n(melt, 50.0, wrong, 3.0).is_err() && speed_limit(melt, wrong, 3.0, 1.0, 0.1).is_err());
            assert!(
                speed_limit(melt, 0.5, wrong, 1.0, 0.1).is_err() && speed_limit(melt, 0.5, 3.0, wrong, 0.1).is_err()
            );
            assert!(speed_limit(melt, 0.5, 3.0, 1.0, wrong).is_err());
        }
    }

    proptest! {
        #[test]
        fn the_limit_is_where_the_drag_bends_just_so_far(
            consistency in 100.0..50_000.0_f64, index in 0.2..1.0_f64, gap in 0.1..2.0_f64, face in 0.1..20.0_f64,
            give in 0.01..50.0_f64, allowed in 0.01..1.0_f64,
        ) {
            let melt = PowerLaw::new(consistency, index).unwrap();
            let speed = speed_limit(melt, gap, face, give, allowed).unwrap();
            prop_assert!((force_n(melt, speed, gap, face).unwrap() * give / allowed - 1.0).abs() < 1e-9);
            prop_assert!(speed_limit(melt, gap, face, give / 2.0, allowed).unwrap() > speed, "harder is not slower");
        }
    }
}
