//! Whether a column carries its own weight.

use super::column::Solid;
use super::range::{OutOfRange, above_zero};

/// Standard gravity, mm/s².
const GRAVITY: f64 = 9806.65;
/// Tonnes per mm³ in 1 g/cm³.
const T_MM3: f64 = 1e-9;
/// Most sections a [`Tower`] keeps.
const MOST_SECTIONS: usize = 200;
/// Most pairs of terms of the power series of one piece; with loads below 1 the last is below 1e-17.
const PAIRS: usize = 9;
/// -1 / (k (k - 1)) for both of each pair: for 2 and 3, for 4 and 5, and so on.
const SHARES: [[f64; 2]; PAIRS] = {
    let mut shares = [[0.0; 2]; PAIRS];
    let mut place = 0;
    while place < 2 * PAIRS {
        let k = place as f64 + 2.0;
        shares[place / 2][place % 2] = -1.0 / (k * (k - 1.0));
        place += 1;
    }
    shares
};
/// Terms this small beside the inclinations, which count from 1 at the top, end the series.
const SMALL: f64 = 1e-18;
/// Most steps towards the factor: five or six are usual.
const MOST_STEPS: u32 = 200;

/// A length of column of one section.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Section {
    height: f64,
    area: f64,
    second_moment: f64,
}

impl Section {
    /// Two in a row as one with their weight and their bending under equal moments.
    fn and(self, other: Self) -> Self {
        let height = self.height + other.height;
        Self {
            height,
            area: (self.area * self.height + other.area * other.height) / height,
            second_moment: height / (self.height / self.second_moment + other.height / other.second_moment),
        }
    }
}

/// What joining two neighbours would cost, `logs` being the logarithms of area and second moment of each: their height
/// times how unlike they are. Likes are kept short as well, since what is joined now may have an unlike neighbour later.
fn cost(height: f64, a: [f64; 2], b: [f64; 2]) -> f64 {
    height * (0.01 + (a[0] - b[0]).abs() + (a[1] - b[1]).abs())
}

/// The factor is found to about this share of it: each step is about the square of the one before, so one below the
/// root of it is the last.
const FINE: f64 = 1e-12;

/// A column on the bed, laid section by section, of bounded size.
///
/// Beyond 200 sections the two neighbours that are most alike for their height are joined: weight and flexibility are
/// kept, so equal ones lose nothing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tower {
    /// From the bed up.
    sections: Vec<Section>,
    /// Logarithms of their areas and second moments.
    logs: Vec<[f64; 2]>,
    /// What it would cost to join each with the next; the last has none.
    costs: Vec<f64>,
    height: f64,
}

impl Tower {
    /// Lays a slice on the top.
    ///
    /// | argument                  | unit | range                                                            |
    /// |---------------------------|------|------------------------------------------------------------------|
    /// | `height_mm`               | mm   | above 0                                                          |
    /// | `area_mm2`                | mm²  | above 0                                                          |
    /// | `least_second_moment_mm4` | mm⁴  | above 0; about the principal axis in which the section is weakest |
    ///
    /// # Errors
    /// When a value is outside its range.
    pub fn grow(&mut self, height_mm: f64, area_mm2: f64, least_second_moment_mm4: f64) -> Result<(), OutOfRange> {
        let slice = Section {
            height: above_zero("the height of a slice (mm)", height_mm)?,
            area: above_zero("the area of a section (mm²)", area_mm2)?,
            second_moment: above_zero("the second moment of a section (mm⁴)", least_second_moment_mm4)?,
        };
        self.height += height_mm;
        self.sections.push(slice);
        self.logs.push([area_mm2.ln(), least_second_moment_mm4.ln()]);
        if let Some(below) = self.sections.len().checked_sub(2) {
            self.costs.push(self.cost(below));
        }
        if self.sections.len() > MOST_SECTIONS {
            self.join_two();
        }
        Ok(())
    }

    /// Joins sections until there are at most `most`, above 0, and gives up the memory of the others.
    ///
    /// # Accuracy
    /// Prisms lose nothing, however few; 15 sections tell the factor of a body that tapers to a
    /// tenth of its width to 5 %.
    pub fn coarsen(&mut self, most: usize) {
        if self.sections.len() <= most {
            return;
        }
        while self.sections.len() > most.max(1) {
            self.join_two();
        }
        // The next slice goes in without asking for more.
        let room = self.sections.len() + 1;
        self.sections.shrink_to(room);
        self.logs.shrink_to(room);
        self.costs.shrink_to(room);
    }

    /// Joins the two neighbours whose difference matters least.
    fn join_two(&mut self) {
        let least = self.costs.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1)).map(|(index, _)| index);
        let Some(index) = least else { return };
        let (Some(&a), Some(&b)) = (self.sections.get(index), self.sections.get(index + 1)) else { return };
        let joined = a.and(b);
        self.sections.remove(index + 1);
        self.logs.remove(index + 1);
        self.costs.remove(index);
        if let (Some(section), Some(logs)) = (self.sections.get_mut(index), self.logs.get_mut(index)) {
            (*section, *logs) = (joined, [joined.area.ln(), joined.second_moment.ln()]);
        }
        for place in index.saturating_sub(1)..=index {
            let cost = self.cost(place);
            if let Some(kept) = self.costs.get_mut(place) {
                *kept = cost;
            }
        }
    }

    /// What joining a section with the next would cost.
    fn cost(&self, index: usize) -> f64 {
        match (self.sections.get(index..index + 2), self.logs.get(index..index + 2)) {
            (Some([a, b]), Some([of_a, of_b])) => cost(a.height + b.height, *of_a, *of_b),
            _ => f64::INFINITY,
        }
    }

    /// Height, mm.
    pub fn height_mm(&self) -> f64 {
        self.height
    }

    /// How many times its own weight it carries upright: above 1 it stands. Infinite while nothing stands.
    ///
    /// Smallest lambda with (E I psi')' = -lambda N psi, psi = 0 at the bed, E I psi' = 0 at the top, where psi is the
    /// inclination and N the weight above.
    ///
    /// # Assumes
    /// Linear stuff, a clamped base, a straight and upright column whose slope the weight only has to keep up; shear
    /// left out (it lowers the factor of squat columns, which is high anyway), no branches. Creep of a soft or warm part
    /// is not in it: ask for a good margin.
    ///
    /// # Accuracy
    /// Each section is solved by its power series, and the factor is found to 1e-10: exact for stepped columns.
    ///
    /// # Source
    /// A. G. Greenhill, Proc. Camb. Phil. Soc. 4 (1881) (citation from memory): for the prism
    /// lambda = 7.8373474389 E I / (rho g A L³). Marching from the top is ours, and so is the way to the factor: the
    /// inclination at the bed, as a function of lambda, is a product of (1 - lambda / lambda_k) over factors that are all
    /// above 0, so it falls and is convex up to the first of them, and Newton's steps from 0 never pass it.
    pub fn critical_factor(&self, solid: &Solid) -> f64 {
        // In units where E = 1 and rho g = 1 the factor is that of `E / (rho g)`, mm.
        let length = solid.modulus().as_mpa() / (solid.density().as_g_cm3() * T_MM3 * GRAVITY);
        let mut factor = self.least_factor();
        if factor.is_infinite() {
            return factor;
        }
        for _ in 0..MOST_STEPS {
            let [at_bed, change] = self.inclination(factor);
            let step = -at_bed / change;
            // Rounding ends it as well.
            if !(step > 0.0 && step.is_finite()) {
                break;
            }
            factor += step * factor;
            if step * step < FINE {
                break;
            }
        }
        factor * length
    }

    /// What the factor surely is not below, in units where E = 1 and rho g = 1: the first step from 0.
    ///
    /// 1 / lambda < sum of 1 / lambda_k = integral over the height of (integral of N above) / EI.
    fn least_factor(&self) -> f64 {
        let (mut weight, mut above, mut sum) = (0.0, 0.0, 0.0);
        for Section { height, area, second_moment } in self.sections.iter().rev() {
            let own = area * height;
            // Of above + weight s + own s² / (2 height) over s from 0 to the height.
            sum += height * (above + height * (weight / 2.0 + own / 6.0)) / second_moment;
            above += height * (weight + own / 2.0);
            weight += own;
        }
        1.0 / sum
    }

    /// The inclination at the bed, marched down from 1 at the free top, where no moment is, and its change with the load,
    /// for a load that changes by all of itself.
    fn inclination(&self, load: f64) -> [f64; 2] {
        // Each with its change: inclination and bending moment; and the weight above, going down.
        let (mut inclination, mut moment, mut weight) = ([1.0, 0.0], [0.0, 0.0], 0.0);
        for section in self.sections.iter().rev() {
            let most = load * section.height * section.height / section.second_moment
                * (weight + section.area * section.height);
            // Short enough for the series.
            let pieces = if most > 1.0 { most.sqrt().ceil() } else { 1.0 };
            let piece = section.height / pieces;
            let over = load * piece * piece / section.second_moment;
            let own = section.area * piece;
            let turn = piece / section.second_moment;
            for _ in 0..pieces as u32 {
                let (alpha, beta) = (over * weight, over * own);
                // psi(t) = sum of c_k t^k with k (k - 1) c_k = -(alpha c_(k-2) + beta c_(k-3)), in which both are in
                // proportion to the load.
                let (mut before, mut this) = ([0.0; 2], inclination);
                let mut next = moment.map(|moment| moment * turn);
                let (mut value, mut slope) = ([this[0] + next[0], this[1] + next[1]], next);
                // What the terms of a pair surely are not above. By this their number is alike in pieces that follow.
                let mut size = 1.0;
                for (k, &[even, odd]) in (2..).step_by(2).zip(&SHARES) {
                    let first = term([even * alpha, even * beta], this, before);
                    let second = term([odd * alpha, odd * beta], next, this);
                    (before, this, next) = (next, first, second);
                    for part in [0, 1] {
                        value[part] += first[part] + second[part];
                        slope[part] += f64::from(k) * first[part] + f64::from(k + 1) * second[part];
                    }
                    size *= -even * (alpha + beta);
                    if size < SMALL {
                        break;
                    }
                }
                inclination = value;
                moment = slope.map(|slope| slope / turn);
                weight += own;
            }
        }
        inclination
    }
}

/// A term and its change with the load, from the second and the third before it and what they count.
fn term(counts: [f64; 2], second: [f64; 2], third: [f64; 2]) -> [f64; 2] {
    let [own, change] = [0, 1].map(|part| counts[0] * second[part] + counts[1] * third[part]);
    [own, own + change]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::stiffness::gent;
    use crate::units::{Density, Modulus};

    fn rubber(shore: f64) -> Solid {
        Solid::new(gent(shore).unwrap(), 0.5, Density::from_g_cm3(1.1)).unwrap()
    }

    /// Factor over E I0 / (rho g A0 L³) of a body that tapers with powers of the distance from its apex.
    fn coefficient(area: i32, second: i32, slices: u32) -> f64 {
        let (length, a0, i0) = (100.0, 400.0, 13_000.0);
        let mut tower = Tower::default();
        for index in 0..slices {
            let s = 1.0 - (f64::from(index) + 0.5) / f64::from(slices);
            tower.grow(length / f64::from(slices), a0 * s.powi(area), i0 * s.powi(second)).unwrap();
        }
        let solid = Solid::new(Modulus::from_mpa(1.0), 0.5, Density::from_g_cm3(1.0)).unwrap();
        assert!((tower.height_mm() - length).abs() < 1e-9);
        tower.critical_factor(&solid) * T_MM3 * GRAVITY * a0 * length.powi(3) / i0
    }

    /// Greenhill's constant, 9/4 j² of the first zero of J_-1/3, whatever the slices: also beyond what is kept.
    #[test]
    fn prism_of_greenhill() {
        for slices in [1, 3, 200, 201, 5000] {
            let got = coefficient(0, 0, slices);
            assert!((got - 7.837_347_438_9).abs() < 1e-8, "{slices}: {got}");
        }
    }

    /// Closed forms by Bessel functions, for A ~ s^a and I ~ s^(a + 2): wedge (a + 1) j² / 4 of J_2, cone of J_3.
    #[test]
    fn wedge_and_cone() {
        for (area, second, root) in [(1, 3, 5.135_622_301_840_683_f64), (2, 4, 6.380_161_895_923_984)] {
            let known = f64::from(area + 1) * root * root / 4.0;
            for (slices, within) in [(200, 2e-4), (2000, 2e-3)] {
                let got = coefficient(area, second, slices);
                assert!((got / known - 1.0).abs() < within, "{slices}: {got} {known}");
            }
        }
    }

    /// Bodies that taper to a tenth, grow to ten times, or have a waist: few sections, joined as they grow, beside two hundred.
    #[test]
    fn few_sections_tell_enough() {
        let solid = Solid::new(Modulus::from_mpa(1.0), 0.5, Density::from_g_cm3(1.0)).unwrap();
        let bodies: [fn(f64) -> f64; 5] = [
            |_| 1.0,
            |z| 1.0 - 0.9 * z,
            |z| 0.1 + 0.9 * z,
            |z| 1.0 - 0.8 * (std::f64::consts::PI * z).sin(),
            |z| if (0.4..0.45).contains(&z) { 0.3 } else { 1.0 },
        ];
        for (body, width) in bodies.into_iter().enumerate() {
            let (mut fine, mut few) = (Tower::default(), Tower::default());
            for index in 0..1000 {
                let width = 20.0 * width((f64::from(index) + 0.5) / 1000.0);
                for tower in [&mut fine, &mut few] {
                    tower.grow(0.1, width * width, width.powi(4) / 12.0).unwrap();
                }
                few.coarsen(15);
            }
            assert_eq!(few.sections.len(), 15);
            let [fine, few] = [fine, few].map(|tower| tower.critical_factor(&solid));
            assert!((few / fine - 1.0).abs() < 0.05, "{body}: {few} {fine}");
        }
    }

    #[test]
    fn critical_heights_of_soft_prisms() {
        let rows = [
            (5.0, 20.0, 188.885),
            (20.0, 20.0, 260.735),
            (40.0, 10.0, 217.081),
            (85.0, 10.0, 430.548),
            (5.0, 30.0, 247.510),
        ];
        for (shore, side, height) in rows {
            let mut tower = Tower::default();
            tower.grow(height, side * side, f64::powi(side, 4) / 12.0).unwrap();
            let factor = tower.critical_factor(&rubber(shore));
            assert!((factor - 1.0).abs() < 1e-5, "{shore}A: {factor}");
            tower.grow(1.0, side * side, f64::powi(side, 4) / 12.0).unwrap();
            assert!(tower.critical_factor(&rubber(shore)) < 1.0);
        }
    }

    /// A light needle under a heavy head: nearly Euler's pi² E I / 4 L² for a load at the top.
    #[test]
    fn a_head_on_a_needle() {
        let mut tower = Tower::default();
        tower.grow(100.0, 1.0, 1.0 / 12.0).unwrap();
        tower.grow(1e-3, 1e8, 1e12).unwrap();
        let solid = Solid::new(Modulus::from_mpa(1.0), 0.5, Density::from_g_cm3(1.0)).unwrap();
        let euler = std::f64::consts::PI.powi(2) / 12.0 / 4e4 / (1e5 * T_MM3 * GRAVITY);
        let factor = tower.critical_factor(&solid);
        assert!((factor / euler - 1.0).abs() < 1e-3, "{factor} {euler}");
    }

    /// Squat layers of very different sections, where nearly all terms of the series are tiny beside the first. The root
    /// was found by bisection of the same series with 60 terms in mpmath 1.3 at 40 digits.
    #[test]
    fn stiff_layers_over_and_under_a_weak_one() {
        let mut tower = Tower::default();
        for (area, second) in [(4187.0, 4.883e6), (422.0, 2.172e5), (5449.0, 6.831e6)] {
            tower.grow(0.5, area, second).unwrap();
        }
        let solid = Solid::new(Modulus::from_mpa(1.0), 0.5, Density::from_g_cm3(1.0)).unwrap();
        let factor = tower.critical_factor(&solid) * T_MM3 * GRAVITY;
        assert!((factor / 342.733_688_400_452_2 - 1.0).abs() < 1e-12, "{factor}");
    }

    #[test]
    fn nonsense_has_no_answer() {
        let mut tower = Tower::default();
        assert_eq!(tower.critical_factor(&rubber(20.0)), f64::INFINITY);
        for wrong in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(tower.grow(wrong, 1.0, 1.0).is_err());
            assert!(tower.grow(1.0, wrong, 1.0).is_err());
            assert!(tower.grow(1.0, 1.0, wrong).is_err());
        }
        assert_eq!(tower, Tower::default());
    }
}
