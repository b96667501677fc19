//! Beads as set cells of a grid: which of them touch, and what stands on what.
//!
//! The grid has its origin at the first bead. Cells are about half a bead wide; where a plate would need more than
//! four million of them, or beads are wide, cells become twice as large, up to three times. What lies further out still is
//! not drawn. Drawing, reading and clearing cost only the words that were touched.

use super::footprint::Footprint;
use crate::units::Bounded;

/// Most cells of a raster: half a MiB, one bit each.
const MOST_CELLS: usize = 1 << 22;
/// Most cells along a side, so that a single bead is drawn in bounded time; far below what an `i16` holds.
const MOST_SIDE: i32 = 8192;
/// How often cells may become twice as large.
const MOST_DOUBLINGS: u32 = 3;
/// Cells further from the first bead are outside, whatever their size.
const FAR: f64 = 16_000.0;
/// Cells of a word.
const WORD: i32 = 64;
/// A side that moves by so much with each row, in 2⁻³² of a cell, stays in a cell for too few rows to count them.
const SLANTED: i64 = 1 << 30;
/// Half of the rows of a bead between its corners for which it is worth while to take them apart.
const SHORT_ROWS: f64 = 4.0;
/// Stands for the inverse of a direction that is zero: beyond every raster.
const STEEP: f64 = 1e12;

/// The touched words of a row; none while `first` is above `last`.
#[derive(Clone, Copy, Debug)]
struct Touched {
    first: u16,
    last: u16,
}

const UNTOUCHED: Touched = Touched { first: u16::MAX, last: 0 };

/// A window on the grid: cells `left..left + 64 words`, `bottom..bottom + rows`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Window {
    left: i32,
    bottom: i32,
    words: usize,
    rows: usize,
}

impl Window {
    fn right(self) -> i32 {
        self.left + self.words as i32 * WORD
    }

    fn top(self) -> i32 {
        self.bottom + self.rows as i32
    }

    fn holds(self, low: [i32; 2], high: [i32; 2]) -> bool {
        low[0] >= self.left && low[1] >= self.bottom && high[0] < self.right() && high[1] < self.top()
    }

    /// Its lowest and highest place, cells.
    fn bounds(self) -> [[f64; 2]; 2] {
        [[self.left, self.bottom], [self.right(), self.top()]].map(|corner| corner.map(f64::from))
    }

    /// The least window, in whole words, that holds both this one and the cells `low..=high` with `room` around them.
    fn joined(self, low: [i32; 2], high: [i32; 2], room: i32) -> Self {
        let (mut left, mut bottom) = (low[0] - room, low[1] - room);
        let (mut right, mut top) = (high[0] + 1 + room, high[1] + 1 + room);
        if self.rows > 0 {
            (left, bottom) = (left.min(self.left), bottom.min(self.bottom));
            (right, top) = (right.max(self.right()), top.max(self.top()));
        }
        let left = left.div_euclid(WORD) * WORD;
        let words = (right - left + WORD - 1).div_euclid(WORD);
        Self { left, bottom, words: words as usize, rows: (top - bottom) as usize }
    }

    fn is_allowed(self) -> bool {
        self.rows <= MOST_SIDE as usize
            && self.words as i32 * WORD <= MOST_SIDE
            && self.rows * self.words * WORD as usize <= MOST_CELLS
    }
}

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

/// Where the cells of a row begin and end: the second figure of each pair is that of the right side, counted to the left, so
/// that the largest of all bounds is the one that holds on either side.
#[derive(Clone, Copy, Debug)]
struct Sides {
    /// By the ends of the bead, at its height.
    along: [f64; 2],
    /// By its sides.
    across: [f64; 2],
    /// How both move to the right with each row.
    slope_along: f64,
    slope_across: f64,
    /// Of all its rows.
    bounds: [f64; 2],
}

impl Sides {
    /// For a row so far above the start of the bead.
    #[inline(always)]
    fn at(&self, rise: f64) -> [f64; 2] {
        let (along, across) = (self.slope_along * rise, self.slope_across * rise);
        let along = [self.along[0] + along, self.along[1] - along];
        let across = [self.across[0] + across, self.across[1] - across];
        [0, 1].map(|side| self.bounds[side].at_least(along[side].at_least(across[side])))
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
    bits: Vec<u64>,
    touched: Vec<Touched>,
    /// Rows of the window that may be touched.
    low: usize,
    high: usize,
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

    /// Draws a bead `width_mm` wide from one point to another, mm; `false` where it lies too far out. `along`: its
    /// direction, any for a point; `length_mm`: from end to end.
    ///
    /// A cell is set when its centre is within half a width and a quarter of a cell of the segment, ends squared off.
    /// The quarter makes beads that abut touch; a line thinner than the cells is still drawn without a gap.
    pub fn draw(&mut self, ends: [[f64; 2]; 2], along: [f64; 2], length_mm: f64, width_mm: f64) -> bool {
        let Some(stroke) = self.stroke(ends, along, length_mm, width_mm) else { return false };
        let is_inside = self.is_inside(&stroke);
        if is_inside {
            self.fill(&stroke);
        }
        is_inside || self.draw_outside(ends, along, length_mm, width_mm)
    }

    /// The same where the window may have to grow first.
    #[cold]
    #[inline(never)]
    fn draw_outside(&mut self, ends: [[f64; 2]; 2], along: [f64; 2], length_mm: f64, width_mm: f64) -> bool {
        loop {
            let Some(stroke) = self.stroke(ends, along, length_mm, width_mm) else { return false };
            let (low, high) = (stroke.low.map(below), stroke.high.map(below));
            if self.window.holds(low, high) || self.grow(low, high) {
                self.fill(&stroke);
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
    fn stroke(&mut self, [from, to]: [[f64; 2]; 2], along: [f64; 2], length: f64, width: f64) -> Option<Stroke> {
        let per_mm = self.per_mm;
        let origin = *self.origin.get_or_insert(from);
        let from = [(from[0] - origin[0]) * per_mm, (from[1] - origin[1]) * per_mm];
        let to = [(to[0] - origin[0]) * per_mm, (to[1] - origin[1]) * per_mm];
        let half = (0.5 * width * per_mm).at_least(0.5) + 0.25;
        let reach = half * (along[0].abs() + along[1].abs());
        let low = [from[0].at_most(to[0]) - reach, from[1].at_most(to[1]) - reach];
        let high = [from[0].at_least(to[0]) + reach, from[1].at_least(to[1]) + reach];
        let near = low[0] > -FAR && low[1] > -FAR && high[0] < FAR && high[1] < FAR;
        near.then_some(Stroke { from, along, length: length * per_mm, half, low, high })
    }

    #[inline]
    fn fill(&mut self, stroke: &Stroke) {
        let [left, bottom] = self.bounds[0];
        let (x, y) = (stroke.from[0] - left, stroke.from[1] - bottom);
        let [ux, uy] = stroke.along;
        let by_x = if ux.abs() > 1e-9 { 1.0 / ux } else { STEEP };
        let by_y = if uy.abs() > 1e-9 { 1.0 / uy } else { STEEP };
        let (least, most) = (stroke.low[0] - left, stroke.high[0] - left);
        // All of this counts from the corner of the window, so nothing is negative and a cast rounds down.
        let first = (stroke.low[1] - bottom + 0.5) as i32 as usize;
        let end = ((stroke.high[1] - bottom + 0.5) as i32 as usize).min(self.window.rows);
        self.low = self.low.min(first);
        self.high = self.high.max(end);
        // Along the bead and across it, the cells of a row are an interval each: a middle that goes with the row, and a
        // half width.
        let middle = 0.5 * stroke.length;
        let (slope_along, slope_across) = (-uy * by_x, ux * by_y);
        let (reach_along, reach_across) = ((middle + stroke.half) * by_x.abs(), stroke.half * by_y.abs());
        let (x_along, x_across) = (x + middle * by_x, x);
        let sides = Sides {
            along: [x_along - reach_along, -x_along - reach_along],
            across: [x_across - reach_across, -x_across - reach_across],
            slope_along,
            slope_across,
            bounds: [least, -most],
        };
        // In the middle of a steep bead only its sides bound the cells of a row; a row is left to rounding at either end.
        let (centre, zone) = (y + middle * uy - 0.5, (middle + stroke.half) * uy.abs() - stroke.half * ux.abs() - 1.0);
        if zone <= if ux == 0.0 { 0.0 } else { SHORT_ROWS } {
            return self.rows(first..end, y, sides);
        }
        let inner = ((centre - zone) as usize + 1).max(first).min(end);
        let outer = ((centre + zone) as usize + 1).max(inner).min(end);
        self.long(first..end, inner..outer, y, sides);
    }

    /// Sets the cells of rows of a long steep bead, which has only its sides in some of them.
    #[inline(never)]
    fn long(&mut self, all: std::ops::Range<usize>, straight: std::ops::Range<usize>, y: f64, sides: Sides) {
        self.rows(all.start..straight.start, y, sides);
        let across = sides.slope_across * (straight.start as f64 + 0.5 - y);
        let [from, to] = [sides.across[0] + across, across - sides.across[1]];
        self.rows(straight.end..all.end, y, sides);
        self.steep(straight, [from, to], sides.slope_across);
    }

    /// Sets the cells of rows from one place up to another, counted from the left of the window, as `sides` has them for
    /// the height of a row over `y`.
    #[inline(always)]
    fn rows(&mut self, range: std::ops::Range<usize>, y: f64, sides: Sides) {
        let width = self.window.words;
        let mut cells = self.bits.get_mut(range.start * width..).unwrap_or_default();
        // A row has a number far below what an `i32` holds, which is one step to a float.
        let mut rise = f64::from(range.start as i32) + 0.5 - y;
        for touched in self.touched.get_mut(range).unwrap_or_default() {
            // Taken one by one: how many chunks there are is a division.
            let Some((words, later)) = cells.split_at_mut_checked(width) else { return };
            cells = later;
            let [from, to] = sides.at(rise);
            let (start, stop) = (cell_from(from), cell_from(-to));
            if start < stop {
                set(words, touched, start, stop);
            }
            rise += 1.0;
        }
    }

    /// Sets the cells between two sides that run straight over rows: `from` to `to` in the first of them, `slope` further
    /// with each. All counts from the left of the window, in whole 2⁻³² of a cell.
    fn steep(&mut self, range: std::ops::Range<usize>, [from, to]: [f64; 2], slope: f64) {
        if range.is_empty() {
            return;
        }
        const ONE: f64 = 4_294_967_296.0;
        let width = self.window.words;
        let mut cells = self.bits.get_mut(range.start * width..).unwrap_or_default();
        let mut touched = self.touched.get_mut(range).unwrap_or_default();
        let [mut from, mut to] = [from, to].map(|side| ((side + 0.5) * ONE) as i64);
        let slope = (slope * ONE) as i64;
        if slope.abs() >= SLANTED {
            for touched in touched {
                let Some((words, later)) = cells.split_at_mut_checked(width) else { return };
                cells = later;
                let (start, stop) = ((from >> 32) as usize, (to >> 32) as usize);
                if start < stop {
                    set(words, touched, start, stop);
                }
                (from, to) = (from + slope, to + slope);
            }
            return;
        }
        while !touched.is_empty() {
            let stays = rows_within(from, slope).min(rows_within(to, slope)).min(touched.len() as i64);
            let (seen, unseen) = touched.split_at_mut(stays as usize);
            let (start, stop) = ((from >> 32) as usize, (to >> 32) as usize);
            for touched in seen {
                let Some((words, later)) = cells.split_at_mut_checked(width) else { return };
                cells = later;
                if start < stop {
                    set(words, touched, start, stop);
                }
            }
            touched = unseen;
            (from, to) = (from + stays * slope, to + stays * slope);
        }
    }

    /// Makes the window hold cells `low..=high`; `false` where that would be too many.
    fn grow(&mut self, low: [i32; 2], high: [i32; 2]) -> bool {
        let room = (self.window.rows as i32 / 4).max(WORD);
        let window = [room, 0].into_iter().map(|room| self.window.joined(low, high, room)).find(|w| w.is_allowed());
        let Some(window) = window else { return false };
        let before = std::mem::replace(&mut self.window, window);
        self.bounds = window.bounds();
        let bits = std::mem::replace(&mut self.bits, vec![0; window.words * window.rows]);
        let touched = std::mem::replace(&mut self.touched, vec![UNTOUCHED; window.rows]);
        let (up, over) = ((before.bottom - window.bottom) as usize, ((before.left - window.left) / WORD) as usize);
        for (row, (words, seen)) in bits.chunks_exact(before.words.max(1)).zip(&touched).enumerate() {
            let start = (row + up) * window.words + over;
            if let Some(place) = self.bits.get_mut(start..start + words.len()) {
                place.copy_from_slice(words);
            }
            if let Some(place) = self.touched.get_mut(row + up).filter(|_| seen.first <= seen.last) {
                *place = Touched { first: seen.first + over as u16, last: seen.last + over as u16 };
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
            let words = self.bits.chunks_exact_mut(self.window.words.max(1)).nth(row);
            let Some((words, touched)) = words.zip(self.touched.get_mut(row)) else { continue };
            for run in runs {
                let start = i32::from(run.start) - self.window.left;
                set(words, touched, start as usize, (i32::from(run.end) - self.window.left) as usize + 1);
            }
            (self.low, self.high) = (self.low.min(row), self.high.max(row + 1));
        }
    }

    /// The set cells as runs, without labels.
    pub fn read(&self, into: &mut Footprint) {
        into.clear();
        for row in self.low..self.high {
            let Some(seen) = self.touched.get(row).filter(|seen| seen.first <= seen.last) else { continue };
            let base = row * self.window.words;
            let range = base + usize::from(seen.first)..=base + usize::from(seen.last);
            into.row((self.window.bottom + row as i32) as i16);
            let mut open: Option<i32> = None;
            let mut at = self.window.left + i32::from(seen.first) * WORD;
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
        }
    }

    /// Clears what was drawn.
    pub fn clear(&mut self) {
        for row in self.low..self.high {
            let Some(seen) = self.touched.get_mut(row).filter(|seen| seen.first <= seen.last) else { continue };
            let base = row * self.window.words;
            if let Some(words) = self.bits.get_mut(base + usize::from(seen.first)..=base + usize::from(seen.last)) {
                words.fill(0);
            }
            *seen = UNTOUCHED;
        }
        (self.low, self.high) = (usize::MAX, 0);
    }
}

/// For how many rows a side that moves by `slope` with each stays in the same cell; both in 2⁻³² of a cell.
fn rows_within(side: i64, slope: i64) -> i64 {
    const PART: i64 = 0xFFFF_FFFF;
    match slope {
        0 => i64::MAX,
        1.. => (PART - (side & PART)) / slope + 1,
        _ => (side & PART) / -slope + 1,
    }
}

/// Sets cells `start..stop` of a row.
#[inline]
fn set(words: &mut [u64], touched: &mut Touched, start: usize, stop: usize) {
    let (first, last) = (start / 64, (stop - 1) / 64);
    let (head, tail) = (!0u64 << (start % 64), !0u64 >> (63 - (stop - 1) % 64));
    if first == last {
        if let Some(word) = words.get_mut(first) {
            *word |= head & tail;
        }
    } else if let Some([word, middle @ .., end]) = words.get_mut(first..=last) {
        *word |= head;
        middle.fill(!0);
        *end |= tail;
    }
    // Mostly neighbours have been there.
    if first < usize::from(touched.first) || last > usize::from(touched.last) {
        *touched = Touched { first: touched.first.min(first as u16), last: touched.last.max(last as u16) };
    }
}

/// The first cell whose centre is not below a place within the window: `(at + 0.5) as usize`, which is no single step
/// of the machine, by the fraction's bits. Places count to 2⁻³².
#[inline]
fn cell_from(at: f64) -> usize {
    // 2^52 / 2^32: the lowest bit of the sum is 2^-32.
    const SHIFT: f64 = 1_048_576.0;
    ((at + 0.5 + SHIFT).to_bits() >> 32) as usize & 0xF_FFFF
}

/// The cell that holds a place, which is nearer than [`FAR`]: moved to positive numbers, where a cast rounds down.
fn below(at: f64) -> i32 {
    (at + FAR) as i32 - FAR as i32
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn draw(raster: &mut Raster, from: [f64; 2], to: [f64; 2], width: f64) -> bool {
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let length = dx.hypot(dy);
        let along = if length > 0.0 { [dx / length, dy / length] } else { [1.0, 0.0] };
        raster.draw([from, to], along, length, width)
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
        assert!(raster.bits.len() * 64 <= MOST_CELLS);
    }

    proptest! {
        /// The plain slow way: the same rule, cell by cell.
        #[test]
        fn every_centre_within_reach_is_set(x in -30.0..30.0f64, y in -30.0..30.0f64, dx in -9.0..9.0f64, dy in -9.0..9.0f64,
            width in 0.1..3.0f64) {
            let mut raster = Raster::new(0.5);
            draw(&mut raster, [0.0, 0.0], [0.01, 0.0], 0.5);
            raster.clear();
            prop_assert!(draw(&mut raster, [x, y], [x + dx, y + dy], width));
            let runs = cells(&raster);
            let half = (width / 2.0).max(0.25) + 0.125;
            let length = dx.hypot(dy);
            for row in -90i16..90 {
                for column in -90i16..90 {
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
