//! Follows the beads, and closes layer after layer.

use super::drawn::Drawn;
use super::joined::Joined;
use super::pace::Speeds;
use super::section::Section;
use super::standing::{Laid, Surface};
use super::{BeadSpeeds, Island, LayerRecord, Pace, SurveyAccount};
use crate::motion::Timing;
use crate::moves::arc::ArcPath;
use crate::moves::layers::{LEVEL_MM, LaidByOthers, PLAUSIBLE_MM, SAME_HEIGHT_MM};
use crate::moves::track::Track;
use crate::moves::{Kind, Move, Side};
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
/// Islands of a layer that are kept apart.
const MOST_ISLANDS: usize = 4096;
/// Most beads that wait to be laid together.
const MOST_JOINED: usize = 64;
/// Most beads that go on from each other and are taken at a time.
const STRETCH: usize = 64;

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
    drawn: Drawn,
    surface: Surface,
    open: Option<Open>,
    /// Beads that are still to be laid and go on from each other; more may be joined to the last of them.
    joined: Vec<Joined>,
    /// Room to work in: where the beads of a stretch end, mm.
    ends: Vec<[f64; 2]>,
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
    cells: Vec<u64>,
    account: SurveyAccount,
    speeds: BeadSpeeds,
}

impl Surveyor {
    /// A surveyor of an empty bed. `bore_mm`: bore of the nozzle, mm.
    pub fn new(bore_mm: f64) -> Self {
        let cell = (CELL_BORES * bore_mm).clamp(*CELL_MM.start(), *CELL_MM.end());
        Self {
            bore_mm,
            drawn: Drawn::new(cell, WIDEST_BORES * bore_mm),
            surface: Surface::default(),
            open: None,
            joined: Vec::new(),
            ends: Vec::new(),
            stated_mm: None,
            is_fresh: false,
            ground_mm: 0.0,
            levels: [0.0; 4],
            others: LaidByOthers::default(),
            wide: 0,
            sections: Vec::new(),
            cells: Vec::new(),
            account: SurveyAccount { cell_mm: cell, ..SurveyAccount::default() },
            speeds: BeadSpeeds::KEPT,
        }
    }

    /// The same where beads are held and slowed.
    #[must_use]
    pub fn within(self, speeds: BeadSpeeds) -> Self {
        Self { speeds, ..self }
    }

    /// Takes the moves of a block with their timings, one for each; layers that are finished are added to `done`.
    pub fn take(&mut self, moves: &[Move], timings: &[Timing], side: &Side, done: &mut Vec<LayerRecord>) {
        let mut track = Track::of(side);
        let mut arcs = side.arcs.iter();
        let mut heights = side.heights.as_slice();
        let mut index = 0;
        while let (Some(step), Some(timing)) = (moves.get(index), timings.get(index)) {
            while let Some(((_, height), rest)) = heights.split_first().filter(|(first, _)| first.0 <= index) {
                self.state(*height);
                heights = rest;
            }
            let arc = if step.has(Move::ARC) { arcs.next() } else { None };
            let (from, to) = track.next(step);
            let lays = step.lays();
            if lays {
                self.bead(step, timing, [from, to], arc, done);
            } else if step.has(Move::SCREW) {
                self.account.loose_volume_mm3 += step.melt;
            } else if step.kind == Kind::Bead {
                self.others.lay(to[2]);
            }
            match &mut self.open {
                Some(open) => {
                    open.record.time_s += timing.time;
                    if step.is_turn_alone() {
                        open.record.turns_s += timing.time;
                    }
                    if !lays {
                        add_pace(&mut open.record.travel_pace, step, timing, Speeds::KEPT);
                    }
                }
                None => self.account.before_s += timing.time,
            }
            index += 1;
            if lays {
                let end = heights.first().map_or(moves.len(), |first| first.0);
                let end = end.min(index.saturating_add(track.until_anchor()));
                let next = (moves.get(index..end).unwrap_or_default(), timings.get(index..).unwrap_or_default());
                index += self.go_on(next, &mut track);
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
        self.account.cell_mm = self.drawn.raster.cell_mm();
        self.account
    }

    /// A comment states the height of the beads to come. What is said before the first bead may hold for most layers
    /// and not for the first, whose height is that above the bed.
    fn state(&mut self, height: f64) {
        if PLAUSIBLE_MM.contains(&height) && self.open.is_some() {
            (self.stated_mm, self.is_fresh) = (Some(height), true);
        }
    }

    /// Takes beads that go on from the one before at its height and in its layer, up to the first move that does not; how
    /// many they are. There is no anchor between `moves`.
    ///
    /// None of them begins a layer or makes one higher, so that little has to be asked: most moves of a file are taken here.
    #[inline(never)]
    fn go_on(&mut self, (moves, timings): (&[Move], &[Timing]), track: &mut Track<'_>) -> usize {
        let (Some(open), Some(last)) = (&self.open, self.joined.last()) else { return 0 };
        if !last.ends_at(track.position()) {
            return 0;
        }
        let number = open.record.number;
        let goes_on = |step: &Move| step.layer == number && step.delta[2] == 0.0 && !step.has(Move::ARC) && step.lays();
        let mut count = 0;
        // Some at a time: each figure is followed through them in a loop of its own.
        for (moves, timings) in moves.chunks(STRETCH).zip(timings.chunks(STRETCH)) {
            let going = moves.iter().zip(timings).take_while(|(step, _)| goes_on(step)).count();
            let taken = moves.get(..going).unwrap_or_default();
            self.join(taken, track);
            if let Some(open) = &mut self.open {
                add_stretch(&mut open.record, taken, timings, &self.speeds);
            }
            count += going;
            if going < moves.len() {
                break;
            }
        }
        self.is_fresh &= count == 0;
        count
    }

    /// Joins level beads to those that are to be laid, from whose end they go on.
    fn join(&mut self, beads: &[Move], track: &mut Track<'_>) {
        let Some(Open { record, .. }) = &mut self.open else { return };
        self.ends.clear();
        self.ends.extend(beads.iter().map(|step| track.level(step)));
        let height_mm = self.stated_mm.unwrap_or(record.height_mm);
        // Of the cells to begin with: when the raster gets coarser depends on what is drawn by then.
        let off_mm = Joined::off_mm(self.account.cell_mm);
        let Some(mut last) = self.joined.pop() else { return };
        for (step, &to) in beads.iter().zip(&self.ends) {
            if !last.takes(step, to, height_mm, off_mm) {
                self.joined.push(last);
                last = last.next(step, to, height_mm);
                if self.joined.len() >= MOST_JOINED {
                    record.outside_mm3 = self.drawn.joined(&self.joined, record.outside_mm3);
                    self.joined.clear();
                }
            }
        }
        self.joined.push(last);
    }

    #[inline(never)]
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
        record.z_mm = record.z_mm.at_least(to[2]).at_least(from[2]);
        record.beads = record.beads.saturating_add(1);
        record.volume_mm3 += step.volume;
        record.bead_length_mm += step.length;
        add_execution(record, step, timing, &self.speeds);
        if joins {
            return;
        }
        let height_mm = self.stated_mm.unwrap_or(record.height_mm);
        match arc {
            None => {
                self.joined.push(Joined::of(step, [from, to], height_mm));
            }
            Some(arc) => {
                let laid = (step.volume, height_mm);
                record.outside_mm3 = self.drawn.arc(arc, laid, step.role, record.outside_mm3);
            }
        }
    }

    /// Whether a bead goes on straight from those to be laid, which then takes it in.
    fn joins(&mut self, step: &Move, [from, to]: [[f64; 3]; 2]) -> bool {
        let (Some(joined), Some(open)) = (self.joined.last_mut(), &self.open) else { return false };
        let height = self.stated_mm.unwrap_or(open.record.height_mm);
        let off = Joined::off_mm(self.account.cell_mm);
        let goes_on = step.layer == open.record.number && to[2] == from[2] && joined.ends_at(from);
        goes_on && joined.takes(step, [to[0], to[1]], height, off)
    }

    /// Lays the beads that were joined.
    fn lay_joined(&mut self) {
        if let Some(open) = &mut self.open {
            open.record.outside_mm3 = self.drawn.joined(&self.joined, open.record.outside_mm3);
        }
        self.joined.clear();
    }

    /// Begins a layer where the bead is the first of one.
    fn begin_layer(&mut self, step: &Move, [from, to]: [[f64; 3]; 2], done: &mut Vec<LayerRecord>) {
        let climb = to[2] - from[2];
        let begins = match &self.open {
            None => {
                self.drawn.about = [from[0], from[1]];
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
        let Some(end) = self.drawn.end else { return false };
        let near = |a: [f64; 2], reach: f64| (a[0] - from[0]).hypot(a[1] - from[1]) <= reach;
        let turn = climb / length * self.drawn.turn.length;
        near(end, 1e-3) && near(self.drawn.turn.from, self.bore_mm) && TURN_HEIGHTS.contains(&(turn / height))
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
        let seen =
            self.drawn.raster.cell(place).and_then(|cell| self.surface.base_at(cell, self.drawn.raster.doublings()));
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
        self.drawn.end = None;
    }

    /// Finishes the layer that is open; what follows needs its height.
    fn close(&mut self, done: &mut Vec<LayerRecord>) {
        self.lay_joined();
        let Some(open) = &mut self.open else { return };
        let mut record = std::mem::take(&mut open.record);
        let (base_mm, before_mm) = (open.base_mm, open.before_mm);
        (open.record.number, open.record.height_mm, open.record.storey) =
            (record.number, record.height_mm, record.storey);
        record.scattered_mm3 += self.drawn.islands(&mut self.sections);
        if self.sections.len() > MOST_ISLANDS {
            record.scattered_mm3 += self.keep_largest();
        }
        self.cells.clear();
        self.cells.resize(self.sections.len(), 0);
        self.drawn.footprint.count(&mut self.cells);
        let cell = self.drawn.raster.cell_mm();
        let laid = Laid {
            record: record.index,
            base_mm,
            height_mm: record.height_mm,
            cell_mm2: cell * cell,
            doublings: self.drawn.raster.doublings(),
        };
        let mut below = vec![(Vec::new(), f64::NEG_INFINITY); self.sections.len()];
        self.surface.footings(&self.drawn.footprint, &self.cells, laid, |label, footing, base_mm| {
            if let Some((stands_on, highest)) = below.get_mut(label as usize) {
                if footing.overlap_mm2 > 0.0 {
                    *highest = base_mm.max(*highest);
                }
                stands_on.push(footing);
            }
        });
        let (about, is_stated) = (self.drawn.about, self.stated_mm.is_some() || record.storey == 1);
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
        self.surface.lay(&mut self.drawn.footprint, &self.cells, laid, &mut record.open);
        self.drawn.raster.clear();
        self.wide = if width_mm >= WIDE_CELLS * cell { self.wide + 1 } else { 0 };
        if self.wide >= WIDE_LAYERS {
            self.drawn.raster.coarsen();
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
        self.drawn.footprint.relabel(|label| order.binary_search(&label).ok().map(|place| place as u32));
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

/// Adds beads and how they are executed to the record of their layer.
fn add_stretch(record: &mut LayerRecord, beads: &[Move], timings: &[Timing], speeds: &BeadSpeeds) {
    record.beads = record.beads.saturating_add(beads.len() as u32);
    for (step, timing) in beads.iter().zip(timings) {
        record.volume_mm3 += step.volume;
        record.bead_length_mm += step.length;
        record.time_s += timing.time;
    }
    for (step, timing) in beads.iter().zip(timings) {
        add_execution(record, step, timing, speeds);
    }
}

/// Adds how a bead is executed to the record of its layer.
#[inline(always)]
fn add_execution(record: &mut LayerRecord, step: &Move, timing: &Timing, speeds: &BeadSpeeds) {
    let pace = if step.role.is_perimeter() {
        record.perimeter_length_mm += step.length;
        &mut record.perimeter_pace
    } else {
        &mut record.bead_pace
    };
    add_pace(pace, step, timing, speeds.of(timing.top, step.volume / step.length));
    record.slowest_mm_s = record.slowest_mm_s.at_most(timing.top);
    record.fastest_mm_s = record.fastest_mm_s.at_least(timing.top);
}

/// Adds a move to those of its kind.
#[inline]
fn add_pace(pace: &mut Pace, step: &Move, timing: &Timing, speeds: Speeds) {
    let [x, y, _] = step.delta;
    let along = if step.has(Move::ARC) { [step.length; 2] } else { [x, y] };
    pace.add(step.length, along, timing, speeds);
}
