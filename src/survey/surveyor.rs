//! Follows the beads, and closes layer after layer.

use super::footprint::Footprint;
use super::joined::Joined;
use super::raster::Raster;
use super::section::{Rectangle, Section};
use super::standing::{Laid, Surface};
use super::{Island, LayerRecord, Pace, SurveyAccount};
use crate::motion::Timing;
use crate::moves::arc::ArcPath;
use crate::moves::layers::{LEVEL_MM, LaidByOthers, PLAUSIBLE_MM, SAME_HEIGHT_MM};
use crate::moves::track::Track;
use crate::moves::{Kind, Move, Role, Side};
use crate::units::Bounded;

/// Side of a cell in bores of the nozzle: beads are a little wider than the bore.
const CELL_BORES: f64 = 0.5;
/// Sides that a cell may have at first, mm.
const CELL_MM: std::ops::RangeInclusive<f64> = 0.1..=2.0;
/// Cells become twice as large once the beads of so many layers in a row were on average so many cells wide: then they
/// are again half a bead. First layers alone are often wide.
const WIDE_LAYERS: u32 = 3;
const WIDE_CELLS: f64 = 4.0;
/// Widest that a bead counts, in bores: more than the face of a nozzle presses flat.
const WIDEST_BORES: f64 = 6.0;
/// Layer height where neither the height of the beads nor a comment gives one, in bores.
const GUESSED_HEIGHT_BORES: f64 = 0.5;
/// Where the height above the layer before is less than this share of its own height, and beads were then wider than its
/// beads by the factor that follows, the layer stands on one further down: a support and a part of other layer heights.
const LOW_SHARE: f64 = 0.75;
const TOO_WIDE: f64 = 1.6;
/// Heights that differ by less than this share are one height.
const SAME_SHARE: f64 = 0.05;
/// A spiral that has climbed so many layer heights without a new number has begun its next turn.
const CLIMBED_HEIGHTS: f64 = 1.5;
/// A spiral climbs so many layer heights a turn.
const TURN_HEIGHTS: std::ops::RangeInclusive<f64> = 0.5..=1.5;
/// A fall of so many layer heights begins the next object.
const FALL_HEIGHTS: f64 = 2.0;
/// Chains of beads that are kept before those of one island are joined.
const MOST_CHAINS: usize = 1 << 14;
/// Islands of a layer that are kept apart.
const MOST_ISLANDS: usize = 4096;
/// Longest chord of an arc by its angle, rad: second moments of a circle are then right within 0.02 %, see
/// [`Surveyor::arc`].
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
struct Turn {
    /// Where they began, mm.
    from: [f64; 2],
    /// Their length, mm.
    length: f64,
}

/// The layer being laid.
#[derive(Debug, Default)]
struct Open {
    record: LayerRecord,
    base_mm: f64,
    /// Height it stands on, mm.
    below_mm: f64,
    /// Mean width of its beads, mm, once it is closed.
    width_mm: f64,
    /// The same of the layer before, mm.
    before_mm: f64,
    /// It is a turn of a spiral, which ends at its height.
    spirals: bool,
}

/// Finds what stands where, one layer at a time.
#[derive(Debug)]
pub struct Surveyor {
    bore_mm: f64,
    raster: Raster,
    surface: Surface,
    open: Option<Open>,
    /// Beads that are still to be laid.
    joined: Option<Joined>,
    chains: Vec<Chain>,
    chains_kept: usize,
    /// Where the last chain ends, if beads may go on from there, mm.
    end: Option<[f64; 2]>,
    turn: Turn,
    /// A point near all beads, mm.
    about: [f64; 2],
    /// Height that a comment states for the beads to come, mm, and whether it was stated since the last bead.
    stated_mm: Option<f64>,
    is_fresh: bool,
    /// Height of the first layer of the object, mm.
    ground_mm: f64,
    /// Heights at which the last layers of the object were begun, the last one first; 0 is the bed, mm.
    levels: [f64; 4],
    others: LaidByOthers,
    /// Layers of wide beads in a row.
    wide: u32,
    sections: Vec<Section>,
    footprint: Footprint,
    parents: Vec<u32>,
    cells: Vec<u64>,
    account: SurveyAccount,
}

impl Surveyor {
    /// A surveyor of an empty bed. `bore_mm`: bore of the nozzle, mm.
    pub fn new(bore_mm: f64) -> Self {
        let cell = (CELL_BORES * bore_mm).clamp(*CELL_MM.start(), *CELL_MM.end());
        Self {
            bore_mm,
            raster: Raster::new(cell),
            surface: Surface::default(),
            open: None,
            joined: None,
            chains: Vec::new(),
            chains_kept: MOST_CHAINS,
            end: None,
            turn: Turn::default(),
            about: [0.0; 2],
            stated_mm: None,
            is_fresh: false,
            ground_mm: 0.0,
            levels: [0.0; 4],
            others: LaidByOthers::default(),
            wide: 0,
            sections: Vec::new(),
            footprint: Footprint::default(),
            parents: Vec::new(),
            cells: Vec::new(),
            account: SurveyAccount { cell_mm: cell, ..SurveyAccount::default() },
        }
    }

    /// Takes the moves of a block with their timings, one for each; layers that are finished are added to `done`.
    pub fn take(&mut self, moves: &[Move], timings: &[Timing], side: &Side, done: &mut Vec<LayerRecord>) {
        let mut track = Track::of(side);
        let mut arcs = side.arcs.iter();
        let mut heights = side.heights.as_slice();
        for (index, (step, timing)) in moves.iter().zip(timings).enumerate() {
            while let Some(((_, height), rest)) = heights.split_first().filter(|(first, _)| first.0 <= index) {
                self.state(*height);
                heights = rest;
            }
            let arc = if step.has(Move::ARC) { arcs.next() } else { None };
            let (from, to) = track.next(step);
            if step.has(Move::SCREW) {
                if step.lays() {
                    self.bead(step, timing, [from, to], arc, done);
                } else {
                    self.account.loose_volume_mm3 += step.melt;
                }
            } else if step.kind == Kind::Bead {
                self.others.lay(to[2]);
            }
            match &mut self.open {
                Some(open) => {
                    open.record.time_s += timing.time;
                    if !step.lays() {
                        add_pace(&mut open.record.travel_pace, step, timing);
                    }
                }
                None => self.account.before_s += timing.time,
            }
        }
        heights.iter().for_each(|(_, height)| self.state(*height));
    }

    /// Number and object of the layer being laid.
    pub fn at(&self) -> Option<(u32, u32)> {
        self.open.as_ref().map(|open| (open.record.number, open.record.object))
    }

    /// No more moves will come: the last layer is added to `done`.
    pub fn finish(mut self, done: &mut Vec<LayerRecord>) -> SurveyAccount {
        self.close(done);
        self.account.time_s += self.account.before_s;
        self.account.cell_mm = self.raster.cell_mm();
        self.account
    }

    /// A comment states the height of the beads to come. What is said before the first bead may hold for most layers
    /// and not for the first, whose height is that above the bed.
    fn state(&mut self, height: f64) {
        if PLAUSIBLE_MM.contains(&height) && self.open.is_some() {
            (self.stated_mm, self.is_fresh) = (Some(height), true);
        }
    }

    fn bead(
        &mut self,
        step: &Move,
        timing: &Timing,
        [from, to]: [[f64; 3]; 2],
        arc: Option<&ArcPath>,
        done: &mut Vec<LayerRecord>,
    ) {
        let joins = arc.is_none() && self.joins(step, [from, to]);
        if !joins {
            self.lay_joined();
            self.begin_layer(step, [from, to], done);
        }
        self.is_fresh = false;
        let Some(open) = &mut self.open else { return };
        let record = &mut open.record;
        let is_perimeter = step.role.is_perimeter();
        record.z_mm = record.z_mm.at_least(to[2]).at_least(from[2]);
        record.beads = record.beads.saturating_add(1);
        record.volume_mm3 += step.volume;
        record.bead_length_mm += step.length;
        if is_perimeter {
            add_pace(&mut record.perimeter_pace, step, timing);
            record.perimeter_length_mm += step.length;
        } else {
            add_pace(&mut record.bead_pace, step, timing);
        }
        record.slowest_mm_s = record.slowest_mm_s.at_most(timing.top);
        record.fastest_mm_s = record.fastest_mm_s.at_least(timing.top);
        if joins {
            return;
        }
        let height_mm = self.stated_mm.unwrap_or(record.height_mm);
        match arc {
            None => {
                self.joined = Some(Joined::of(step, [from, to], height_mm));
            }
            Some(arc) => self.arc(arc, (step.volume, height_mm), self.widest_mm(), step.role),
        }
    }

    /// Whether a bead goes on straight from those to be laid, which then takes it in.
    #[inline]
    fn joins(&mut self, step: &Move, path: [[f64; 3]; 2]) -> bool {
        let (Some(joined), Some(open)) = (&mut self.joined, &self.open) else { return false };
        let height = self.stated_mm.unwrap_or(open.record.height_mm);
        step.layer == open.record.number && joined.takes(step, path, height, self.raster.cell_mm())
    }

    /// Lays the beads that were joined.
    fn lay_joined(&mut self) {
        if let Some(joined) = self.joined.take() {
            self.lay(&joined.rectangle(self.widest_mm()));
            self.end = self.end.map(|_| joined.end());
        }
    }

    /// Widest that a bead counts, mm.
    fn widest_mm(&self) -> f64 {
        WIDEST_BORES * self.bore_mm
    }

    /// Begins a layer where the bead is the first of one.
    fn begin_layer(&mut self, step: &Move, [from, to]: [[f64; 3]; 2], done: &mut Vec<LayerRecord>) {
        let climb = to[2] - from[2];
        let begins = match &self.open {
            None => {
                self.about = [from[0], from[1]];
                Some((from[2].min(to[2]), false))
            }
            Some(open) => {
                let height = open.record.height_mm;
                let climbs = climb > LEVEL_MM && climb < height;
                let next = open.base_mm + height;
                let is_level = !open.spirals && (from[2] - open.base_mm).abs() <= SAME_HEIGHT_MM;
                if climbs && is_level && self.has_closed([from[0], from[1]], climb, step.length, height) {
                    // Behind a level turn: the climb is a layer of its own, however layers are counted.
                    Some((next, true))
                } else if step.layer != open.record.number {
                    Some(if open.spirals && climbs { (next, true) } else { (to[2], false) })
                } else {
                    // Heights are told from first beads, which differ by a little: a turn that the file marks is left
                    // whole.
                    let climbed = to[2] - open.base_mm + if open.spirals { height } else { 0.0 };
                    (climbs && climbed > CLIMBED_HEIGHTS * height).then_some((next, open.spirals))
                }
            }
        };
        if let Some((base, spirals)) = begins {
            self.close(done);
            self.begin(step.layer, base, step.volume / step.length, [0, 1].map(|axis| 0.5 * (from[axis] + to[axis])));
            self.open.iter_mut().for_each(|open| open.spirals = spirals);
        }
    }

    /// Whether beads have come back to where they began, a place in the plane, and the next one climbs a height once round.
    fn has_closed(&self, from: [f64; 2], climb: f64, length: f64, height: f64) -> bool {
        let Some(end) = self.end else { return false };
        let near = |a: [f64; 2], reach: f64| (a[0] - from[0]).hypot(a[1] - from[1]) <= reach;
        let turn = climb / length * self.turn.length;
        near(end, 1e-3) && near(self.turn.from, self.bore_mm) && TURN_HEIGHTS.contains(&(turn / height))
    }

    /// Lays an arc as chords.
    fn arc(&mut self, arc: &ArcPath, (volume, height): (f64, f64), widest: f64, role: Role) {
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
        for index in 1..=count as u32 {
            let to = point(f64::from(index) / count);
            let ends = [from, to];
            // In an upright plane only what is seen from above counts.
            let seen = (helix == 2).then_some(length / count);
            self.lay(&Rectangle::new(ends, seen, (volume / count, height), widest, role));
            from = to;
        }
    }

    /// Lays one straight bead.
    fn lay(&mut self, bead: &Rectangle) {
        let (from, to) = (bead.from, bead.to);
        if !self.raster.draw([from, to], bead.along, bead.span, bead.width) {
            self.end = None;
            if let Some(open) = &mut self.open {
                open.record.outside_mm3 += bead.volume;
            }
            return;
        }
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
            chain.section.add(bead, self.about);
        }
        self.turn.length += bead.length;
        self.end = Some(to);
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

    /// Begins a layer at a height, mm, with a bead of this area, mm², and with its middle at `place`, mm.
    fn begin(&mut self, number: u32, base: f64, area: f64, place: [f64; 2]) {
        if !self.is_fresh {
            self.stated_mm = None;
        }
        let before = self.open.take();
        if before.is_none() {
            self.account.objects = 1;
        }
        let mut below = 0.0;
        let (mut storey, mut guess) = (1, GUESSED_HEIGHT_BORES * self.bore_mm);
        if let Some(Open { record, base_mm, below_mm, .. }) = &before {
            guess = record.height_mm;
            if base < base_mm - FALL_HEIGHTS * record.height_mm {
                // The next object; beads before the first layer are none.
                self.account.objects += u32::from(record.number > 0);
                self.surface.clear();
                self.levels = [0.0; 4];
            } else if base > base_mm + SAME_HEIGHT_MM {
                (below, storey) = (*base_mm, record.storey.saturating_add(1));
            } else if base > below_mm + SAME_HEIGHT_MM {
                // Beside the layer before, or a little lower.
                (below, storey) = (*below_mm, record.storey);
            }
        }
        let below = below.at_least(self.others.below(base));
        if storey == 1 {
            self.ground_mm = base;
        }
        let mut height = Some(base - below).filter(|height| PLAUSIBLE_MM.contains(height)).unwrap_or(guess);
        let width = before.as_ref().map_or(0.0, |open| open.width_mm);
        let off = |height: f64| (area / (height * width)).ln().abs();
        // What is right below the bead tells, unless it is seen through a gap of the layer that is.
        let seen = self.raster.cell(place).and_then(|cell| self.surface.base_at(cell, self.raster.doublings()));
        let seen = seen.map(|below| base - below).filter(|height| storey > 1 && PLAUSIBLE_MM.contains(height));
        if let Some(seen) = seen.filter(|seen| width > 0.0 && off(*seen) < off(height)) {
            height = seen;
        } else if storey > 1 && height < LOW_SHARE * guess && area > TOO_WIDE * width * height {
            let deeper = self.levels.iter().map(|level| base - level).filter(|height| PLAUSIBLE_MM.contains(height));
            height = deeper.fold(height, |best, next| if off(next) < off(best) { next } else { best });
        }
        if (base - self.levels[0]).abs() > SAME_HEIGHT_MM {
            self.levels.rotate_right(1);
            self.levels[0] = base;
        }
        let record = LayerRecord {
            index: self.account.records,
            number,
            object: self.account.objects,
            storey,
            z_mm: f64::NEG_INFINITY,
            height_mm: height,
            slowest_mm_s: f64::INFINITY,
            ..LayerRecord::default()
        };
        self.open =
            Some(Open { record, base_mm: base, below_mm: below, width_mm: 0.0, before_mm: width, spirals: false });
        self.account.records = self.account.records.saturating_add(1);
        self.end = None;
    }

    /// Finishes the layer that is open; what follows needs its height.
    fn close(&mut self, done: &mut Vec<LayerRecord>) {
        self.lay_joined();
        let Some(open) = &mut self.open else { return };
        let mut record = std::mem::take(&mut open.record);
        let (base_mm, before_mm) = (open.base_mm, open.before_mm);
        (open.record.number, open.record.height_mm, open.record.storey) =
            (record.number, record.height_mm, record.storey);
        let count = match self.chains.as_slice() {
            // Beads that go on from each other touch: there is one island, whose label all runs have as they are read.
            [_] => {
                self.raster.read(&mut self.footprint);
                1
            }
            _ => self.label(),
        };
        self.sections.clear();
        self.sections.resize(count, Section::EMPTY);
        for chain in self.chains.drain(..) {
            let label = self.raster.cell(chain.place).and_then(|cell| self.footprint.at(cell));
            match label.and_then(|label| self.sections.get_mut(label as usize)) {
                Some(section) => section.join(&chain.section),
                None => record.scattered_mm3 += chain.section.volume,
            }
        }
        self.chains_kept = MOST_CHAINS;
        if count > MOST_ISLANDS {
            record.scattered_mm3 += self.keep_largest();
        }
        self.cells.clear();
        self.cells.resize(self.sections.len(), 0);
        self.footprint.count(&mut self.cells);
        let cell = self.raster.cell_mm();
        let laid = Laid {
            record: record.index,
            base_mm,
            height_mm: record.height_mm,
            cell_mm2: cell * cell,
            doublings: self.raster.doublings(),
        };
        let mut below = vec![(Vec::new(), f64::NEG_INFINITY); self.sections.len()];
        self.surface.footings(&self.footprint, &self.cells, laid, |label, footing, base_mm| {
            if let Some((stands_on, highest)) = below.get_mut(label as usize) {
                if footing.overlap_mm2 > 0.0 {
                    *highest = base_mm.max(*highest);
                }
                stands_on.push(footing);
            }
        });
        let (about, is_stated) = (self.about, self.stated_mm.is_some() || record.storey == 1);
        let mut islands: Vec<Island> = Vec::with_capacity(below.len());
        for (section, (stands_on, highest)) in self.sections.iter().zip(below) {
            let own =
                if is_stated { None } else { own_height(section, record.height_mm, base_mm - highest, before_mm) };
            let height_mm = own.unwrap_or(record.height_mm);
            let section = own.map_or(*section, |own| section.widened(record.height_mm / own));
            islands.push(Island { height_mm, stands_on, ..section.island(about) });
        }
        // With thicker layers than the part, a support has its first layer beside the second of the part.
        let is_low = base_mm < 2.0 * self.ground_mm - SAME_HEIGHT_MM;
        for island in &mut islands {
            let carried = island.stands_on.iter().any(|footing| footing.overlap_mm2 > 0.0);
            island.on_bed = record.storey == 1 || is_low && !carried;
            if island.on_bed {
                island.stands_on.clear();
            }
        }
        let sum = |value: fn(&Island) -> f64| islands.iter().map(value).sum::<f64>();
        let width_mm = sum(|island| island.area_mm2) / sum(|island| island.bead_length_mm).max(f64::MIN_POSITIVE);
        if let Some(open) = &mut self.open {
            open.width_mm = width_mm;
        }
        self.surface.lay(&mut self.footprint, &self.cells, laid, &mut record.open);
        self.raster.clear();
        self.wide = if width_mm >= WIDE_CELLS * cell { self.wide + 1 } else { 0 };
        if self.wide >= WIDE_LAYERS {
            self.raster.coarsen();
            self.wide = 0;
        }
        record.islands = islands;
        self.account.bead_volume_mm3 += record.volume_mm3;
        self.account.outside_mm3 += record.outside_mm3;
        self.account.scattered_mm3 += record.scattered_mm3;
        self.account.time_s += record.time_s;
        done.push(record);
    }

    /// Keeps the islands of largest volume apart; returns the volume of the others, mm³.
    fn keep_largest(&mut self) -> f64 {
        let volume = |label: &u32| self.sections.get(*label as usize).map_or(0.0, |section| section.volume);
        let mut order: Vec<u32> = (0..self.sections.len() as u32).collect();
        order.sort_by(|a, b| volume(b).total_cmp(&volume(a)).then(a.cmp(b)));
        let others = order.split_off(MOST_ISLANDS.min(order.len()));
        let left_out = others.iter().map(volume).sum();
        order.sort_unstable();
        self.footprint.relabel(|label| order.binary_search(&label).ok().map(|place| place as u32));
        self.sections = order.iter().filter_map(|label| self.sections.get(*label as usize).copied()).collect();
        left_out
    }
}

/// Height of beads that stand on something lower than the layer before, mm, where they are then about as wide as those of
/// that layer: a part and its support that are laid at one height with layers of their own.
///
/// `height_mm`: of the layer; `above_mm`: how far it is above what they stand on; `width_mm`: of beads of the layer before.
fn own_height(section: &Section, height_mm: f64, above_mm: f64, width_mm: f64) -> Option<f64> {
    let scale = height_mm / above_mm;
    let off = |width: f64| (width / width_mm).ln().abs();
    let differs = PLAUSIBLE_MM.contains(&above_mm) && (scale - 1.0).abs() > SAME_SHARE && width_mm > 0.0;
    (differs && off(section.bead_width() * scale) < off(section.bead_width())).then_some(above_mm)
}

/// Adds a move to those of its kind.
fn add_pace(pace: &mut Pace, step: &Move, timing: &Timing) {
    let [x, y, _] = step.delta;
    let along = if step.has(Move::ARC) { [step.length; 2] } else { [x, y] };
    pace.add(step.length, along, timing);
}
