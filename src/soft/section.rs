//! What the section of an island is to bending, whichever way it lies.

use crate::survey::Island;

/// Below this share of a full rectangle, a section is one of thin walls: a square tube whose walls are below 6 % of its side,
/// or infill of an eighth.
const THIN_WALLED: f64 = 0.12;

/// Whether a section consists of thin walls around nothing, whichever way it lies: A² beside that of the rectangle with its
/// moments, 12 sqrt(I J - K²), which is 1 for a full one, however long, and 2 t/s for a square tube of side s and wall t.
pub(super) fn is_thin_walled(island: &Island) -> bool {
    let full = 12.0 * (island.ixx_mm4 * island.iyy_mm4 - island.ixy_mm4 * island.ixy_mm4).max(0.0).sqrt();
    island.area_mm2 * island.area_mm2 < THIN_WALLED * full
}

/// Least share of a second moment that the mixed one leaves.
const LEAST_OF_MOMENT: f64 = 1e-6;

/// Second moment that resists bending by a force along an axis, mm⁴: `own` is the integral of the square of that coordinate,
/// `other` that of the other one, `mixed` that of their product. A section whose stiff direction lies askew runs off sideways as
/// well. Along the axis it goes as J/(I J - K²), across as K/(I J - K²), so that all of its way is that of
/// (I J - K²)/sqrt(J² + K²) (unsymmetric bending, any handbook of the strength of materials).
pub(super) fn against_bending(own: f64, other: f64, mixed: f64) -> f64 {
    // What rounding leaves of a line that runs askew is no section any more.
    if other > 0.0 { ((own * other - mixed * mixed) / other.hypot(mixed)).max(LEAST_OF_MOMENT * own) } else { own }
}

/// Most that a tip goes by a force in any direction, mm/N. `along`: what it goes by one along X and one along Y, in all.
///
/// Their squares add up to those of the most and the least way, whose ratio is taken to be that of the island.
pub(super) fn give(island: &Island, along: [f64; 2]) -> f64 {
    let [x, y] = along;
    let least = least_moment(island.ixx_mm4, island.iyy_mm4, island.ixy_mm4);
    let ratio = (least / (island.ixx_mm4 + island.iyy_mm4 - least)).clamp(0.0, 1.0);
    (x.hypot(y) / 1.0_f64.hypot(ratio)).max(x).max(y)
}

/// Second moment about the axis in which a section is weakest.
pub(super) fn least_moment(ixx: f64, iyy: f64, ixy: f64) -> f64 {
    0.5 * (ixx + iyy) - (0.25 * (ixx - iyy) * (ixx - iyy) + ixy * ixy).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of a tube of side s and wall t the moment is (s⁴ - (s - 2t)⁴)/12, and the area 4 t (s - t).
    #[test]
    fn tubes_are_thin_walled_and_bars_are_not() {
        let island =
            |area_mm2: f64, ixx_mm4: f64, iyy_mm4: f64| Island { area_mm2, ixx_mm4, iyy_mm4, ..Island::default() };
        let tube = |side: f64, wall: f64| {
            let moment = (side.powi(4) - (side - 2.0 * wall).powi(4)) / 12.0;
            is_thin_walled(&island(4.0 * wall * (side - wall), moment, moment))
        };
        assert_eq!([1.0, 2.0, 2.2, 2.6, 4.0].map(|wall| tube(40.0, wall)), [true, true, true, false, false]);
        let bar = |long: f64, wide: f64| {
            is_thin_walled(&island(long * wide, long * wide.powi(3) / 12.0, wide * long.powi(3) / 12.0))
        };
        assert!(!bar(40.0, 1.0) && !bar(100.0, 0.4) && !bar(8.0, 8.0));
    }

    /// A wall of 20 mm by 2.4 mm, turned: by a force along Y it goes across itself by the cosine, and along itself by the sine.
    #[test]
    fn a_wall_askew_gives_way_as_its_parts_do() {
        let [along, across] = [2.4 * 20.0_f64.powi(3) / 12.0, 20.0 * 2.4_f64.powi(3) / 12.0];
        for degrees in [0.0_f64, 10.0, 20.0, 45.0, 80.0] {
            let (sin, cos) = degrees.to_radians().sin_cos();
            let ixx = across * cos * cos + along * sin * sin;
            let iyy = across * sin * sin + along * cos * cos;
            let ixy = (along - across) * sin * cos;
            let given = 1.0 / (cos / across).hypot(sin / along);
            assert!((against_bending(ixx, iyy, ixy) / given - 1.0).abs() < 1e-9, "{degrees}");
        }
        assert_eq!(against_bending(3.0, 0.0, 0.0), 3.0);
        assert_eq!(against_bending(3.0, 3.0, 3.0), 3e-6);
    }
}
