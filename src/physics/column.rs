//! A standing structure that sways, carried from layer to layer as the state at its tip.
//!
//! A [`Column`] knows how far its tip moves under loads and under its own inertia. Laying a slice on it changes that
//! state by a fixed handful of sums, whatever stands below, and without an error of its own: forty thousand thin slices
//! and one thick one of the same prism give the same answer.

use super::range::{OutOfRange, above_zero, when};
use crate::units::{Density, Modulus};

/// Tonnes per cubic millimetre in 1 g/cm³. With mm, s and MPa = N/mm² it makes forces come out in N: 1 N = 1 t mm/s².
const T_MM3: f64 = 1e-9;
/// Grams in a tonne.
const G_PER_T: f64 = 1e6;

/// Numbers that go with 1, the height, and the displacements `u0`, `a`, `b`; see [`Column`].
type Row = [f64; 5];
/// A row of [`Row`]s.
type Square = [Row; 5];

/// Integrals of t^(i + j) from 0 to 1.
const HILBERT: Square = {
    let mut square = [[0.0; 5]; 5];
    let mut place = 0;
    while place < 25 {
        square[place / 5][place % 5] = 1.0 / (place / 5 + place % 5 + 1) as f64;
        place += 1;
    }
    square
};

/// An elastic stuff with mass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Solid {
    modulus: f64,
    poisson: f64,
    density: f64,
}

impl Solid {
    /// From Young's modulus, Poisson's ratio and density.
    ///
    /// | argument  | unit  | range                                              |
    /// |-----------|-------|----------------------------------------------------|
    /// | `modulus` | MPa   | above 0                                            |
    /// | `poisson` | -     | 0 ..= 0.5; near 0.5 for elastomers                 |
    /// | `density` | g/cm³ | above 0; with sparse infill, that of the part      |
    ///
    /// # Errors
    /// When a value is outside its range.
    pub fn new(modulus: Modulus, poisson: f64, density: Density) -> Result<Self, OutOfRange> {
        Ok(Self {
            modulus: above_zero("the modulus (MPa)", modulus.as_mpa())?,
            poisson: when((0.0..=0.5).contains(&poisson), "Poisson's ratio", "lie between 0 and 0.5", poisson)?,
            density: above_zero("the density (g/cm³)", density.as_g_cm3())? * T_MM3,
        })
    }

    /// Young's modulus E.
    pub fn modulus(self) -> Modulus {
        Modulus::from_mpa(self.modulus)
    }

    /// Density.
    pub fn density(self) -> Density {
        Density::from_g_cm3(self.density / T_MM3)
    }

    /// Shear modulus G = E / (2 (1 + nu)).
    fn shear_modulus(self) -> f64 {
        self.modulus / (2.0 * (1.0 + self.poisson))
    }
}

/// A length of beam of one section, as it bends along one direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slice {
    height: f64,
    area: f64,
    second_moment: f64,
    shear_factor: f64,
}

impl Slice {
    /// From height, area, second moment and shear factor.
    ///
    /// | argument            | unit | range                                                             |
    /// |---------------------|------|-------------------------------------------------------------------|
    /// | `height_mm`         | mm   | above 0                                                           |
    /// | `area_mm2`          | mm²  | above 0                                                           |
    /// | `second_moment_mm4` | mm⁴  | above 0; for sway along x the integral of x² over the section, about its centroid |
    /// | `shear_factor`      | -    | above 0, at most 1; see [`shear_factor_of_rectangle`]             |
    ///
    /// # Errors
    /// When a value is outside its range.
    pub fn new(height_mm: f64, area_mm2: f64, second_moment_mm4: f64, shear_factor: f64) -> Result<Self, OutOfRange> {
        let share = shear_factor > 0.0 && shear_factor <= 1.0;
        Ok(Self {
            height: above_zero("the height of a slice (mm)", height_mm)?,
            area: above_zero("the area of a section (mm²)", area_mm2)?,
            second_moment: above_zero("the second moment of a section (mm⁴)", second_moment_mm4)?,
            shear_factor: when(share, "the shear factor", "lie above 0 and not above 1", shear_factor)?,
        })
    }

    /// Moments of its mass about its lower face.
    pub(super) fn lump(&self, solid: &Solid) -> Lump {
        let (h, mass) = (self.height, solid.density * self.area * self.height);
        Lump { mass, first: mass * h / 2.0, second: mass * h * h / 3.0 }
    }
}

/// Shear factor of a rectangular section: the share of its area that carries shear as if evenly loaded.
///
/// kappa = 10 (1 + nu) / (12 + 11 nu)
///
/// `poisson`: 0 ..= 0.5. Gives 0.849673 at 0.3 and 6/7 at 0.5.
///
/// # Source
/// G. R. Cowper, J. Appl. Mech. 33 (1966) 335 (citation from memory; form by way of public code).
pub fn shear_factor_of_rectangle(poisson: f64) -> f64 {
    10.0 * (1.0 + poisson) / (12.0 + 11.0 * poisson)
}

/// Mass by its moments about some height: sum of m, m z and m z², in t, t mm and t mm².
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Lump {
    pub mass: f64,
    pub first: f64,
    pub second: f64,
}

impl Lump {
    /// The same mass, its height counted from a point `by` mm below.
    pub fn lifted(self, by: f64) -> Self {
        Self {
            mass: self.mass,
            first: self.first + by * self.mass,
            second: self.second + by * (2.0 * self.first + by * self.mass),
        }
    }

    pub fn plus(self, other: Self) -> Self {
        Self { mass: self.mass + other.mass, first: self.first + other.first, second: self.second + other.second }
    }

    /// What is left without `other`, which is a part of it: never below nothing, whatever rounding says.
    pub fn less(self, other: Self) -> Self {
        let mass = self.mass - other.mass;
        if mass <= 1e-12 * self.mass {
            return Self::default();
        }
        Self { mass, first: (self.first - other.first).max(0.0), second: (self.second - other.second).max(0.0) }
    }
}

/// Work and squares of a shape under its own inertia, for the quotient of Rayleigh.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Shape {
    /// Sum of m u.
    pub work: f64,
    /// Sum of m u².
    pub square: f64,
}

impl Shape {
    /// f = sqrt(work / square) / 2 pi, Hz; infinite where nothing moves.
    pub fn frequency(self) -> f64 {
        if self.square > 0.0 { (self.work / self.square).sqrt() / std::f64::consts::TAU } else { f64::INFINITY }
    }
}

/// State at the tip of a structure that is clamped at its base, for sway along one direction.
///
/// Held are the flexibility of the tip (deflection and rotation under a force P and a moment M), the deflection and
/// rotation under unit acceleration of the base, and, for the quotient of Rayleigh, the moments of mass of all that
/// stands, since the displacement at any height is u = u0 + a P + b M with shapes that later slices only mix:
///
/// under a new slice of mass m and height h:   P = P' + m,   M = M' + h P' + m h / 2
///
/// | quantity                        | meaning                                   | unit            |
/// |---------------------------------|-------------------------------------------|-----------------|
/// | [`tip_per_accel`](Self::tip_per_accel) | tip deflection per base acceleration | mm per mm/s²    |
/// | [`give_mm_per_n`](Self::give_mm_per_n) | tip deflection per force at the tip  | mm/N            |
/// | [`frequency_hz`](Self::frequency_hz)   | lowest frequency, from above         | Hz              |
///
/// # Assumes
/// Small strains, linear stuff, a clamped base, bending and shear (Timoshenko) of sections that change from slice to
/// slice; no torsion, no moment of gravity on a leaning part, no rotary inertia. What is fresh is as stiff as what is
/// cold: see [`Stiffness::softened`](super::stiffness::Stiffness::softened).
///
/// # Accuracy
/// The static answer is exact for slices of constant section. The frequency is that of the static shape, an upper
/// bound: 0.40 % above the true one for a prism, 3.1 % for a wedge and 5.1 % for a cone.
///
/// # Source
/// Timoshenko beam under body load, w L⁴ / 8EI + w L² / 2 kappa G A for the prism, and the quotient of Rayleigh; any
/// text on the strength of materials. The bookkeeping at the tip is ours.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Column {
    height: f64,
    /// Flexibility: deflection per force, deflection per moment (= rotation per force), rotation per moment.
    flex: [f64; 3],
    /// Deflection and rotation of the tip under unit acceleration.
    free: [f64; 2],
    /// Sum of m v v^T with v = (1, z, u0, a, b), z the height above the base.
    gram: Square,
}

impl Column {
    /// Nothing yet: the place where a column is clamped.
    pub const fn clamped() -> Self {
        Self { height: 0.0, flex: [0.0; 3], free: [0.0; 2], gram: [[0.0; 5]; 5] }
    }

    /// One slice, clamped at its lower face: a cantilever with tip loads and its own mass, evenly spread.
    fn of(slice: &Slice, solid: &Solid) -> Self {
        let h = slice.height;
        let mass = solid.density * slice.area * h;
        // Flexibilities of a whole slice: h / EI and h / kappa G A.
        let bend = h / (solid.modulus * slice.second_moment);
        let shear = h / (slice.shear_factor * solid.shear_modulus() * slice.area);
        // Displacement at t = z / h as polynomials in t, from M = M' + P' h (1 - t) + m h (1 - t)² / 2.
        let shapes: Square = [
            [1.0, 0.0, 0.0, 0.0, 0.0],
            [0.0, h, 0.0, 0.0, 0.0],
            [
                0.0,
                mass * shear,
                mass * (bend * h * h / 4.0 - shear / 2.0),
                -mass * bend * h * h / 6.0,
                mass * bend * h * h / 24.0,
            ],
            [0.0, shear, bend * h * h / 2.0, -bend * h * h / 6.0, 0.0],
            [0.0, 0.0, bend * h / 2.0, 0.0, 0.0],
        ];
        let gram = mixed(&shapes, &HILBERT).map(|row| row.map(|entry| mass * entry));
        Self {
            height: h,
            flex: [bend * h * h / 3.0 + shear, bend * h / 2.0, bend],
            free: [mass * (bend * h * h / 8.0 + shear / 2.0), mass * bend * h / 6.0],
            gram,
        }
    }

    /// Lays a slice on the tip.
    pub fn grow(&mut self, slice: &Slice, solid: &Solid) {
        self.stack(&Self::of(slice, solid));
    }

    /// Puts a whole column on the tip.
    pub(super) fn stack(&mut self, top: &Self) {
        let Self { height: h, flex: own, free, gram } = *top;
        let Lump { mass, first, .. } = top.lump();
        let [f, g, k] = self.flex;
        let [tip, turn] = self.tip(mass, first);
        // What stood: the new load at the new tip, seen from the old one.
        let below = [
            [1.0, 0.0, 0.0, 0.0, 0.0],
            [0.0, 1.0, 0.0, 0.0, 0.0],
            [0.0, 0.0, 1.0, mass, first],
            [0.0, 0.0, 0.0, 1.0, h],
            [0.0, 0.0, 0.0, 0.0, 1.0],
        ];
        // What is put on it: carried by deflection and rotation of the old tip.
        let above = [
            [1.0, 0.0, 0.0, 0.0, 0.0],
            [self.height, 1.0, 0.0, 0.0, 0.0],
            [tip, turn, 1.0, 0.0, 0.0],
            [f + g * h, g + k * h, 0.0, 1.0, 0.0],
            [g, k, 0.0, 0.0, 1.0],
        ];
        self.gram = sum(&mixed(&below, &self.gram), &mixed(&above, &gram));
        self.free = [tip + turn * h + free[0], turn + free[1]];
        self.flex = [f + h * (2.0 * g + h * k) + own[0], g + k * h + own[1], k + own[2]];
        self.height += h;
    }

    /// Fixes mass to the tip that moves with it as a rigid body; the tip stays where it is.
    pub(super) fn carry(&mut self, lump: Lump) {
        let mut load = Self::clamped();
        load.gram[0][0] = lump.mass;
        (load.gram[0][1], load.gram[1][0]) = (lump.first, lump.first);
        load.gram[1][1] = lump.second;
        self.stack(&load);
    }

    /// Several columns tied together at their tips, as legs under a bridge.
    ///
    /// Deflection and rotation are shared, so stiffnesses add: K = sum of K_i, d = K⁻¹ sum of K_i d_i. The legs' pull
    /// and push along their axes, which would hold the tip even better, is left out: the answer errs to the safe side.
    /// A leg without any height is the place it is clamped at, and holds the others. Without legs: [`Self::clamped`].
    pub fn join(legs: &[Self]) -> Self {
        if let [only] = legs {
            return *only;
        }
        let (mut stiffness, mut push) = ([0.0; 3], [0.0; 2]);
        for leg in legs {
            let Some(own) = inverse(leg.flex) else { return *leg };
            let force = times(own, leg.free);
            stiffness = [stiffness[0] + own[0], stiffness[1] + own[1], stiffness[2] + own[2]];
            push = [push[0] + force[0], push[1] + force[1]];
        }
        let Some(flex) = inverse(stiffness) else { return Self::clamped() };
        let free = times(flex, push);
        let mut joined = Self { height: 0.0, flex, free, gram: [[0.0; 5]; 5] };
        for leg in legs {
            let Some(own) = inverse(leg.flex) else { continue };
            // Loads the leg takes: from what it would do alone, per force and per moment at the common tip.
            let alone = times(own, [free[0] - leg.free[0], free[1] - leg.free[1]]);
            let by_force = times(own, [flex[0], flex[1]]);
            let by_moment = times(own, [flex[1], flex[2]]);
            let mix = [
                [1.0, 0.0, 0.0, 0.0, 0.0],
                [0.0, 1.0, 0.0, 0.0, 0.0],
                [0.0, 0.0, 1.0, alone[0], alone[1]],
                [0.0, 0.0, 0.0, by_force[0], by_force[1]],
                [0.0, 0.0, 0.0, by_moment[0], by_moment[1]],
            ];
            joined.gram = sum(&joined.gram, &mixed(&mix, &leg.gram));
            joined.height = joined.height.max(leg.height);
        }
        joined
    }

    /// Height of the tip above the base, mm.
    pub fn height_mm(&self) -> f64 {
        self.height
    }

    /// Mass, g.
    pub fn mass_g(&self) -> f64 {
        self.gram[0][0] * G_PER_T
    }

    /// Deflection of the tip per acceleration of the base, mm per mm/s² (= s²), slowly applied.
    pub fn tip_per_accel(&self) -> f64 {
        self.free[0]
    }

    /// Deflection of the tip per lateral force at the tip, mm/N.
    pub fn give_mm_per_n(&self) -> f64 {
        self.flex[0]
    }

    /// Lowest frequency by the quotient of Rayleigh over the static shape, Hz; infinite while nothing stands.
    ///
    /// omega² = sum of m u / sum of m u², u under unit acceleration. An upper bound.
    pub fn frequency_hz(&self) -> f64 {
        Shape { work: self.gram[0][2], square: self.gram[2][2] }.frequency()
    }

    /// Moments of its mass about its base.
    pub(super) fn lump(&self) -> Lump {
        Lump { mass: self.gram[0][0], first: self.gram[0][1], second: self.gram[1][1] }
    }

    /// Deflection and rotation of the tip under unit acceleration and a force and a moment at the tip.
    pub(super) fn tip(&self, force: f64, moment: f64) -> [f64; 2] {
        let [f, g, k] = self.flex;
        [self.free[0] + f * force + g * moment, self.free[1] + g * force + k * moment]
    }

    /// As [`Self::tip`], without the acceleration.
    pub(super) fn bent(&self, force: f64, moment: f64) -> [f64; 2] {
        times(self.flex, [force, moment])
    }

    /// Its part of a shape: base moved and turned, unit acceleration, force and moment at the tip.
    pub(super) fn shape(&self, base: [f64; 2], force: f64, moment: f64) -> Shape {
        let by = [base[0], base[1], 1.0, force, moment];
        let weighted: Row = self.gram.map(|row| dot(&row, &by));
        Shape { work: weighted[0], square: dot(&weighted, &by) }
    }
}

fn dot(a: &Row, b: &Row) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn sum(a: &Square, b: &Square) -> Square {
    let mut total = *a;
    for (row, other) in total.iter_mut().zip(b) {
        for (entry, other) in row.iter_mut().zip(other) {
            *entry += other;
        }
    }
    total
}

/// T S T^T for a symmetric S.
fn mixed(by: &Square, gram: &Square) -> Square {
    let half: Square = by.map(|row| gram.map(|column| dot(&row, &column)));
    half.map(|row| by.map(|column| dot(&row, &column)))
}

/// Inverse of a symmetric matrix given as (11, 12, 22); `None` if it has none.
fn inverse([a, b, c]: [f64; 3]) -> Option<[f64; 3]> {
    let determinant = a * c - b * b;
    (determinant > 0.0 && determinant.is_finite()).then(|| [c / determinant, -b / determinant, a / determinant])
}

/// Product of such a matrix with a vector.
fn times([a, b, c]: [f64; 3], [x, y]: [f64; 2]) -> [f64; 2] {
    [a * x + b * y, b * x + c * y]
}

#[cfg(test)]
mod tests;
