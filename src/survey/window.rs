//! The part of the grid that a raster has memory for.

/// Most cells of a raster: half a MiB, one bit each.
const MOST_CELLS: usize = 1 << 22;
/// Most cells along a side, so that a single bead is drawn in bounded time; far below what an `i16` holds.
pub(super) const MOST_SIDE: i32 = 8192;
/// Cells of a word.
pub(super) const WORD: i32 = 64;

/// A window on the grid: cells `left..left + 64 words`, `bottom..bottom + rows`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Window {
    pub left: i32,
    pub bottom: i32,
    pub words: usize,
    pub rows: usize,
}

impl Window {
    pub fn right(self) -> i32 {
        self.left + self.words as i32 * WORD
    }

    pub fn top(self) -> i32 {
        self.bottom + self.rows as i32
    }

    pub fn holds(self, low: [i32; 2], high: [i32; 2]) -> bool {
        low[0] >= self.left && low[1] >= self.bottom && high[0] < self.right() && high[1] < self.top()
    }

    /// Its lowest and highest place, cells.
    pub fn bounds(self) -> [[f64; 2]; 2] {
        [[self.left, self.bottom], [self.right(), self.top()]].map(|corner| corner.map(f64::from))
    }

    /// The least window, in whole words, that holds both this one and the cells `low..=high` with `room` around them.
    pub fn joined(self, low: [i32; 2], high: [i32; 2], room: i32) -> Self {
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

    pub fn is_allowed(self) -> bool {
        self.rows <= MOST_SIDE as usize
            && self.words as i32 * WORD <= MOST_SIDE
            && self.rows * self.words * WORD as usize <= MOST_CELLS
    }
}
