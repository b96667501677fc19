//! Beads as set cells of a grid: which of them touch, and what stands on what.
//!
//! The grid has its origin at the first bead. Cells are about half a bead wide; where a plate would need more than
//! four million of them, or beads are wide, cells become twice as large, up to three times. What lies further out still is
//! not drawn. Drawing, reading and clearing cost only the words that were touched.

use super::footprint::Footprint;
use super::section::Rectangle;
use super::window::{MOST_SIDE, WORD, Window};
use crate::units::Bounded;

/// How often cells may become twice as large.
const MOST_DOUBLINGS: u32 = 3;
/// Cells further from the first bead are outside, whatever their size.
const FAR: f64 = 16_000.0;
const _: () = assert!(MOST_SIDE <= 64 * 2 * WORD, "a touched row has a bit for each pair of its words");
/// Half of the rows of a bead between its corners for which it is worth while to take them apart.
const SHORT_ROWS: f64 = 4.0;
/// Rows that are set at a time, though a bead may have fewer: how many it has nobody can guess.
const ROWS: usize = 3;
/// Beads that are drawn at a time.
const BEADS: usize = 32;
/// Least that counts of a direction: its inverse is beyond every raster.
const FLAT: f64 = 1e-12;
/// The first cells of two words, by their number.
static FIRST: [[u64; 2]; 2 * WORD as usize + 1] = {
    let mut first = [[0; 2]; 2 * WORD as usize + 1];
    let mut count = 1;
    while count < first.len() {
        first[count] = first[count - 1];
        first[count][(count - 1) / 64] |= 1 << ((count - 1) % 64);
        count += 1;
    }
    first
};

/// A segment in cells, with the cells it may touch.
#[derive(Clone, Copy, Debug)]
struct Stroke {
    from: [f64; 2],
    along: [f64; 2],
    length: f64,
    half: f64,
    low: [f64; 2],
    high: [f64; 2],
}

/// What a segment sets, counted from the corner of the window.
#[derive(Clone, Copy, Debug, Default)]
struct Band {
    /// Its rows, and those among them that only its sides bound, all of which are in its middle.
    first: usize,
    end: usize,
    inner: usize,
    outer: usize,
    /// Height of its start.
    y: f64,
    /// The words of its rows, as [`Raster::touched`] has them.
    pairs: u64,
    sides: Sides,
}

/// Where the cells of a row begin and end.
#[derive(Clone, Copy, Debug, Default)]
struct Sides {
    /// By the ends of the bead, at its height.
    along: [f64; 2],
    /// By its sides.
    across: [f64; 2],
    /// How both move with each row.
    slope_along: f64,
    slope_across: f64,
    /// Of all its rows.
    bounds: [f64; 2],
}

impl Sides {
    /// For a row so far above the start of the bead, which ends at `most` at the latest.
    #[inline(always)]
    fn at(&self, rise: f64, most: f64) -> [f64; 2] {
        let (along, across) = (self.slope_along * rise, self.slope_across * rise);
        let from = (self.along[0] + along).at_least(self.across[0] + across).at_least(self.bounds[0]);
        let to = (self.along[1] + along).at_most(self.across[1] + across).at_most(self.bounds[1].at_most(most));
        [from, to.at_least(from)]
    }
}

/// The footprint of one layer, one bit for each cell.
#[derive(Clone, Debug)]
pub struct Raster {
    origin: Option<[f64; 2]>,
    cell_mm: f64,
    /// Cells for a mm.
    per_mm: f64,
    doublings: u32,
    window: Window,
    /// Its [bounds](Window::bounds).
    bounds: [[f64; 2]; 2],
    /// Its rows, and a word behind them.
    bits: Vec<u64>,
    /// Of each row, which words were touched, a bit for each pair of them; those in between may have been, too.
    touched: Vec<u64>,
    /// Rows of the window that may be touched.
    low: usize,
    high: usize,
    /// Room to work in: a place for each of [`BEADS`].
    bands: Vec<Band>,
}

impl Raster {
    /// An empty raster with cells of `cell_mm`, above zero.
    pub fn new(cell_mm: f64) -> Self {
        Self {
            origin: None,
            cell_mm,
            per_mm: 1.0 / cell_mm,
            doublings: 0,
            window: Window::default(),
            bounds: Window::default().bounds(),
            bits: Vec::new(),
            touched: Vec::new(),
            low: usize::MAX,
            high: 0,
            bands: vec![Band::default(); BEADS],
        }
    }

    /// Side of a cell, mm. It doubles when a plate needs it.
    pub fn cell_mm(&self) -> f64 {
        self.cell_mm
    }

    /// How often cells have become twice as large.
    pub fn doublings(&self) -> u32 {
        self.doublings
    }

    /// The cell that holds a point, mm; `None` before the first bead and far out.
    pub fn cell(&self, point: [f64; 2]) -> Option<[i32; 2]> {
        let origin = self.origin?;
        let cells = [0, 1].map(|axis| (point[axis] - origin[axis]) / self.cell_mm);
        cells.iter().all(|at| at.abs() < FAR).then(|| cells.map(below))
    }

    /// Draws beads up to the first that lies too far out; how many these are.
    ///
    /// A cell is set when its centre is within half a width and a quarter of a cell of the segment, ends squared off.
    /// The quarter makes beads that abut touch; a line thinner than the cells is still drawn without a gap.
    pub(super) fn draw(&mut self, beads: &[Rectangle]) -> usize {
        let mut bands = std::mem::take(&mut self.bands);
        let mut done = 0;
        'all: for some in beads.chunks(BEADS) {
            let mut inside = 0;
            for (band, bead) in bands.iter_mut().zip(some) {
                let Some(stroke) = self.stroke(bead).filter(|stroke| self.is_inside(stroke)) else { break };
                *band = self.band(&stroke);
                inside += 1;
            }
            for band in bands.iter().take(inside) {
                self.fill(band);
            }
            done += inside;
            for bead in some.iter().skip(inside) {
                if !self.draw_outside(bead) {
                    break 'all;
                }
                done += 1;
            }
        }
        self.bands = bands;
        done
    }

    /// The same of one bead, for which the window may have to grow first; whether it was drawn.
    #[cold]
    #[inline(never)]
    fn draw_outside(&mut self, bead: &Rectangle) -> bool {
        loop {
            let Some(stroke) = self.stroke(bead) else { return false };
            let (low, high) = (stroke.low.map(below), stroke.high.map(below));
            if self.window.holds(low, high) || self.grow(low, high) {
                self.fill(&self.band(&stroke));
                return true;
            }
            if !self.helps_to_double(low, high) {
                return false;
            }
            self.double();
        }
    }

    /// Whether the window holds all of a stroke; if one only lies on its rim, that may be left to a look at the cells.
    #[inline(always)]
    fn is_inside(&self, stroke: &Stroke) -> bool {
        let [low, high] = self.bounds;
        let is_above = stroke.low[0] >= low[0] && stroke.low[1] >= low[1];
        is_above && stroke.high[0] < high[0] && stroke.high[1] < high[1]
    }

    #[inline(always)]
    fn stroke(&mut self, bead: &Rectangle) -> Option<Stroke> {
        let Rectangle { from, to, along, span, width, .. } = *bead;
        let per_mm = self.per_mm;
        let origin = *self.origin.get_or_insert(from);
        let from = [(from[0] - origin[0]) * per_mm, (from[1] - origin[1]) * per_mm];
        let to = [(to[0] - origin[0]) * per_mm, (to[1] - origin[1]) * per_mm];
        let half = (0.5 * width * per_mm).at_least(0.5) + 0.25;
        let reach = half * (along[0].abs() + along[1].abs());
        let low = [from[0].at_most(to[0]) - reach, from[1].at_most(to[1]) - reach];
        let high = [from[0].at_least(to[0]) + reach, from[1].at_least(to[1]) + reach];
        let near = low[0] > -FAR && low[1] > -FAR && high[0] < FAR && high[1] < FAR;
        near.then_some(Stroke { from, along, length: span * per_mm, half, low, high })
    }

    /// What a stroke within the window sets.
    #[inline(always)]
    fn band(&self, stroke: &Stroke) -> Band {
        let [left, bottom] = self.bounds[0];
        let (x, y) = (stroke.from[0] - left, stroke.from[1] - bottom);
        let [ux, uy] = stroke.along;
        // Whether a bead runs along an axis nobody can guess either.
        let [by_x, by_y] = [ux, uy].map(|along| 1.0 / along.abs().at_least(FLAT).copysign(along));
        let (least, most) = (stroke.low[0] - left, stroke.high[0] - left);
        // All of this counts from the corner of the window, so nothing is negative and a cast rounds down.
        let first = (stroke.low[1] - bottom + 0.5) as i32 as usize;
        let end = ((stroke.high[1] - bottom + 0.5) as i32 as usize).min(self.window.rows);
        // Along the bead and across it, the cells of a row are an interval each: a middle that goes with the row, and a
        // half width.
        let middle = 0.5 * stroke.length;
        let (slope_along, slope_across) = (-uy * by_x, ux * by_y);
        let (reach_along, reach_across) = ((middle + stroke.half) * by_x.abs(), stroke.half * by_y.abs());
        let (x_along, x_across) = (x + middle * by_x, x);
        let sides = Sides {
            along: [x_along - reach_along, x_along + reach_along],
            across: [x_across - reach_across, x_across + reach_across],
            slope_along,
            slope_across,
            bounds: [least, most],
        };
        // In the middle of a steep bead only its sides bound the cells of a row; a row is left to rounding at either end.
        let (centre, zone) = (y + middle * uy - 0.5, (middle + stroke.half) * uy.abs() - stroke.half * ux.abs() - 1.0);
        let (mut inner, mut outer) = (end, end);
        if zone > if ux == 0.0 { 0.0 } else { SHORT_ROWS } {
            inner = ((centre - zone) as usize + 1).max(first).min(end);
            outer = ((centre + zone) as usize + 1).max(inner).min(end);
        }
        let pairs = pairs_of(least as i32 as usize, most as i32 as usize);
        Band { first, end, inner, outer, y, pairs, sides }
    }

    /// Sets the cells of a band.
    #[inline(always)]
    fn fill(&mut self, band: &Band) {
        let Band { first, end, inner, outer, .. } = *band;
        self.low = self.low.min(first);
        self.high = self.high.max(end + ROWS - 1).min(self.window.rows);
        self.rows(first..inner, band);
        if inner < end {
            self.steep(inner..outer, band);
            self.rows(outer..end, band);
        }
    }

    /// Sets the cells of some rows of a band, as its sides have them for the height of each over its start.
    #[inline(always)]
    fn rows(&mut self, range: std::ops::Range<usize>, band: &Band) {
        let Band { y, pairs, sides, .. } = *band;
        // A row has a number far below what an `i32` holds, which is one step to a float.
        let mut rise = f64::from(range.start as i32) + 0.5 - y;
        let top = f64::from(range.end as i32) - y;
        for start in range.step_by(ROWS) {
            for row in start..start + ROWS {
                // What is too many ends far on the left. All by figures, so that nothing is asked.
                let [from, to] = sides.at(rise, (top - rise) * (FAR * FAR));
                self.set(row, cell_from(from), cell_from(to), pairs);
                rise += 1.0;
            }
        }
    }

    /// The same of rows that only its sides bound, straight over all of them: places count in whole 2⁻³² of a cell.
    #[inline(never)]
    fn steep(&mut self, range: std::ops::Range<usize>, band: &Band) {
        const ONE: f64 = 4_294_967_296.0;
        let Band { y, pairs, sides, .. } = *band;
        let slope = sides.slope_across;
        let across = slope * (range.start as f64 + 0.5 - y);
        let [mut from, mut to] = sides.across.map(|side| ((side + across + 0.5) * ONE) as i64);
        let slope = (slope * ONE) as i64;
        for row in range {
            self.set(row, (from >> 32) as usize, (to.max(from) >> 32) as usize, pairs);
            (from, to) = (from + slope, to + slope);
        }
    }

    /// Sets cells `start..stop` of a row, in words of `pairs`: none where it ends where it starts, or is no row.
    #[inline(always)]
    fn set(&mut self, row: usize, start: usize, stop: usize, pairs: u64) {
        let Some(touched) = self.touched.get_mut(row) else { return };
        *touched |= pairs;
        let at = row * self.window.words + start / 64;
        // Mostly they are in two words: without asking where they end, which nobody can guess.
        let (Some(before), Some(ones)) = (FIRST.get(start % 64), FIRST.get(stop - (start - start % 64))) else {
            return set_many(&mut self.bits, at, start % 64, stop - start);
        };
        if let Some(words) = self.bits.get_mut(at..at + 2) {
            for (word, (before, ones)) in words.iter_mut().zip(before.iter().zip(ones)) {
                *word |= before ^ ones;
            }
        }
    }

    /// The words of a row that may be touched, and the place of the first of them in the row.
    fn seen(&self, row: usize) -> Option<(std::ops::Range<usize>, usize)> {
        let touched = *self.touched.get(row).filter(|touched| **touched > 0)?;
        let (first, last) = (2 * touched.trailing_zeros() as usize, 2 * touched.ilog2() as usize + 1);
        let begin = row * self.window.words;
        Some((begin + first..begin + (last + 1).min(self.window.words), first))
    }

    /// Makes the window hold cells `low..=high`; `false` where that would be too many.
    fn grow(&mut self, low: [i32; 2], high: [i32; 2]) -> bool {
        let room = (self.window.rows as i32 / 4).max(WORD);
        let window = [room, 0].into_iter().map(|room| self.window.joined(low, high, room)).find(|w| w.is_allowed());
        let Some(window) = window else { return false };
        let before = std::mem::replace(&mut self.window, window);
        self.bounds = window.bounds();
        let bits = std::mem::replace(&mut self.bits, vec![0; window.words * window.rows + 1]);
        let touched = std::mem::replace(&mut self.touched, vec![0; window.rows]);
        let (up, over) = ((before.bottom - window.bottom) as usize, ((before.left - window.left) / WORD) as usize);
        for (row, (words, seen)) in bits.chunks_exact(before.words.max(1)).zip(&touched).enumerate() {
            let start = (row + up) * window.words + over;
            if let Some(place) = self.bits.get_mut(start..start + words.len()) {
                place.copy_from_slice(words);
            }
            if let Some(place) = self.touched.get_mut(row + up) {
                *place = seen << (over / 2) | seen << over.div_ceil(2);
            }
        }
        if self.low < self.high {
            (self.low, self.high) = (self.low + up, self.high + up);
        }
        true
    }

    /// Whether cells as large as they may become would let the window hold `low..=high`.
    fn helps_to_double(&self, low: [i32; 2], high: [i32; 2]) -> bool {
        let whole = if self.window.rows > 0 { self.window.joined(low, high, 0) } else { Window::default() };
        (1..=MOST_DOUBLINGS.saturating_sub(self.doublings)).any(|times| {
            let low = [whole.left.min(low[0]) >> times, whole.bottom.min(low[1]) >> times];
            let high = [whole.right().max(high[0]) >> times, whole.top().max(high[1]) >> times];
            Window::default().joined(low, high, 0).is_allowed()
        })
    }

    /// Makes cells twice as large for the beads to come, where that is still allowed.
    pub fn coarsen(&mut self) {
        if self.doublings < MOST_DOUBLINGS {
            self.double();
        }
    }

    /// Makes cells twice as large; one is set when any of its four parts was.
    fn double(&mut self) {
        let mut cells = Footprint::default();
        self.read(&mut cells);
        self.cell_mm *= 2.0;
        self.per_mm *= 0.5;
        self.doublings += 1;
        (self.window, self.low, self.high) = (Window::default(), usize::MAX, 0);
        self.bounds = self.window.bounds();
        self.bits.clear();
        self.touched.clear();
        cells.double();
        if let Some((low, high)) = cells.bounds() {
            self.grow(low, high);
        }
        for (row, runs) in cells.rows() {
            let row = (i32::from(row) - self.window.bottom) as usize;
            for run in runs {
                let [start, end] = [run.start, run.end].map(|cell| (i32::from(cell) - self.window.left) as usize);
                self.set(row, start, end + 1, pairs_of(start, end));
            }
            (self.low, self.high) = (self.low.min(row), self.high.max(row + 1));
        }
    }

    /// The set cells as runs, without labels.
    pub fn read(&self, into: &mut Footprint) {
        into.clear();
        for row in self.low..self.high {
            let Some((range, first)) = self.seen(row) else { continue };
            into.row((self.window.bottom + row as i32) as i16);
            let mut open: Option<i32> = None;
            let mut at = self.window.left + first as i32 * WORD;
            for &word in self.bits.get(range).unwrap_or_default() {
                let (mut rest, mut bit) = (word, 0);
                loop {
                    match open {
                        None if rest == 0 => break,
                        None => {
                            let gap = rest.trailing_zeros() as i32;
                            rest >>= gap;
                            bit += gap;
                            open = Some(at + bit);
                        }
                        Some(start) => {
                            let ones = rest.trailing_ones() as i32;
                            if bit + ones >= WORD {
                                break;
                            }
                            rest >>= ones;
                            bit += ones;
                            into.run(start as i16, (at + bit - 1) as i16);
                            open = None;
                        }
                    }
                }
                at += WORD;
            }
            if let Some(start) = open {
                into.run(start as i16, (at - 1) as i16);
            }
            into.end_row();
        }
    }

    /// Clears what was drawn.
    pub fn clear(&mut self) {
        for row in self.low..self.high {
            let Some((range, _)) = self.seen(row) else { continue };
            self.bits.get_mut(range).unwrap_or_default().fill(0);
            self.touched.get_mut(row).into_iter().for_each(|touched| *touched = 0);
        }
        (self.low, self.high) = (usize::MAX, 0);
    }
}

/// The words that hold a first and a last cell of a row, a bit for each pair.
fn pairs_of(first: usize, last: usize) -> u64 {
    [first, last].into_iter().fold(0, |pairs, cell| pairs | 1 << (cell / 128 % 64))
}

/// Sets more cells than two words have from cell `shift` of word `first` on.
#[inline(never)]
fn set_many(bits: &mut [u64], first: usize, shift: usize, count: usize) {
    let end = shift + count - 1;
    if let Some([word, middle @ .., last]) = bits.get_mut(first..=first + end / 64) {
        *word |= !0 << shift;
        middle.fill(!0);
        *last |= !0 >> (63 - end % 64);
    }
}

/// The first cell whose centre is not below a place within the window: `(at + 0.5) as usize`, which is no single step
/// of the machine, by the fraction's bits. Places count to 2⁻³².
#[inline]
fn cell_from(at: f64) -> usize {
    // 2^52 / 2^32: the lowest bit of the sum is 2^-32.
    const SHIFT: f64 = 1_048_576.0;
    ((at + (SHIFT + 0.5)).to_bits() >> 32) as usize & 0xF_FFFF
}

/// The cell that holds a place, which is nearer than [`FAR`]: moved to positive numbers, where a cast rounds down.
fn below(at: f64) -> i32 {
    (at + FAR) as i32 - FAR as i32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::Role;
    use proptest::prelude::*;

    fn draw(raster: &mut Raster, from: [f64; 2], to: [f64; 2], width: f64) -> bool {
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let length = dx.hypot(dy);
        let along = if length > 0.0 { [dx / length, dy / length] } else { [1.0, 0.0] };
        let volume = length * width;
        raster.draw(&[Rectangle { from, to, span: length, along, length, width, volume, role: Role::Unknown }]) == 1
    }

    fn cells(raster: &Raster) -> Vec<(i16, i16, i16)> {
        let mut footprint = Footprint::default();
        raster.read(&mut footprint);
        footprint.rows().flat_map(|(row, runs)| runs.iter().map(move |run| (row, run.start, run.end))).collect()
    }

    /// By hand: 2 mm along X, 1 mm wide, cells of 0.5 mm. Half a width and a quarter cell are 1.25 cells; ends too.
    #[test]
    fn a_straight_bead_by_hand() {
        let mut raster = Raster::new(0.5);
        assert!(draw(&mut raster, [0.0, 0.0], [2.0, 0.0], 1.0));
        // Centres at -0.5 and 0.5 are within 1.25, those at 1.5 are not; along: -1.25..5.25, centres -0.5..=4.5.
        assert_eq!(cells(&raster), [(-1, -1, 4), (0, -1, 4)]);
        raster.clear();
        assert_eq!(cells(&raster), []);
        // Upwards it is the same, turned.
        assert!(draw(&mut raster, [0.0, 0.0], [0.0, 2.0], 1.0));
        assert_eq!(cells(&raster), (-1..=4).map(|row| (row, -1, 0)).collect::<Vec<_>>());
    }

    #[test]
    fn far_plates_make_cells_larger_and_odd_coordinates_are_left_out() {
        let mut raster = Raster::new(0.25);
        assert!(draw(&mut raster, [0.0, 0.0], [10.0, 0.0], 0.5));
        let before = cells(&raster);
        // 1.5 m off both ways: 6000 x 6000 cells of 0.25 mm are too many, 1500 x 1500 of 1 mm are not.
        assert!(draw(&mut raster, [1500.0, 1500.0], [1500.0, 1490.0], 0.5));
        assert_eq!((raster.cell_mm(), raster.doublings()), (1.0, 2));
        let after = cells(&raster);
        for (row, start, end) in before {
            assert!(after.iter().any(|r| r.0 == row >> 2 && r.1 <= start >> 2 && r.2 >= end >> 2));
        }
        for far in [1e6, 5e4, -1e6] {
            assert!(!draw(&mut raster, [0.0, 0.0], [far, 0.0], 0.5), "{far}");
        }
        assert!(raster.window.is_allowed());
    }

    proptest! {
        /// The plain slow way: the same rule, cell by cell.
        #[test]
        fn every_centre_within_reach_is_set(x in -30.0..30.0f64, y in -30.0..30.0f64, dx in -9.0..9.0f64, dy in -9.0..9.0f64,
            width in 0.1..3.0f64, long in prop::bool::ANY) {
            let dx = if long { 10.0 * dx } else { dx };
            let mut raster = Raster::new(0.5);
            draw(&mut raster, [0.0, 0.0], [0.01, 0.0], 0.5);
            raster.clear();
            prop_assert!(draw(&mut raster, [x, y], [x + dx, y + dy], width));
            let runs = cells(&raster);
            let half = (width / 2.0).max(0.25) + 0.125;
            let length = dx.hypot(dy);
            for row in -90i16..90 {
                for column in -260i16..260 {
                    let (cx, cy) = (f64::from(column) * 0.5 + 0.25 - x, f64::from(row) * 0.5 + 0.25 - y);
                    let (along, across) = ((cx * dx + cy * dy) / length, (cy * dx - cx * dy) / length);
                    let margin = (half - across.abs()).min(along + half).min(length + half - along);
                    let set = runs.iter().any(|r| r.0 == row && (r.1..=r.2).contains(&column));
                    // On the edge itself rounding decides.
                    prop_assert!(margin.abs() < 1e-6 || set == (margin > 0.0), "{row} {column} {margin}");
                }
            }
        }
    }
}
