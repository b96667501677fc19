//! Area and moments, summed over beads.

use super::Island;
use crate::moves::Role;
use crate::units::Bounded;

/// Shorter ways seen from above are a blob, mm.
const BLOB_MM: f64 = 1e-3;

/// One straight bead, seen from above.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rectangle {
    /// Where it starts, mm.
    pub from: [f64; 2],
    /// Where it ends, mm.
    pub to: [f64; 2],
    /// From one to the other, mm.
    pub span: f64,
    /// Its direction; along X where it has none.
    pub along: [f64; 2],
    /// Length that its area is counted along, mm: that of the arc for a chord.
    pub length: f64,
    /// Width, mm.
    pub width: f64,
    /// Volume, mm³.
    pub volume: f64,
    /// What it is for.
    pub role: Role,
}

impl Rectangle {
    /// A bead of a given volume, mm³, and height, mm. `length`: see the field, `None` for that from one end to the other;
    /// `widest`: largest width that counts, mm.
    pub fn new(
        [from, to]: [[f64; 2]; 2],
        length: Option<f64>,
        (volume, height): (f64, f64),
        widest: f64,
        role: Role,
    ) -> Self {
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let span = (dx * dx + dy * dy).sqrt();
        let along = if span > 0.0 { [dx / span, dy / span] } else { [1.0, 0.0] };
        let area = volume / height;
        let length = length.unwrap_or(span);
        if length < BLOB_MM {
            let side = area.sqrt().min(widest);
            return Self { from, to, span, along, length: side, width: side, volume, role };
        }
        Self { from, to, span, along, length, width: (area / length).at_most(widest), volume, role }
    }
}

/// Sums over beads that touch; moments about a point that the caller chooses once for all.
#[derive(Clone, Copy, Debug)]
pub(super) struct Section {
    area: f64,
    x: f64,
    y: f64,
    xx: f64,
    yy: f64,
    xy: f64,
    /// Part of the second moments that comes from the widths of the beads, along X, along Y and mixed.
    wide: [f64; 3],
    /// Volume, mm³.
    pub volume: f64,
    support: f64,
    skirt: f64,
    tower: f64,
    length: f64,
    least: f64,
    least_of_all: f64,
    low: [f64; 2],
    high: [f64; 2],
}

impl Section {
    pub const EMPTY: Self = Self {
        area: 0.0,
        x: 0.0,
        y: 0.0,
        xx: 0.0,
        yy: 0.0,
        xy: 0.0,
        wide: [0.0; 3],
        volume: 0.0,
        support: 0.0,
        skirt: 0.0,
        tower: 0.0,
        length: 0.0,
        least: f64::INFINITY,
        least_of_all: f64::INFINITY,
        low: [f64::INFINITY; 2],
        high: [f64::NEG_INFINITY; 2],
    };

    /// Adds beads. `about`: a point near all beads, mm, so that no digits are lost far from the machine's origin.
    pub fn add(&mut self, beads: &[Rectangle], about: [f64; 2]) {
        // In two loops, each of which has registers for its sums.
        for bead in beads {
            self.add_moments(bead, about);
        }
        for bead in beads {
            self.add_size(bead);
        }
    }

    /// A rectangle of length L along (cos, sin) and width w has about its middle, per area, L²cos²/12 + w²sin²/12 along
    /// X, L²sin²/12 + w²cos²/12 along Y and (L² - w²) cos sin/12 mixed.
    #[inline(always)]
    fn add_moments(&mut self, bead: &Rectangle, about: [f64; 2]) {
        const TWELFTH: f64 = 1.0 / 12.0;
        let Rectangle { from, to, along: [cos, sin], length, width, .. } = *bead;
        let area = length * width;
        let (along_x, along_y, mixed) = (cos * cos, sin * sin, cos * sin);
        let (long, wide) = (length * length * TWELFTH, width * width * TWELFTH);
        let (mx, my) = (0.5 * (from[0] + to[0]) - about[0], 0.5 * (from[1] + to[1]) - about[1]);
        self.area += area;
        self.x += area * mx;
        self.y += area * my;
        self.xx += area * (mx * mx + long * along_x + wide * along_y);
        self.yy += area * (my * my + long * along_y + wide * along_x);
        self.xy += area * (mx * my + (long - wide) * mixed);
        let across = area * wide;
        self.wide[0] += across * along_y;
        self.wide[1] += across * along_x;
        self.wide[2] -= across * mixed;
    }

    /// Adds what a bead is for, and how far it reaches.
    #[inline(always)]
    fn add_size(&mut self, bead: &Rectangle) {
        let Rectangle { from, to, span, along: [cos, sin], length, width, volume, role } = *bead;
        self.volume += volume;
        match role {
            Role::Support | Role::SupportInterface => self.support += volume,
            Role::Skirt => self.skirt += volume,
            Role::Tower => self.tower += volume,
            _ => {}
        }
        self.length += length;
        self.least_of_all = self.least_of_all.at_most(width);
        if length >= width {
            self.least = self.least.at_most(width);
        }
        let side = 0.5 * width;
        // A blob reaches as far along as across.
        let reach = if span > BLOB_MM { [side * sin.abs(), side * cos.abs()] } else { [side; 2] };
        for axis in [0, 1] {
            self.low[axis] = self.low[axis].at_most(from[axis].at_most(to[axis]) - reach[axis]);
            self.high[axis] = self.high[axis].at_least(from[axis].at_least(to[axis]) + reach[axis]);
        }
    }

    /// Adds the beads of another section.
    pub fn join(&mut self, other: &Self) {
        self.area += other.area;
        self.x += other.x;
        self.y += other.y;
        self.xx += other.xx;
        self.yy += other.yy;
        self.xy += other.xy;
        for (own, other) in self.wide.iter_mut().zip(other.wide) {
            *own += other;
        }
        self.volume += other.volume;
        self.support += other.support;
        self.skirt += other.skirt;
        self.tower += other.tower;
        self.length += other.length;
        self.least = self.least.min(other.least);
        self.least_of_all = self.least_of_all.min(other.least_of_all);
        for axis in [0, 1] {
            self.low[axis] = self.low[axis].min(other.low[axis]);
            self.high[axis] = self.high[axis].max(other.high[axis]);
        }
    }

    /// Mean width of its beads, mm; 0 where they have no length.
    pub fn bead_width(&self) -> f64 {
        if self.length > 0.0 { self.area / self.length } else { 0.0 }
    }

    /// The same beads so many times as wide.
    #[must_use]
    pub fn widened(mut self, times: f64) -> Self {
        let cube = times * times * times;
        for (moment, wide) in [&mut self.xx, &mut self.yy, &mut self.xy].into_iter().zip(&mut self.wide) {
            *moment = (*moment - *wide) * times + *wide * cube;
            *wide *= cube;
        }
        for figure in [&mut self.area, &mut self.x, &mut self.y, &mut self.least, &mut self.least_of_all] {
            *figure *= times;
        }
        self
    }

    /// The island these beads make, before it is known what it stands on.
    pub fn island(&self, about: [f64; 2]) -> Island {
        let per_area = if self.area > 0.0 { 1.0 / self.area } else { 0.0 };
        let (cx, cy) = (self.x * per_area, self.y * per_area);
        Island {
            height_mm: 0.0,
            area_mm2: self.area,
            centroid_mm: [cx + about[0], cy + about[1]],
            ixx_mm4: (self.yy - self.y * cy).max(0.0),
            iyy_mm4: (self.xx - self.x * cx).max(0.0),
            ixy_mm4: self.xy - self.x * cy,
            low_mm: self.low,
            high_mm: self.high,
            volume_mm3: self.volume,
            bead_length_mm: self.length,
            bead_width_mm: self.bead_width(),
            bead_width_least_mm: if self.least.is_finite() { self.least } else { self.least_of_all },
            support_mm3: self.support,
            skirt_mm3: self.skirt,
            tower_mm3: self.tower,
            on_bed: false,
            stands_on: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn bead(from: [f64; 2], to: [f64; 2], width: f64) -> Rectangle {
        let length = (to[0] - from[0]).hypot(to[1] - from[1]);
        Rectangle::new([from, to], None, (length * width * 0.5, 0.5), 10.0, Role::Unknown)
    }

    /// Twice as wide by another sum is what is laid twice as wide.
    #[test]
    fn beads_are_widened_where_they_lie() {
        let about = [3.0, 4.0];
        let (mut thin, mut thick) = (Section::EMPTY, Section::EMPTY);
        for (from, to) in [([0.0, 0.0], [9.0, 0.0]), ([9.0, 0.0], [9.0, 7.0]), ([1.0, 2.0], [6.0, 7.0])] {
            thin.add(&[bead(from, to, 0.7)], about);
            thick.add(&[bead(from, to, 1.4)], about);
        }
        let (thin, thick) = (thin.widened(2.0).island(about), thick.island(about));
        let figures =
            |i: &Island| [i.area_mm2, i.ixx_mm4, i.iyy_mm4, i.ixy_mm4, i.bead_width_mm, i.bead_width_least_mm];
        for (a, b) in figures(&thin).into_iter().zip(figures(&thick)) {
            assert!((a - b).abs() < 1e-9 * b.abs().max(1.0), "{a} {b}");
        }
    }

    /// By hand: 12 x 2 mm: area 24, 12 * 2³ / 12 = 8 and 2 * 12³ / 12 = 288.
    #[test]
    fn a_rectangle_by_hand() {
        let mut section = Section::EMPTY;
        section.add(&[bead([4.0, 5.0], [16.0, 5.0], 2.0)], [100.0, -30.0]);
        let island = section.island([100.0, -30.0]);
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
        close(island.area_mm2, 24.0);
        close(island.centroid_mm[0], 10.0);
        close(island.centroid_mm[1], 5.0);
        close(island.ixx_mm4, 8.0);
        close(island.iyy_mm4, 288.0);
        close(island.ixy_mm4, 0.0);
        assert_eq!((island.low_mm, island.high_mm), ([4.0, 4.0], [16.0, 6.0]));
        // A blob of 2 mm³ at 0.5 mm: a square of 2 mm, 2 * 2³ / 12.
        let mut blob = Section::EMPTY;
        blob.add(&[Rectangle::new([[1.0; 2]; 2], None, (2.0, 0.5), 10.0, Role::Support)], [0.0; 2]);
        let island = blob.island([0.0; 2]);
        close(island.area_mm2, 4.0);
        close(island.ixx_mm4, 4.0 / 3.0);
        close(island.iyy_mm4, 4.0 / 3.0);
        assert_eq!((island.low_mm, island.high_mm, island.support_mm3), ([0.0; 2], [2.0; 2], 2.0));
    }

    proptest! {
        /// Turning a pair of beads turns its moments: their sum and the determinant of the tensor stay.
        #[test]
        fn turning_keeps_the_invariants(angle in 0.0..6.3f64, length in 1.0..9.0f64, width in 0.2..2.0f64) {
            let turn = |[x, y]: [f64; 2]| [x * angle.cos() - y * angle.sin(), x * angle.sin() + y * angle.cos()];
            let plain = [([0.0, 0.0], [length, 0.0]), ([length, 0.0], [length, 3.0])];
            let of = |turned: bool| {
                let mut section = Section::EMPTY;
                for (from, to) in plain {
                    let (from, to) = if turned { (turn(from), turn(to)) } else { (from, to) };
                    section.add(&[bead(from, to, width)], [0.0; 2]);
                }
                section.island([0.0; 2])
            };
            let (a, b) = (of(false), of(true));
            let invariants = |i: &Island| (i.ixx_mm4 + i.iyy_mm4, i.ixx_mm4 * i.iyy_mm4 - i.ixy_mm4 * i.ixy_mm4);
            let ((sum, product), (its_sum, its_product)) = (invariants(&a), invariants(&b));
            prop_assert!((sum / its_sum - 1.0).abs() < 1e-9 && (product / its_product - 1.0).abs() < 1e-9);
        }
    }
}
