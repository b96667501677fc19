//! The beads of a layer as they are drawn: their cells, and their sums by chains.

use super::footprint::Footprint;
use super::joined::Joined;
use super::raster::Raster;
use super::section::{Rectangle, Section};
use crate::moves::Role;
use crate::moves::arc::ArcPath;

/// Chains of beads that are kept before those of one island are joined.
const MOST_CHAINS: usize = 1 << 14;
/// Longest chord of an arc by its angle, rad: second moments of a circle are then right within 0.02 %, see
/// [`Drawn::arc`].
const CHORD_RAD: f64 = 0.3;
/// Most chords of one arc.
const MOST_CHORDS: f64 = 4096.0;

/// Beads that follow each other without a gap, and so belong to one island.
#[derive(Clone, Copy, Debug)]
struct Chain {
    section: Section,
    /// A point on it, mm.
    place: [f64; 2],
}

/// Beads since the last gap.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Turn {
    /// Where they began, mm.
    pub from: [f64; 2],
    /// Their length, mm.
    pub length: f64,
}

/// What is drawn of a layer.
#[derive(Debug)]
pub(super) struct Drawn {
    pub raster: Raster,
    /// Its cells, once they are read.
    pub footprint: Footprint,
    chains: Vec<Chain>,
    chains_kept: usize,
    /// Where the last chain ends, if beads may go on from there, mm.
    pub end: Option<[f64; 2]>,
    pub turn: Turn,
    /// A point near all beads, mm.
    pub about: [f64; 2],
    /// Widest that a bead counts, mm.
    widest_mm: f64,
    // Room to work in.
    beads: Vec<Rectangle>,
    parents: Vec<u32>,
}

impl Drawn {
    /// Nothing yet. `cell_mm`: side of a cell, `widest_mm`: widest that a bead counts.
    pub fn new(cell_mm: f64, widest_mm: f64) -> Self {
        Self {
            raster: Raster::new(cell_mm),
            footprint: Footprint::default(),
            chains: Vec::new(),
            chains_kept: MOST_CHAINS,
            end: None,
            turn: Turn::default(),
            about: [0.0; 2],
            widest_mm,
            beads: Vec::new(),
            parents: Vec::new(),
        }
    }

    /// Lays beads that go on from each other; the volume that is too far out to be drawn, mm³, added to that of those before.
    pub fn joined(&mut self, joined: &[Joined], outside: f64) -> f64 {
        self.beads.clear();
        self.beads.extend(joined.iter().map(|joined| joined.rectangle(self.widest_mm)));
        let outside = self.lay(outside);
        if let (Some(end), Some(last)) = (&mut self.end, joined.last()) {
            *end = last.end();
        }
        outside
    }

    /// Lays an arc as chords; the volume that is too far out to be drawn, mm³, added to that of those before.
    pub fn arc(&mut self, arc: &ArcPath, (volume, height): (f64, f64), role: Role, outside: f64) -> f64 {
        let cell = self.raster.cell_mm();
        let (_, _, helix) = arc.plane.axes();
        let sweep = arc.arc.sweep.abs();
        let length = arc.arc.length(if helix == 2 { 0.0 } else { arc.to[helix] - arc.from[helix] });
        // A chord of this angle is a quarter of a cell off its arc at most; shorter than half a cell shows no more.
        let angle = (2.0 * cell / arc.arc.radius).sqrt().min(CHORD_RAD);
        let count = (sweep / angle).min(2.0 * length / cell).min(MOST_CHORDS).ceil().max(1.0);
        // A chord's middle lies inside its arc. Its ends are put as far outside that the mean square of the distance from
        // the centre is that of the arc, but for terms of the fourth power: cos²(t / 2) (1 + t² / 12)² + t² / 12 = 1.
        let turn = sweep / count;
        let out = if helix == 2 { turn * turn / 12.0 } else { 0.0 };
        let [cx, cy] = arc.arc.centre;
        let point = |share: f64| {
            let [x, y, _] = arc.point(share);
            [x + (x - cx) * out, y + (y - cy) * out]
        };
        let mut from = point(0.0);
        self.beads.clear();
        for index in 1..=count as u32 {
            let to = point(f64::from(index) / count);
            let ends = [from, to];
            // In an upright plane only what is seen from above counts.
            let seen = (helix == 2).then_some(length / count);
            self.beads.push(Rectangle::new(ends, seen, (volume / count, height), self.widest_mm, role));
            from = to;
        }
        self.lay(outside)
    }

    /// Lays the straight `beads`, which go on from each other; the volume that is too far out to be drawn, mm³, added to that of
    /// those before one by one, so that it does not depend on how many are laid at a time.
    ///
    /// Each step goes through all of them in a loop of its own: what one bead comes to does not wait for the cells of the
    /// one before.
    fn lay(&mut self, mut outside: f64) -> f64 {
        let beads = std::mem::take(&mut self.beads);
        let mut rest = beads.as_slice();
        while !rest.is_empty() {
            let (drawn, others) = rest.split_at(self.raster.draw(rest));
            self.sum(drawn);
            rest = others;
            if let Some((bead, others)) = rest.split_first() {
                self.end = None;
                outside += bead.volume;
                rest = others;
            }
        }
        self.beads = beads;
        outside
    }

    /// Adds beads that were drawn and go on from each other to the last chain, or begins one with them.
    fn sum(&mut self, beads: &[Rectangle]) {
        let (Some(&Rectangle { from, to, .. }), Some(last)) = (beads.first(), beads.last()) else { return };
        let reach = 0.25 * self.raster.cell_mm();
        let goes_on = self.end.is_some_and(|end| (end[0] - from[0]).abs() < reach && (end[1] - from[1]).abs() < reach);
        if !goes_on {
            if self.chains.len() >= self.chains_kept {
                self.join_chains();
            }
            self.turn = Turn { from, length: 0.0 };
            let place = [0.5 * (from[0] + to[0]), 0.5 * (from[1] + to[1])];
            self.chains.push(Chain { section: Section::EMPTY, place });
        }
        if let Some(chain) = self.chains.last_mut() {
            chain.section.add(beads, self.about);
        }
        self.turn.length = beads.iter().fold(self.turn.length, |sum, bead| sum + bead.length);
        self.end = Some(last.to);
    }

    /// Joins the chains that touch by now, so that their number follows that of the islands.
    fn join_chains(&mut self) {
        let count = self.label();
        let mut places: Vec<Option<usize>> = vec![None; count];
        let chains = std::mem::take(&mut self.chains);
        for chain in chains {
            let label = self.raster.cell(chain.place).and_then(|cell| self.footprint.at(cell));
            match label.and_then(|label| places.get_mut(label as usize)) {
                Some(Some(index)) => {
                    if let Some(kept) = self.chains.get_mut(*index) {
                        kept.section.join(&chain.section);
                    }
                }
                Some(place) => {
                    *place = Some(self.chains.len());
                    self.chains.push(chain);
                }
                None => self.chains.push(chain),
            }
        }
        self.chains_kept = MOST_CHAINS.max(2 * self.chains.len());
        // The last chain may have become part of an earlier one.
        self.end = None;
    }

    fn label(&mut self) -> usize {
        self.raster.read(&mut self.footprint);
        self.footprint.label(&mut self.parents)
    }

    /// Reads the islands, and sums the chains of each into `sections`; the volume that is in none, mm³.
    pub fn islands(&mut self, sections: &mut Vec<Section>) -> f64 {
        let count = match self.chains.as_slice() {
            // Beads that go on from each other touch: there is one island, whose label all runs have as they are read.
            [_] => {
                self.raster.read(&mut self.footprint);
                1
            }
            _ => self.label(),
        };
        sections.clear();
        sections.resize(count, Section::EMPTY);
        let mut scattered = 0.0;
        for chain in self.chains.drain(..) {
            let label = self.raster.cell(chain.place).and_then(|cell| self.footprint.at(cell));
            match label.and_then(|label| sections.get_mut(label as usize)) {
                Some(section) => section.join(&chain.section),
                None => scattered += chain.section.volume,
            }
        }
        self.chains_kept = MOST_CHAINS;
        scattered
    }
}
