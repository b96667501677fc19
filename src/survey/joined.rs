//! Beads that are drawn as one.

use super::section::Rectangle;
use crate::moves::{Move, Role};

/// Beads that go on from each other are one while the line from end to end is off them by so much of a cell, and their
/// widths by so much of themselves: far less than what the raster tells apart.
const OFF_CELLS: f64 = 0.125;
const OFF_WIDTH: f64 = 0.0625;

/// Beads that count as one.
#[derive(Clone, Copy, Debug)]
pub(super) struct Joined {
    from: [f64; 2],
    to: [f64; 2],
    /// Height they are laid at, mm; what climbs has none, and is laid alone.
    level_mm: Option<f64>,
    /// Of the beads themselves, mm.
    height_mm: f64,
    /// Along the beads, mm.
    length: f64,
    volume: f64,
    role: Role,
    /// They are off the line from end to end by no more, mm.
    off: f64,
    /// Twice the area between them and that line, mm², above zero where they lie on its right.
    aside: f64,
}

impl Joined {
    /// A bead of its own.
    pub fn of(step: &Move, [from, to]: [[f64; 3]; 2], height_mm: f64) -> Self {
        Self {
            from: [from[0], from[1]],
            to: [to[0], to[1]],
            level_mm: (from[2] == to[2]).then_some(to[2]),
            height_mm,
            length: step.length,
            volume: step.volume,
            role: step.role,
            off: 0.0,
            aside: 0.0,
        }
    }

    /// The bead behind them, a level one that begins where they end.
    pub fn next(&self, step: &Move, to: [f64; 2], height_mm: f64) -> Self {
        let (from, level_mm, role) = (self.to, self.level_mm, step.role);
        let (length, volume) = (step.length, step.volume);
        Self { from, to, level_mm, height_mm, length, volume, role, off: 0.0, aside: 0.0 }
    }

    /// How far beads may be off the line from end to end, mm, with cells of so many mm.
    pub fn off_mm(cell_mm: f64) -> f64 {
        OFF_CELLS * cell_mm
    }

    /// Whether they are level and end in a place.
    pub fn ends_at(&self, [x, y, z]: [f64; 3]) -> bool {
        self.to == [x, y] && self.level_mm == Some(z)
    }

    /// Takes in a level bead that goes on from [here](Self::ends_at), where all of it stays about straight and even.
    /// `height_mm`: of the bead; `off_mm`: see [`off_mm`](Self::off_mm).
    #[inline]
    pub fn takes(&mut self, step: &Move, to: [f64; 2], height_mm: f64, off_mm: f64) -> bool {
        let [x, y] = self.to;
        if step.role != self.role || height_mm != self.height_mm {
            return false;
        }
        // Volume by length against volume by length, without dividing.
        let (width, its_width) = (step.volume * self.length, self.volume * step.length);
        if (width - its_width).abs() > OFF_WIDTH * its_width {
            return false;
        }
        let (before, next) = ([x - self.from[0], y - self.from[1]], [to[0] - x, to[1] - y]);
        let whole = [before[0] + next[0], before[1] + next[1]];
        if before[0] * next[0] + before[1] * next[1] <= 0.0 {
            return false;
        }
        let aside = before[0] * whole[1] - before[1] * whole[0];
        // By squares: nobody can guess the outcome, so it is to be there before root and quotient are.
        let (square, may) = (whole[0] * whole[0] + whole[1] * whole[1], off_mm - self.off);
        if aside * aside > may * may * square {
            return false;
        }
        self.off += aside.abs() / square.sqrt();
        self.to = to;
        self.aside += aside;
        self.length += step.length;
        self.volume += step.volume;
        true
    }

    /// What is laid, in the middle of the beads: else all that is round would become narrower. `widest_mm`: widest that a
    /// bead counts.
    pub fn rectangle(&self, widest_mm: f64) -> Rectangle {
        let [x, y] = [self.to[0] - self.from[0], self.to[1] - self.from[1]];
        let square = x * x + y * y;
        let shift = if square > 0.0 { 0.5 * self.aside / square } else { 0.0 };
        let ends = [self.from, self.to].map(|end| [end[0] + shift * y, end[1] - shift * x]);
        // Of a climb only what is seen from above counts.
        let length = self.level_mm.map(|_| self.length);
        Rectangle::new(ends, length, (self.volume, self.height_mm), widest_mm, self.role)
    }

    /// Where the last of the beads ends, mm.
    pub fn end(&self) -> [f64; 2] {
        self.to
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::sample;

    /// Beads through the points, of so much mm² each.
    fn joined(points: &[([f64; 2], f64)]) -> (Joined, usize) {
        let path = |a: [f64; 2], b: [f64; 2]| [[a[0], a[1], 0.2], [b[0], b[1], 0.2]];
        let step = |a: [f64; 2], b: [f64; 2], area: f64| {
            let length = (b[0] - a[0]).hypot(b[1] - a[1]);
            sample::bead(length, area * length)
        };
        let (first, second) = (points[0].0, points[1]);
        let mut all = Joined::of(&step(first, second.0, second.1), path(first, second.0), 0.2);
        let taken = points[1..].windows(2).take_while(|pair| {
            let (from, (to, area)) = (pair[0].0, pair[1]);
            assert!(all.ends_at([from[0], from[1], 0.2]));
            all.takes(&step(from, to, area), to, 0.2, Joined::off_mm(0.4))
        });
        let taken = taken.count();
        (all, taken)
    }

    #[test]
    fn what_is_straight_and_even_is_one_bead() {
        let (all, taken) = joined(&[([0.0, 0.0], 0.1), ([1.0, 0.0], 0.1), ([2.0, 0.0], 0.102), ([3.0, 0.0], 0.1)]);
        assert_eq!(taken, 2);
        let laid = all.rectangle(9.0);
        assert_eq!((laid.from, laid.to), ([0.0, 0.0], [3.0, 0.0]));
        assert!((laid.length * laid.width - laid.volume / 0.2).abs() < 1e-12, "the area is that of all");
        assert_eq!(joined(&[([0.0, 0.0], 0.1), ([1.0, 0.3], 0.1), ([2.0, 0.0], 0.1)]).1, 0, "a corner");
        assert_eq!(joined(&[([0.0, 0.0], 0.1), ([1.0, 0.0], 0.1), ([2.0, 0.0], 0.12)]).1, 0, "wider");
        assert_eq!(joined(&[([0.0, 0.0], 0.1), ([1.0, 0.0], 0.1), ([0.5, 0.0], 0.1)]).1, 0, "back");
    }

    /// By hand: over the line from (0, 0) to (2, 0) a peak of 0.04 mm has its middle 0.02 mm up, on either side.
    #[test]
    fn what_is_laid_lies_in_the_middle() {
        for peak in [0.04, -0.04] {
            let (all, taken) = joined(&[([0.0, 0.0], 0.1), ([1.0, peak], 0.1), ([2.0, 0.0], 0.1)]);
            assert_eq!((taken, all.end()), (1, [2.0, 0.0]));
            let laid = all.rectangle(9.0);
            let near = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).abs() < 1e-12 && (a[1] - b[1]).abs() < 1e-12;
            assert!(near(laid.from, [0.0, 0.5 * peak]) && near(laid.to, [2.0, 0.5 * peak]), "{laid:?}");
        }
    }

    /// However many are joined, all their ends stay near the line that is laid, and circles keep their size.
    #[test]
    fn a_circle_stays_round() {
        let on_circle = |k: u32| {
            let turn = f64::from(k) * 0.01;
            ([10.0 * turn.cos(), 10.0 * turn.sin()], 0.1)
        };
        let points: Vec<_> = (0..200).map(on_circle).collect();
        let (all, taken) = joined(&points);
        let laid = all.rectangle(9.0);
        assert!(taken > 3 && taken < 100, "{taken}");
        for (point, _) in &points[..=taken + 1] {
            let [x, y] = [point[0] - laid.from[0], point[1] - laid.from[1]];
            let aside = (x * laid.along[1] - y * laid.along[0]).abs();
            assert!(aside <= OFF_CELLS * 0.4, "{aside}");
        }
        // A line from one end to the other at the distance of the mean of the arc: R sin(t) / t for half its angle t.
        let half = 0.005 * (taken as f64 + 1.0);
        let distance = (laid.from[0] * laid.along[1] - laid.from[1] * laid.along[0]).abs();
        assert!((distance - 10.0 * half.sin() / half).abs() < 1e-4, "{distance}");
    }
}
