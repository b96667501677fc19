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

    /// Ends the row begun last: one without cells is none.
    pub fn end_row(&mut self) {
        self.heads.pop_if(|head| head.1 as usize == self.runs.len());
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
        let ends = self.heads.iter().skip(1).map(|head| head.1).chain([self.runs.len() as u32]);
        let mut rest = self.runs.as_mut_slice();
        let (mut before, mut lower): (i32, &[Run]) = (i32::MIN, &[]);
        for (&(row, begin), end) in self.heads.iter().zip(ends) {
            let row = i32::from(row);
            let Some((upper, others)) = rest.split_at_mut_checked((end - begin) as usize) else { break };
            label_row(if before + 1 == row { lower } else { &[] }, upper, parents);
            (before, lower, rest) = (row, upper, others);
        }
        // Sets that were joined belong to an earlier one, whose label is there already.
        let sets = parents.len();
        let mut count = 0;
        for set in 0..sets {
            let parent = parents.get(set).map_or(set, |parent| *parent as usize);
            let label = if parent == set { count } else { parents.get(parent).copied().unwrap_or(0) };
            count += u32::from(parent == set);
            if let Some(place) = parents.get_mut(set) {
                *place = label;
            }
        }
        if (count as usize) < sets {
            for run in &mut self.runs {
                run.label = parents.get(run.label as usize).copied().unwrap_or(0);
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
                _ => out.push(Overlap { above: high.label, below: low.label, cells }),
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

/// The runs of a row that reach into columns `from..=to`. Those that end before are taken off the row: what it is
/// asked for next begins further right.
#[inline(always)]
fn within<'a>(row: &mut &'a [Run], from: i32, to: i32) -> impl Iterator<Item = &'a Run> {
    while let Some((_, others)) = row.split_first().filter(|(first, _)| i32::from(first.end) < from) {
        *row = others;
    }
    row.iter().take_while(move |run| i32::from(run.start) <= to)
}

/// Shows the runs of two rows that share cells, with their number.
#[inline(always)]
fn shared(upper: &[Run], mut lower: &[Run], mut see: impl FnMut(&Run, &Run, u64)) {
    for high in upper {
        for low in within(&mut lower, high.start.into(), high.end.into()) {
            let (start, end) = (high.start.max(low.start), high.end.min(low.end));
            see(high, low, (i32::from(end) - i32::from(start) + 1) as u64);
        }
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

/// Gives each run of a row the set of those that it touches in the row below, along sides or corners, or a new one.
/// The sets that it joins so belong to the first of them, as `parents` has it.
fn label_row(mut lower: &[Run], upper: &mut [Run], parents: &mut Vec<u32>) {
    for run in upper {
        let mut set = None;
        for low in within(&mut lower, i32::from(run.start) - 1, i32::from(run.end) + 1) {
            let own = root(parents, low.label);
            set = Some(set.map_or(own, |set| join(parents, set, own)));
        }
        run.label = set.unwrap_or_else(|| {
            let new = parents.len() as u32;
            parents.push(new);
            new
        });
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

/// The first of the sets that one belongs to; ways are halved on the way.
fn root(parents: &mut [u32], mut set: u32) -> u32 {
    while let Some(&parent) = parents.get(set as usize) {
        if parent == set {
            break;
        }
        let above = parents.get(parent as usize).copied().unwrap_or(parent);
        if let Some(place) = parents.get_mut(set as usize) {
            *place = above;
        }
        set = above;
    }
    set
}

/// Joins two sets, each the first of its own; the earlier one, which stays.
fn join(parents: &mut [u32], a: u32, b: u32) -> u32 {
    if let Some(place) = parents.get_mut(a.max(b) as usize) {
        *place = a.min(b);
    }
    a.min(b)
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
