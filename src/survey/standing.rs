//! What stands so far, seen from above, as far as a new layer can stand on it.

use super::footprint::{Footprint, Overlap};
use super::{Footing, RECORDS_BELOW};
use crate::moves::layers::SAME_HEIGHT_MM;

/// Where nothing is right below, an island this many cells aside still is its footing: about one bead.
const NEAR_CELLS: i32 = 3;
/// What is left of an island beside the new layer goes on standing as long as that is at least this share of it: a
/// narrower rim of it is no place to stand on.
const LEAST_LEFT: f64 = 0.25;
/// What is covered goes on as a column of its own as long as this share of it is bare: less is mostly fill of lines apart,
/// on which the same part goes on.
const WIDE_OPEN: f64 = 0.5;
/// How many layer heights what is left beside goes on standing below the newest layer.
const LEFT_FOR_HEIGHTS: f64 = 2.5;
/// A lower footing beside a higher one counts when it carries at least this share of the island.
const LEAST_LOWER_SHARE: f64 = 0.05;

/// An island by its record and its place there.
type Key = (u32, u32);

/// An island that stands.
#[derive(Clone, Debug)]
struct Standing {
    key: Key,
    /// What it stands on itself.
    on: Vec<Key>,
    /// Height of its layer, and of its beads, mm.
    base_mm: f64,
    height_mm: f64,
    cells: u64,
    /// Those that nothing lies on so far.
    bare: u64,
}

/// The layer that is laid on it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Laid {
    /// Its record.
    pub record: u32,
    /// Height it was begun at, mm.
    pub base_mm: f64,
    /// Its own height, mm.
    pub height_mm: f64,
    /// Area of a cell, mm².
    pub cell_mm2: f64,
    /// How often cells have become twice as large.
    pub doublings: u32,
}

/// The surface so far: the last layer, and beside it what was laid shortly before at other heights.
#[derive(Debug, Default)]
pub(super) struct Surface {
    footprint: Footprint,
    islands: Vec<Standing>,
    doublings: u32,
    // Room to work in.
    next: Footprint,
    overlaps: Vec<Overlap>,
    nearest: Vec<Option<(i32, u32)>>,
    left: Vec<u64>,
    /// Cells of what stands that the layer at hand covers, by label.
    covered: Vec<u64>,
    names: Vec<Option<u32>>,
    /// What the islands of the layer at hand stand on, by label.
    on: Vec<(u32, Key)>,
    group: Vec<(usize, u64)>,
    reached: Vec<Key>,
}

impl Surface {
    /// What stands is finished: the next layer stands on the bed.
    pub fn clear(&mut self) {
        self.footprint.clear();
        self.islands.clear();
    }

    /// Height at which what is seen at a cell was begun, mm; cells are as large as after so many doublings.
    pub fn base_at(&self, cell: [i32; 2], doublings: u32) -> Option<f64> {
        let finer = doublings.saturating_sub(self.doublings);
        let label = self.footprint.at(cell.map(|at| at << finer))?;
        self.islands.get(label as usize).map(|island| island.base_mm)
    }

    /// Gives each island of a layer what it stands on, through `found`, which gets the label of the island and the height
    /// at which that was begun, mm.
    pub fn footings(&mut self, layer: &Footprint, cells: &[u64], laid: Laid, mut found: impl FnMut(u32, Footing, f64)) {
        self.double(laid.doublings);
        let islands = &self.islands;
        let is_below = |label: u32| islands.get(label as usize).filter(|i| i.base_mm < laid.base_mm - SAME_HEIGHT_MM);
        let labels = [cells.len(), islands.len()];
        layer.overlaps(&self.footprint, labels, &mut self.left, &mut self.overlaps);
        self.covered.clear();
        self.covered.resize(islands.len(), 0);
        for overlap in &self.overlaps {
            if let Some(covered) = self.covered.get_mut(overlap.below as usize) {
                *covered += overlap.cells;
            }
        }
        self.overlaps.retain(|overlap| is_below(overlap.below).is_some());
        let mut rest = self.overlaps.as_slice();
        let mut has_footing = 0;
        self.on.clear();
        self.nearest.clear();
        self.nearest.resize(cells.len(), None);
        while let Some(first) = rest.first() {
            let (group, others) = rest.split_at(rest.partition_point(|overlap| overlap.above <= first.above));
            rest = others;
            self.group.clear();
            self.group.extend(group.iter().map(|overlap| (overlap.below as usize, overlap.cells)));
            let base = |index: usize| islands.get(index).map_or(f64::NEG_INFINITY, |island| island.base_mm);
            // Highest first: what a footing stands on itself is the same column, seen through its gaps.
            self.group.sort_by(|a, b| base(b.0).total_cmp(&base(a.0)));
            let highest = self.group.first().map_or(f64::NEG_INFINITY, |first| base(first.0));
            let own = cells.get(first.above as usize).copied().unwrap_or_default() as f64;
            self.reached.clear();
            for &(index, shared) in &self.group {
                let Some(island) = islands.get(index) else { continue };
                let is_lower = island.base_mm <= highest - SAME_HEIGHT_MM;
                let is_rim = (shared as f64) < LEAST_LOWER_SHARE * own;
                if !(is_lower && (is_rim || self.reached.contains(&island.key))) {
                    let overlap_mm2 = shared as f64 * laid.cell_mm2;
                    let (record, place) = island.key;
                    found(first.above, Footing { record, island: place, overlap_mm2 }, island.base_mm);
                    self.on.push((first.above, island.key));
                }
                if self.group.len() > 1 {
                    self.reached.extend_from_slice(&island.on);
                }
            }
            if let Some(place) = self.nearest.get_mut(first.above as usize) {
                // Marks that there is no need to look further.
                *place = Some((0, u32::MAX));
                has_footing += 1;
            }
        }
        if has_footing == cells.len() || islands.is_empty() {
            return;
        }
        self.left.clear();
        self.left.extend(self.nearest.iter().map(|place| u64::from(place.is_none())));
        let wants = |label: u32| self.left.get(label as usize) == Some(&1);
        let is_good = |label: u32| is_below(label).is_some();
        layer.nearest(&self.footprint, NEAR_CELLS, wants, is_good, &mut self.nearest);
        for (label, place) in self.nearest.iter().enumerate() {
            if let Some(island) = place.and_then(|(_, below)| islands.get(below as usize)) {
                let (record, place) = island.key;
                let footing = Footing { record, island: place, overlap_mm2: 0.0 };
                found(label as u32, footing, island.base_mm);
            }
        }
    }

    /// Makes cells as large as those of the layer.
    fn double(&mut self, doublings: u32) {
        if self.doublings == doublings {
            return;
        }
        (self.doublings..doublings).for_each(|_| self.footprint.double());
        self.doublings = doublings;
        self.left.clear();
        self.left.resize(self.islands.len(), 0);
        self.footprint.count(&mut self.left);
        for (island, cells) in self.islands.iter_mut().zip(&self.left) {
            (island.cells, island.bare) = (*cells, *cells);
        }
    }

    /// Lays the layer, whose footings were found just before, over what stands. What is left in `layer` is of no use.
    /// Islands that the layer covers in small part, and that others may still stand on, are added to `open`.
    pub fn lay(&mut self, layer: &mut Footprint, cells: &[u64], laid: Laid, open: &mut Vec<(u32, u32)>) {
        let before = std::mem::take(&mut self.islands);
        let new = |(label, &cells): (usize, &u64)| Standing {
            key: (laid.record, label as u32),
            on: Vec::new(),
            base_mm: laid.base_mm,
            height_mm: laid.height_mm,
            cells,
            bare: cells,
        };
        self.islands.extend(cells.iter().enumerate().map(new));
        for (label, key) in self.on.drain(..) {
            if let Some(island) = self.islands.get_mut(label as usize) {
                island.on.push(key);
            }
        }
        self.names.clear();
        for (mut island, covered) in before.into_iter().zip(&self.covered) {
            island.bare = island.bare.saturating_sub(*covered);
            let depth = laid.base_mm - island.base_mm;
            let stays = laid.record.saturating_sub(island.key.0) <= RECORDS_BELOW
                && island.bare as f64 >= (LEAST_LEFT * island.cells as f64).max(1.0)
                && depth <= LEFT_FOR_HEIGHTS * island.height_mm.max(laid.height_mm);
            self.names.push(stays.then_some(self.islands.len() as u32));
            if stays {
                if *covered > 0 && island.bare as f64 >= WIDE_OPEN * island.cells as f64 {
                    open.push(island.key);
                }
                self.islands.push(island);
            }
        }
        // Mostly a layer hides all below it but rims.
        if self.names.iter().all(Option::is_none) {
            std::mem::swap(&mut self.footprint, layer);
            return;
        }
        let names = &self.names;
        layer.over(&self.footprint, |label| names.get(label as usize).copied().flatten(), &mut self.next);
        std::mem::swap(&mut self.footprint, &mut self.next);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Layers up and down in turn, each at a place of its own, so that none ever hides another.
    #[test]
    fn what_stands_does_not_pile_up() {
        let mut surface = Surface::default();
        for record in 0..200_u32 {
            let (mut layer, mut parents) = (Footprint::default(), Vec::new());
            layer.row(record as i16);
            layer.run(0, 9);
            assert_eq!(layer.label(&mut parents), 1);
            let base_mm = if record % 2 == 0 { 0.4 } else { 0.2 };
            let laid = Laid { record, base_mm, height_mm: 0.2, cell_mm2: 0.25, doublings: 0 };
            surface.footings(&layer, &[10], laid, |_, _, _| {});
            surface.lay(&mut layer, &[10], laid, &mut Vec::new());
            assert!(surface.islands.len() <= RECORDS_BELOW as usize + 1, "{}", surface.islands.len());
            let mut cells = vec![0; surface.islands.len()];
            surface.footprint.count(&mut cells);
            assert_eq!(cells.iter().sum::<u64>(), 10 * cells.len() as u64);
        }
    }
}
