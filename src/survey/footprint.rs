//! Set cells as runs along rows: islands, and what overlaps what.

/// Cells `start..=end` of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Run {
    /// First cell.
    pub start: i16,
    /// Last cell.
    pub end: i16,
    /// Which island it belongs to.
    pub label: u32,
}

impl Run {
    fn cells(self) -> u64 {
        (i32::from(self.end) - i32::from(self.start) + 1) as u64
    }
}

/// Cells that two islands share.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Overlap {
    /// Label of the island above.
    pub above: u32,
    /// Label of the island below.
    pub below: u32,
    /// Cells of both.
    pub cells: u64,
}

/// So many pairs of islands above and below have a place each to count their cells: some tens of islands in a layer.
const MOST_PAIRS: usize = 1 << 12;

/// Runs by row, rows and runs in rising order, no two runs of a row on the same cell.
#[derive(Clone, Debug, Default)]
pub struct Footprint {
    /// Row, and where its runs begin.
    heads: Vec<(i16, u32)>,
    runs: Vec<Run>,
}

/// Rows of a footprint with their runs.
#[derive(Clone, Debug)]
pub struct Rows<'a> {
    heads: &'a [(i16, u32)],
    runs: &'a [Run],
    /// Place of the first of these runs among all.
    begin: usize,
}

impl<'a> Iterator for Rows<'a> {
    type Item = (i16, &'a [Run]);

    #[inline]
    fn next(&mut self) -> Option<Self::Item> {
        let (&(row, _), heads) = self.heads.split_first()?;
        let count = heads.first().map_or(self.runs.len(), |next| next.1 as usize - self.begin);
        let (runs, others) = self.runs.split_at_checked(count)?;
        (self.heads, self.runs, self.begin) = (heads, others, self.begin + count);
        Some((row, runs))
    }
}

impl Footprint {
    /// Takes everything out; the memory is kept.
    pub fn clear(&mut self) {
        self.heads.clear();
        self.runs.clear();
    }

    /// Begins a row, above all those before.
    pub fn row(&mut self, row: i16) {
        self.heads.push((row, self.runs.len() as u32));
    }

    /// Adds cells `start..=end` to the row begun last, right of all those before.
    pub fn run(&mut self, start: i16, end: i16) {
        self.runs.push(Run { start, end, label: 0 });
    }

    /// Rows with their runs.
    pub fn rows(&self) -> Rows<'_> {
        Rows { heads: &self.heads, runs: &self.runs, begin: 0 }
    }

    fn runs_of(&self, index: usize) -> &[Run] {
        let start = self.heads.get(index).map_or(self.runs.len(), |head| head.1 as usize);
        let end = self.heads.get(index + 1).map_or(self.runs.len(), |head| head.1 as usize);
        self.runs.get(start..end).unwrap_or_default()
    }

    fn runs_at(&self, row: i16) -> &[Run] {
        self.heads.binary_search_by_key(&row, |head| head.0).map_or(&[], |index| self.runs_of(index))
    }

    /// Lowest and highest column and row; `None` when empty.
    pub fn bounds(&self) -> Option<([i32; 2], [i32; 2])> {
        let (bottom, top) = (self.heads.first()?.0, self.heads.last()?.0);
        let left = self.runs.iter().map(|run| run.start).min()?;
        let right = self.runs.iter().map(|run| run.end).max()?;
        Some(([left.into(), bottom.into()], [right.into(), top.into()]))
    }

    /// The label at a cell.
    pub fn at(&self, cell: [i32; 2]) -> Option<u32> {
        let runs = self.runs_at(i16::try_from(cell[1]).ok()?);
        let index = runs.partition_point(|run| i32::from(run.end) < cell[0]);
        runs.get(index).filter(|run| i32::from(run.start) <= cell[0]).map(|run| run.label)
    }

    /// Gives runs that touch along sides or corners one label; labels count from 0 in the order of rows. Returns how
    /// many there are. `parents` is room to work in.
    pub fn label(&mut self, parents: &mut Vec<u32>) -> usize {
        parents.clear();
        parents.extend(0..self.runs.len() as u32);
        let (mut before, mut lower, mut from_before): (i32, &[Run], u32) = (i32::MIN, &[], 0);
        let mut from = 0;
        for (row, upper) in self.rows() {
            let row = i32::from(row);
            if before + 1 == row {
                touching(lower, upper, |low, high| join(parents, from_before + low as u32, from + high as u32));
            }
            (before, lower, from_before) = (row, upper, from);
            from += upper.len() as u32;
        }
        let mut count = 0;
        for index in 0..self.runs.len() {
            // Whatever a run belongs to begins before it, so its label is there already.
            let parent = parents.get(index).map_or(index, |parent| *parent as usize);
            let label = if parent == index {
                count += 1;
                count - 1
            } else {
                self.runs.get(parent).map_or(0, |run| run.label)
            };
            if let Some(run) = self.runs.get_mut(index) {
                run.label = label;
            }
        }
        count as usize
    }

    /// Counts the cells of each label into `cells`, which has a place for each.
    pub fn count(&self, cells: &mut [u64]) {
        for run in &self.runs {
            if let Some(place) = cells.get_mut(run.label as usize) {
                *place += run.cells();
            }
        }
    }

    /// Changes labels, and takes out the runs for which there is none.
    pub fn relabel(&mut self, new: impl Fn(u32) -> Option<u32>) {
        let mut kept = 0;
        for index in 0..self.heads.len() {
            let start = self.heads.get(index).map_or(0, |head| head.1 as usize);
            let end = self.heads.get(index + 1).map_or(self.runs.len(), |head| head.1 as usize);
            if let Some(head) = self.heads.get_mut(index) {
                head.1 = kept as u32;
            }
            for place in start..end {
                let Some(run) = self.runs.get(place).copied() else { continue };
                if let (Some(label), Some(to)) = (new(run.label), self.runs.get_mut(kept)) {
                    *to = Run { label, ..run };
                    kept += 1;
                }
            }
        }
        self.runs.truncate(kept);
    }

    /// Cells shared with a footprint below, one entry for each pair of labels, in rising order. `labels`: how many there
    /// are above and below; `room` is room to work in.
    pub fn overlaps(&self, below: &Self, labels: [usize; 2], room: &mut Vec<u64>, out: &mut Vec<Overlap>) {
        out.clear();
        let [count, across] = labels;
        if count.saturating_mul(across) > MOST_PAIRS {
            return self.many_overlaps(below, out);
        }
        room.clear();
        room.resize(count * across, 0);
        each_pair(self, below, |upper, lower| add_shared(upper, lower, across, room));
        for (above, row) in room.chunks_exact(across.max(1)).enumerate() {
            let shared = row.iter().enumerate().filter(|(_, cells)| **cells > 0);
            out.extend(shared.map(|(below, cells)| Overlap {
                above: above as u32,
                below: below as u32,
                cells: *cells,
            }));
        }
    }

    /// The same where a place for each pair would be too many.
    fn many_overlaps(&self, below: &Self, out: &mut Vec<Overlap>) {
        let mut most = MOST_PAIRS;
        each_pair(self, below, |upper, lower| {
            shared(upper, lower, |high, low, cells| match out.last_mut() {
                Some(last) if (last.above, last.below) == (high.label, low.label) => last.cells += cells,
                _ if cells > 0 => out.push(Overlap { above: high.label, below: low.label, cells }),
                _ => {}
            });
            if out.len() > most {
                merge(out);
                most = MOST_PAIRS.max(2 * out.len());
            }
        });
        merge(out);
    }

    /// For each label that `wants`: the label within `reach` cells in `below` that is nearest. `nearest` has a place for
    /// each label, of square distance and label below.
    pub fn nearest(
        &self,
        below: &Self,
        reach: i32,
        wants: impl Fn(u32) -> bool,
        is_good: impl Fn(u32) -> bool,
        nearest: &mut [Option<(i32, u32)>],
    ) {
        for (row, runs) in self.rows() {
            for run in runs.iter().filter(|run| wants(run.label)) {
                let Some(best) = nearest.get_mut(run.label as usize) else { continue };
                for step in -reach..=reach {
                    let others = i16::try_from(i32::from(row) + step).map_or(&[][..], |row| below.runs_at(row));
                    let first = others.partition_point(|other| i32::from(other.end) < i32::from(run.start) - reach);
                    let near = others.get(first..).unwrap_or_default().iter();
                    let limit = i32::from(run.end) + reach;
                    for other in near.take_while(|other| i32::from(other.start) <= limit) {
                        let left = i32::from(run.start) - i32::from(other.end);
                        let aside = left.max(i32::from(other.start) - i32::from(run.end)).max(0);
                        let found = (aside * aside + step * step, other.label);
                        if is_good(other.label) && best.is_none_or(|best| found < best) {
                            *best = Some(found);
                        }
                    }
                }
            }
        }
    }

    /// This footprint, and what `older` has beside it; `name`: labels of the latter in `out`, where they are to be kept.
    pub fn over(&self, older: &Self, name: impl Fn(u32) -> Option<u32>, out: &mut Self) {
        out.clear();
        let (mut rows, mut older_rows) = (self.rows(), older.rows());
        let (mut here, mut there) = (rows.next(), older_rows.next());
        loop {
            let row = match (here, there) {
                (None, None) => break,
                (Some((row, _)), None) | (None, Some((row, _))) => row,
                (Some((row, _)), Some((other, _))) => row.min(other),
            };
            out.row(row);
            let (mut upper, mut lower): (&[Run], &[Run]) = (&[], &[]);
            if let Some((_, runs)) = here.filter(|(at, _)| *at == row) {
                (upper, here) = (runs, rows.next());
            }
            if let Some((_, runs)) = there.filter(|(at, _)| *at == row) {
                (lower, there) = (runs, older_rows.next());
            }
            beside(upper, lower, &name, &mut out.runs);
        }
    }

    /// Makes cells twice as large. Where islands come to share a cell, the one on its left has it.
    pub fn double(&mut self) {
        let mut doubled = Self::default();
        let mut pair: Vec<Run> = Vec::new();
        let mut index = 0;
        while let Some(row) = self.heads.get(index).map(|head| head.0 >> 1) {
            pair.clear();
            while self.heads.get(index).is_some_and(|head| head.0 >> 1 == row) {
                let halved = |run: &Run| Run { start: run.start >> 1, end: run.end >> 1, label: run.label };
                pair.extend(self.runs_of(index).iter().map(halved));
                index += 1;
            }
            pair.sort_unstable_by_key(|run| (run.start, run.end, run.label));
            doubled.row(row);
            let first = doubled.runs.len();
            for run in &pair {
                let joined = doubled.runs.len() > first;
                match doubled.runs.last_mut().filter(|last| joined && last.end >= run.start) {
                    Some(last) if last.label == run.label => last.end = last.end.max(run.end),
                    Some(last) if last.end < run.end => {
                        let start = last.end + 1;
                        doubled.runs.push(Run { start, ..*run });
                    }
                    Some(_) => {}
                    None => doubled.runs.push(*run),
                }
            }
        }
        *self = doubled;
    }
}

/// Shows the runs of two rows side by side, with the number of cells that they share, which may be none.
#[inline(always)]
fn shared(upper: &[Run], lower: &[Run], mut see: impl FnMut(&Run, &Run, u64)) {
    let (mut a, mut b) = (0, 0);
    while let (Some(high), Some(low)) = (upper.get(a), lower.get(b)) {
        let (start, end) = (high.start.max(low.start), high.end.min(low.end));
        see(high, low, (i32::from(end) - i32::from(start) + 1).max(0) as u64);
        // Where runs end nobody can guess, so that both steps are made without asking.
        let is_first = high.end < low.end;
        a += usize::from(is_first);
        b += usize::from(!is_first);
    }
}

/// Adds the cells that two rows share to the places of their pairs, of which a label above has `across`. A function of its
/// own, so that what it works with has registers.
#[inline(never)]
fn add_shared(upper: &[Run], lower: &[Run], across: usize, places: &mut [u64]) {
    shared(upper, lower, |high, low, cells| {
        if let Some(place) = places.get_mut(high.label as usize * across + low.label as usize) {
            *place += cells;
        }
    });
}

/// Brings overlaps into rising order, with one entry for each pair.
fn merge(overlaps: &mut Vec<Overlap>) {
    overlaps.sort_unstable_by_key(|overlap| (overlap.above, overlap.below));
    overlaps.dedup_by(|next, kept| {
        let same = next.above == kept.above && next.below == kept.below;
        kept.cells += if same { next.cells } else { 0 };
        same
    });
}

/// Adds the runs of one row above, and the parts of those below that are beside them and have a name.
#[inline]
fn beside(mut above: &[Run], lower: &[Run], name: impl Fn(u32) -> Option<u32>, out: &mut Vec<Run>) {
    for run in lower {
        let Some(label) = name(run.label) else { continue };
        let mut start = i32::from(run.start);
        while let Some((top, others)) = above.split_first().filter(|(top, _)| top.start <= run.end) {
            if start < i32::from(top.start) {
                out.push(Run { start: start as i16, end: top.start - 1, label });
            }
            start = start.max(i32::from(top.end) + 1);
            if top.end > run.end {
                // It goes on above the next run, and is added behind that.
                break;
            }
            out.push(*top);
            above = others;
        }
        if start <= i32::from(run.end) {
            out.push(Run { start: start as i16, end: run.end, label });
        }
    }
    out.extend_from_slice(above);
}

/// Shows which runs of a row and of the one above it touch along sides or corners, by their places.
#[inline]
fn touching(lower: &[Run], upper: &[Run], mut see: impl FnMut(usize, usize)) {
    let (mut a, mut b) = (0, 0);
    while let (Some(low), Some(high)) = (lower.get(a), upper.get(b)) {
        let (low_end, high_end) = (i32::from(low.end), i32::from(high.end));
        if i32::from(low.start) <= high_end + 1 && i32::from(high.start) <= low_end + 1 {
            see(a, b);
        }
        let is_first = low_end < high_end;
        a += usize::from(is_first);
        b += usize::from(!is_first);
    }
}

/// Shows the rows that both footprints have.
#[inline]
fn each_pair<'a>(upper: &'a Footprint, lower: &'a Footprint, mut see: impl FnMut(&'a [Run], &'a [Run])) {
    let (mut above, mut below) = (upper.rows(), lower.rows());
    let (mut high, mut low) = (above.next(), below.next());
    while let (Some((row, runs)), Some((other, under))) = (high, low) {
        if row == other {
            see(runs, under);
        }
        if row <= other {
            high = above.next();
        }
        if other <= row {
            low = below.next();
        }
    }
}

/// The first run of the set that `index` belongs to; ways are halved on the way.
fn root(parents: &mut [u32], mut index: u32) -> u32 {
    while let Some(&parent) = parents.get(index as usize) {
        if parent == index {
            break;
        }
        let above = parents.get(parent as usize).copied().unwrap_or(parent);
        if let Some(place) = parents.get_mut(index as usize) {
            *place = above;
        }
        index = above;
    }
    index
}

/// Joins two sets; the earlier root stays.
fn join(parents: &mut [u32], a: u32, b: u32) {
    // Mostly runs on both sides of a gap, or one below another, are known to belong together.
    if parents.get(a as usize) == parents.get(b as usize) {
        return;
    }
    let (a, b) = (root(parents, a), root(parents, b));
    if let Some(place) = parents.get_mut(a.max(b) as usize) {
        *place = a.min(b);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// From a picture: rows from the bottom up, each character but a space is a set cell.
    fn picture(rows: &[&str]) -> Footprint {
        let mut footprint = Footprint::default();
        for (row, text) in rows.iter().enumerate() {
            footprint.row(row as i16);
            let mut start = None;
            for (column, byte) in text.bytes().chain([b' ']).enumerate() {
                match (byte == b' ', start) {
                    (false, None) => start = Some(column as i16),
                    (true, Some(from)) => {
                        footprint.run(from, column as i16 - 1);
                        start = None;
                    }
                    _ => {}
                }
            }
        }
        footprint
    }

    fn labelled(rows: &[&str]) -> (Footprint, usize) {
        let mut footprint = picture(rows);
        let count = footprint.label(&mut Vec::new());
        (footprint, count)
    }

    #[test]
    fn islands_touch_by_sides_and_corners() {
        let (footprint, count) = labelled(&["## #", "  # ", "#   ", "#  #"]);
        assert_eq!(count, 3);
        let at = |x, y| footprint.at([x, y]);
        assert_eq!((at(0, 0), at(3, 0), at(2, 1), at(0, 2), at(3, 3)), (Some(0), Some(0), Some(0), Some(1), Some(2)));
        assert_eq!((at(2, 0), at(9, 0), at(0, 9)), (None, None, None));
        // A ring, and an island inside it.
        assert_eq!(labelled(&["#####", "#   #", "# # #", "#   #", "#####"]).1, 2);
        // Two arms that only meet at the far end.
        assert_eq!(labelled(&["# #", "# #", "###"]).1, 1);
    }

    #[test]
    fn overlaps_nearest_and_what_is_left_beside() {
        let (below, _) = labelled(&["##  ##", "##  ##"]);
        let (above, _) = labelled(&["######", "", "", "     #"]);
        let (mut overlaps, mut room) = (Vec::new(), Vec::new());
        above.overlaps(&below, [2, 2], &mut room, &mut overlaps);
        let pair = |below, cells| Overlap { above: 0, below, cells };
        assert_eq!(overlaps, [pair(0, 2), pair(1, 2)]);
        let mut nearest = [None; 2];
        above.nearest(&below, 2, |label| label == 1, |_| true, &mut nearest);
        assert_eq!(nearest, [None, Some((4, 1))]);
        let mut joined = Footprint::default();
        above.over(&below, |label| Some(label + 2), &mut joined);
        let rows: Vec<Vec<(i16, i16, u32)>> =
            joined.rows().map(|(_, runs)| runs.iter().map(|r| (r.start, r.end, r.label)).collect()).collect();
        assert_eq!(rows[0], [(0, 5, 0)]);
        assert_eq!(rows[1], [(0, 1, 2), (4, 5, 3)]);
        assert_eq!(rows[3], [(5, 5, 1)]);
        // What has no name is left out.
        above.over(&below, |label| (label == 1).then_some(9), &mut joined);
        assert_eq!((joined.at([0, 1]), joined.at([4, 1]), joined.at([5, 3])), (None, Some(9), Some(1)));
    }

    proptest! {
        #[test]
        fn runs_do_what_cells_do(cells in prop::collection::vec(prop::bool::weighted(0.4), 144), older in prop::collection::vec(prop::bool::weighted(0.4), 144)) {
            let text = |cells: &[bool]| cells.chunks(12).map(|row| row.iter().map(|c| if *c { '#' } else { ' ' }).collect()).collect::<Vec<String>>();
            let refs = |rows: &[String]| labelled(&rows.iter().map(String::as_str).collect::<Vec<_>>());
            let ((upper, count), (lower, across)) = (refs(&text(&cells)), refs(&text(&older)));
            // Labels by flooding.
            let mut seen = vec![None; 144];
            let mut next = 0;
            for start in 0..144 {
                if !cells[start] || seen[start].is_some() { continue }
                let mut open = vec![start];
                while let Some(at) = open.pop() {
                    if seen[at].replace(next).is_some() { continue }
                    let (x, y) = (at as i32 % 12, at as i32 / 12);
                    for (dx, dy) in [(-1, -1), (0, -1), (1, -1), (-1, 0), (1, 0), (-1, 1), (0, 1), (1, 1)] {
                        let (x, y) = (x + dx, y + dy);
                        let to = (y * 12 + x) as usize;
                        if (0..12).contains(&x) && (0..12).contains(&y) && cells[to] && seen[to].is_none() { open.push(to) }
                    }
                }
                next += 1;
            }
            prop_assert_eq!(count, next as usize);
            let mut joined = Footprint::default();
            upper.over(&lower, |label| Some(label + 1000), &mut joined);
            let (mut overlaps, mut many) = (Vec::new(), Vec::new());
            upper.overlaps(&lower, [count, across], &mut Vec::new(), &mut overlaps);
            upper.many_overlaps(&lower, &mut many);
            prop_assert_eq!(&overlaps, &many);
            let mut shared = 0;
            for at in 0..144 {
                let cell = [at as i32 % 12, at as i32 / 12];
                prop_assert_eq!(upper.at(cell), seen[at]);
                let below = lower.at(cell).map(|label| label + 1000);
                prop_assert_eq!(joined.at(cell), upper.at(cell).or(below));
                shared += u64::from(cells[at] && older[at]);
            }
            prop_assert_eq!(overlaps.iter().map(|o| o.cells).sum::<u64>(), shared);
            let mut doubled = upper.clone();
            doubled.double();
            for at in 0..36 {
                let (x, y) = (at % 6, at / 6);
                let set = (0..4).any(|part| cells[(2 * y + part / 2) * 12 + 2 * x + part % 2]);
                prop_assert_eq!(doubled.at([x as i32, y as i32]).is_some(), set);
            }
        }
    }
}
