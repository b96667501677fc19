//! From layers as they are laid to what the part bears.

use std::collections::{BTreeMap, HashMap};

use super::bands::{Band, keep_least, keep_most};
use super::section::{against_bending, give, is_thin_walled, least_moment};
use super::terms::Terms;
use super::{KnownLimits, LayerLimits, Slowest, SoftPlan, Trouble, Warning};
use crate::physics::buckling::Tower;
use crate::physics::column::Solid;
use crate::physics::drag;
use crate::physics::stand::{Footing, Response, Stand};
use crate::physics::sway::Limit;
use crate::survey::{Footing as On, Island, LayerRecord, Pace, RECORDS_BELOW};

/// Where a layer has more islands, the column under each is kept in so few sections, for want of memory.
const MANY_ISLANDS: usize = 64;
const FEW_SECTIONS: usize = 15;
/// The weight is judged again when a column that carries less than so many times its weight has grown by this share.
/// In between it is taken to carry as a prism does, the less by the cube of its height: the figure of what stands safely
/// may be off by a little, and no reader needs that of what carries a hundred times its weight.
const GROWN: [(f64, f64); 3] = [(3.0, 0.002), (150.0, 0.05), (f64::INFINITY, 0.3)];
/// A column carries less than this many times its own weight: reported. Creep and warmth are not in the figure.
const LEAST_WEIGHT_FACTOR: f64 = 1.5;
/// Heights are told apart to this part of a millimetre for cooling.
const HEIGHT_PARTS: f64 = 1000.0;
/// Heights whose times are kept.
const MOST_HEIGHTS: usize = 1 << 12;
/// An island stands well on what covers this share of its widest overlap.
const WELL: f64 = 0.2;
/// Walls that are higher than so many beads are wide give way by themselves.
const TALL_WALL: f64 = 10.0;
/// An island with more than this share of loops and towers is no part.
const APART: f64 = 0.5;

/// A column that is followed.
#[derive(Clone, Debug)]
struct Followed {
    /// Which island of which layer it ends in.
    record: u32,
    island: u32,
    tower: Option<Box<Weight>>,
}

/// What stands on an island of the layer below.
#[derive(Clone, Copy, Debug, Default)]
struct Carried {
    /// How many islands, or parts that may still be built on.
    islands: u32,
    /// Over what area, mm².
    overlap_mm2: f64,
}

/// Least that a slice of a column counts, see [`Weight::counts`].
const LEAST_COUNTS: f64 = 1e-3;

/// A column and how well it carries itself.
#[derive(Clone, Debug)]
struct Weight {
    tower: Tower,
    /// How many times itself what is laid on the column counts. Where parts join, each leg carries its share of what stands on
    /// all of them; where they part, a branch comes with its sisters, since all stand on one trunk.
    counts: f64,
    /// Height when it was last judged, mm, and what was found.
    judged_mm: f64,
    judged_factor: f64,
}

impl Default for Weight {
    fn default() -> Self {
        Self { tower: Tower::default(), counts: 1.0, judged_mm: 0.0, judged_factor: 0.0 }
    }
}

impl Weight {
    /// How many times its weight the column carries, as it is now.
    fn factor(&self) -> f64 {
        let ratio = self.judged_mm / self.tower.height_mm();
        self.judged_factor * ratio * ratio * ratio
    }

    /// Judges it again if it has grown enough since.
    fn judge(&mut self, solid: &Solid) {
        let (height, factor) = (self.tower.height_mm(), self.factor());
        let grown = GROWN.iter().find(|(most, _)| factor < *most).map_or(0.0, |(_, grown)| *grown);
        if height > self.judged_mm * (1.0 + grown) || self.judged_mm == 0.0 {
            (self.judged_mm, self.judged_factor) = (height, self.tower.critical_factor(solid));
        }
    }
}

/// What one layer, by number, adds up to.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    number: u32,
    time_s: f64,
    turns_s: f64,
    /// Of beads that are no perimeters, of perimeters, and of moves that lay nothing.
    others: Pace,
    perimeters: Pace,
    travels: Pace,
    least_s: f64,
}

/// Follows a survey and plans; see the module.
#[derive(Debug)]
pub struct SoftPlanner {
    terms: Terms,
    stand: Stand,
    object: u32,
    /// Beads so far.
    beads: u64,
    followed: Vec<Followed>,
    /// Place of each by its record and island.
    places: HashMap<(u32, u32), u32>,
    plan: SoftPlan,
    sums: Sums,
    open: Band,
    limits: LayerLimits,
    /// Least time of the last record, s.
    last_least_s: f64,
    /// Least times by height in parts of a millimetre, s.
    cooled: BTreeMap<u32, f64>,
    /// Least and largest X and Y of all that is laid, mm.
    extent: [f64; 4],
}

impl SoftPlanner {
    /// An empty bed.
    pub fn new(terms: Terms) -> Self {
        let low = terms.solid.modulus().as_mpa();
        let [middle, high] = terms.band;
        let plan = SoftPlan { modulus_mpa: [low, low * middle, low * high], moves: terms.moves, ..SoftPlan::default() };
        Self {
            stand: Stand::new(terms.solid),
            terms,
            object: 0,
            beads: 0,
            followed: Vec::new(),
            places: HashMap::new(),
            plan,
            sums: Sums::default(),
            open: Band::default(),
            limits: LayerLimits::FREE,
            last_least_s: 0.0,
            cooled: BTreeMap::new(),
            extent: [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY],
        }
    }

    /// Limits of the layers that are finished.
    pub fn limits(&self) -> &KnownLimits {
        &self.plan.limits
    }

    /// Number of the layer at hand: all before it are finished.
    pub fn layer(&self) -> u32 {
        self.sums.number
    }

    /// Drops the limits of layers before `layer`: nobody asks for them any more.
    pub fn forget_before(&mut self, layer: u32) {
        self.plan.limits.forget_before(layer);
    }

    /// The layer of this number and object is begun.
    pub fn begin(&mut self, number: u32, object: u32) {
        if number != self.sums.number {
            self.close(object != self.object);
            self.sums.number = number;
        }
    }

    /// Takes the next layer.
    pub fn take(&mut self, record: &LayerRecord) {
        self.begin(record.number, record.object);
        if record.object != self.object {
            // What stands finished beside it bears the same motion, but nothing is laid on it any more.
            self.object = record.object;
            self.stand = Stand::new(self.terms.solid);
            self.followed.clear();
            self.places.clear();
        }
        self.beads += u64::from(record.beads);
        let thickest = record.islands.iter().map(|island| island.height_mm).fold(record.height_mm, f64::max);
        self.last_least_s = self.cooled_s(thickest);
        let sums = &mut self.sums;
        sums.time_s += record.time_s;
        sums.turns_s += record.turns_s;
        sums.others = sums.others.and(&record.bead_pace);
        sums.perimeters = sums.perimeters.and(&record.perimeter_pace);
        sums.travels = sums.travels.and(&record.travel_pace);
        sums.least_s += self.last_least_s;
        self.open.z_mm = self.open.z_mm.max(record.z_mm);
        self.open.islands = self.open.islands.max(record.islands.len() as u32);
        for island in &record.islands {
            let ([low_x, low_y], [high_x, high_y]) = (island.low_mm, island.high_mm);
            let [x, y, most_x, most_y] = self.extent;
            self.extent = [x.min(low_x), y.min(low_y), most_x.max(high_x), most_y.max(high_y)];
        }
        if record.islands.is_empty() || record.height_mm <= 0.0 {
            return;
        }
        self.lay(record);
    }

    /// Least time of a layer of this height, s. Heights are sums of what files write, so they differ in the last digits.
    fn cooled_s(&mut self, height_mm: f64) -> f64 {
        let parts = (height_mm * HEIGHT_PARTS).round().clamp(0.0, f64::from(u32::MAX)) as u32;
        if self.cooled.len() >= MOST_HEIGHTS {
            self.cooled.clear();
        }
        let terms = &self.terms;
        *self.cooled.entry(parts).or_insert_with(|| terms.least_time_s(f64::from(parts) / HEIGHT_PARTS))
    }

    /// Lays a layer on the stand and takes the limits of its islands.
    fn lay(&mut self, record: &LayerRecord) {
        let on = |island: &Island| island.stands_on.iter().filter_map(|on| self.place_of(on)).collect();
        let stands_on: Vec<Vec<u32>> = record.islands.iter().map(on).collect();
        let mut covered = vec![false; self.followed.len()];
        for on in stands_on.iter().flatten() {
            if let Some(covered) = covered.get_mut(*on as usize) {
                *covered = true;
            }
        }
        // Something else may stand beside what is laid on them: a part and its support on one raft.
        let open: Vec<u32> = record.open.iter().filter_map(|key| self.places.get(key).copied()).collect();
        let stays: Vec<u32> = (0..self.followed.len() as u32)
            .filter(|index| {
                let place = *index as usize;
                let is_recent = |f: &Followed| record.index.saturating_sub(f.record) <= RECORDS_BELOW;
                covered.get(place) == Some(&false) && self.followed.get(place).is_some_and(is_recent)
                    || open.contains(index)
            })
            .collect();
        let laid = record.islands.iter().zip(&stands_on).map(|(island, on)| Footing {
            area_mm2: island.area_mm2,
            second_moment_x_mm4: against_bending(island.iyy_mm4, island.ixx_mm4, island.ixy_mm4),
            second_moment_y_mm4: against_bending(island.ixx_mm4, island.iyy_mm4, island.ixy_mm4),
            shear_factor: self.terms.shear_factor,
            on,
            is_laid: true,
            height_mm: Some(island.height_mm),
        });
        let kept = stays.iter().map(|on| Footing {
            area_mm2: 1.0,
            second_moment_x_mm4: 1.0,
            second_moment_y_mm4: 1.0,
            shear_factor: self.terms.shear_factor,
            on: std::slice::from_ref(on),
            is_laid: false,
            height_mm: None,
        });
        let footings: Vec<Footing<'_>> = laid.chain(kept).collect();
        let responses: Vec<Response> = match self.stand.layer(record.height_mm, &footings) {
            Ok(responses) => responses.to_vec(),
            // Beads of no extent: they bear nothing and bound nothing.
            Err(_) => return,
        };
        // A column that one island alone goes on with is not copied.
        let mut carried = vec![Carried::default(); self.followed.len()];
        for on in stands_on.iter().flatten().chain(&open) {
            if let Some(carried) = carried.get_mut(*on as usize) {
                carried.islands += 1;
            }
        }
        for on in record.islands.iter().flat_map(|island| &island.stands_on) {
            if let Some(carried) = self.place_of(on).and_then(|place| carried.get_mut(place as usize)) {
                carried.overlap_mm2 += on.overlap_mm2;
            }
        }
        let mut followed = Vec::with_capacity(footings.len());
        for (index, (island, on)) in record.islands.iter().zip(&stands_on).enumerate() {
            let tower = self.weigh(record, island, on, &carried);
            followed.push(Followed { record: record.index, island: index as u32, tower });
        }
        for index in stays {
            let stays = self.followed.get_mut(index as usize);
            followed.extend(stays.map(|followed| Followed { tower: followed.tower.take(), ..*followed }));
        }
        let places = followed.iter().zip(0..).map(|(f, place)| ((f.record, f.island), place));
        self.places = places.collect();
        self.followed = followed;
        for (island, response) in record.islands.iter().zip(&responses) {
            if is_part(island) {
                self.limit(record, island, response);
                if is_thin_walled(island) && response.height_mm > TALL_WALL * island.bead_width_mm {
                    self.warn(record, Trouble::ThinWalled);
                }
            }
        }
    }

    /// Place among the columns that are followed of what an island stands on.
    fn place_of(&self, on: &On) -> Option<u32> {
        self.places.get(&(on.record, on.island)).copied()
    }

    /// The column under an island with the island on it, and how well it carries itself.
    ///
    /// `on`: places of what it stands on; `carried`: what stands on each place.
    fn weigh(&mut self, record: &LayerRecord, island: &Island, on: &[u32], carried: &[Carried]) -> Option<Box<Weight>> {
        // Of what it well stands on, the strongest holds it.
        let widest = island.stands_on.iter().map(|on| on.overlap_mm2).fold(0.0, f64::max);
        let well = island.stands_on.iter().filter(|on| on.overlap_mm2 >= WELL * widest);
        let factor = |place: u32| Some((place, self.followed.get(place as usize)?.tower.as_ref()?.factor()));
        let strongest = well.filter_map(|on| factor(self.place_of(on)?)).max_by(|a, b| a.1.total_cmp(&b.1));
        let mut weight = match strongest.map(|(place, _)| place as usize) {
            Some(place) => {
                let Carried { islands, overlap_mm2 } = *carried.get(place)?;
                let tower = &mut self.followed.get_mut(place)?.tower;
                let mut weight = if islands == 1 { tower.take() } else { tower.clone() }?;
                // All that stands on it, over all that this island stands on.
                let own_mm2: f64 = island.stands_on.iter().map(|on| on.overlap_mm2).sum();
                if own_mm2 > 0.0 && overlap_mm2 > 0.0 {
                    weight.counts = (weight.counts * overlap_mm2 / own_mm2).clamp(LEAST_COUNTS, 1.0 / LEAST_COUNTS);
                }
                weight
            }
            None if on.is_empty() && island.on_bed => Box::default(),
            None => return None,
        };
        let least = least_moment(island.ixx_mm4, island.iyy_mm4, island.ixy_mm4);
        let counts = weight.counts;
        weight.tower.grow(island.height_mm, counts * island.area_mm2, counts * least).ok()?;
        if record.islands.len() > MANY_ISLANDS {
            weight.tower.coarsen(FEW_SECTIONS);
        }
        weight.judge(&self.terms.solid);
        if is_part(island) {
            let factor = weight.factor();
            keep_least(&mut self.open.weight_factor, Some(factor));
            if factor < LEAST_WEIGHT_FACTOR {
                self.warn(record, Trouble::TooHeavy { factor });
            }
        }
        Some(weight)
    }

    /// Takes the limits of an island into those of its layer.
    fn limit(&mut self, record: &LayerRecord, island: &Island, response: &Response) {
        let terms = &self.terms;
        let width = island.bead_width_mm;
        let allowed = terms.share * width;
        let mut bears = [None; 2];
        for (axis, sway) in [response.x, response.y].into_iter().enumerate() {
            if !terms.moves[axis] {
                continue;
            }
            let Ok(limit) = Limit::of(allowed, terms.factor, sway.per_accel, sway.frequency_hz) else { continue };
            keep_most(&mut self.open.sway_mm, Some(terms.factor * sway.per_accel * terms.accel_mm_s2));
            keep_least(&mut self.open.frequency_hz, Some(sway.frequency_hz));
            bears[axis] = Some(limit);
        }
        let give = give(island, [response.x.give_mm_per_n, response.y.give_mm_per_n]);
        if let Some(melt) = terms.melt {
            let face = width * (0.5 * terms.face_mm).max(0.0);
            let by = |speed: f64| drag::force_n(melt, speed, island.height_mm, face).map_or(0.0, |force| force * give);
            self.drag(record, by, allowed, || drag::speed_limit(melt, island.height_mm, face, give, allowed).ok());
        }
        let terms = &self.terms;
        let (least, is_lowered) = (terms.least_mm_s2, terms.lowers_corners);
        for (axis, limit) in bears.into_iter().enumerate() {
            let Some(Limit { accel_mm_s2, speed_step_mm_s }) = limit else { continue };
            let held = if axis == 0 { &mut self.open.accel_x_mm_s2 } else { &mut self.open.accel_y_mm_s2 };
            keep_least(held, Some(accel_mm_s2));
            self.limits.accel_mm_s2[axis] = self.limits.accel_mm_s2[axis].min(accel_mm_s2.max(least) as f32);
            if accel_mm_s2 < least {
                self.warn(record, Trouble::TooSoft { accel_mm_s2, least_mm_s2: least });
            }
            let step = &mut self.limits.step_mm_s[axis];
            *step = step.min(speed_step_mm_s as f32);
            let step_mm_s = self.terms.jump(axis, accel_mm_s2.max(least));
            if speed_step_mm_s < step_mm_s {
                self.warn(record, Trouble::Jolted { most_mm_s: speed_step_mm_s, step_mm_s, is_lowered });
            }
        }
    }

    /// Takes the drag of the nozzle on an island into the limits of its layer. `by`: how far it goes at a speed, mm;
    /// `bears`: speed at which that is what is allowed, mm/s.
    fn drag(
        &mut self,
        record: &LayerRecord,
        by: impl Fn(f64) -> f64,
        allowed_mm: f64,
        bears: impl Fn() -> Option<f64>,
    ) {
        let fastest = record.fastest_mm_s;
        let by_mm = by(fastest);
        keep_most(&mut self.open.drag_mm, Some(by_mm));
        let Some(bears_mm_s) = (by_mm > allowed_mm).then(bears).flatten().filter(|speed| speed.is_finite()) else {
            return;
        };
        let slowest_mm_s = self.terms.least_mm_s.min(fastest);
        let is_clamped = self.terms.clamp_drag;
        if is_clamped {
            self.limits.drag_mm_s = self.limits.drag_mm_s.min(bears_mm_s.max(slowest_mm_s) as f32);
        }
        let is_enough = bears_mm_s >= slowest_mm_s;
        if !(is_clamped && is_enough) {
            let slowest = (!is_enough).then(|| Slowest { speed_mm_s: slowest_mm_s, by_mm: by(slowest_mm_s) });
            let by_mm = slowest.filter(|_| is_clamped).map_or(by_mm, |slowest| slowest.by_mm);
            self.warn(record, Trouble::Dragged { by_mm, allowed_mm, bears_mm_s, slowest });
        }
    }

    /// Keeps where a trouble begins and how bad it gets.
    fn warn(&mut self, record: &LayerRecord, what: Trouble) {
        let same = |warning: &&mut Warning| warning.what.is_like(&what);
        match self.plan.warnings.iter_mut().find(same) {
            None => self.plan.warnings.push(Warning { layer: record.number, z_mm: record.z_mm, what }),
            Some(known) if what.weight() > known.what.weight() => known.what = what,
            Some(_) => {}
        }
    }

    /// Finishes the layer at hand. Nothing is laid on the last of an object: that has all the time there is.
    fn close(&mut self, is_last: bool) {
        let mut sums = std::mem::take(&mut self.sums);
        if is_last {
            sums.least_s = (sums.least_s - self.last_least_s).max(0.0);
        }
        let band = std::mem::take(&mut self.open);
        let mut limits = std::mem::replace(&mut self.limits, LayerLimits::FREE);
        if sums.number == 0 {
            return;
        }
        limits.least_s = sums.least_s as f32;
        self.plan.cools |= limits.least_s > 0.0;
        (limits.bead_share, limits.perimeter_share) = self.shares(&sums, limits.accel_mm_s2.map(f64::from));
        self.plan.bands.add(&Band {
            first_layer: sums.number,
            last_layer: sums.number,
            time_before_s: sums.time_s,
            least_time_s: sums.least_s,
            ..band
        });
        self.plan.limits.set(sums.number, limits);
    }

    /// Shares of their speed to which beads and perimeters are slowed so that a layer takes its least time: perimeters
    /// last, and neither below what the screw and an even bead bear. Travels keep their speed: nobody is to hover over
    /// a soft part.
    fn shares(&self, sums: &Sums, bears: [f64; 2]) -> (f32, f32) {
        // Beads take longer where the screw holds them, ramps at the accelerations the layer bears.
        let paces = [&sums.others, &sums.perimeters, &sums.travels];
        let [others, perimeters, travels] = paces.map(|pace| pace.bounded(bears));
        let held_s: f64 = [others, perimeters, travels].iter().map(|held| held.time_s).sum();
        let mut time_s = sums.time_s + held_s - paces.iter().map(|pace| pace.file_s).sum::<f64>();
        if self.terms.drops_turns {
            time_s -= sums.turns_s;
        }
        let missing = sums.least_s - time_s;
        if missing <= 0.0 {
            return (1.0, 1.0);
        }
        let bead_share = others.share(others.time_s + missing);
        let missing = missing - others.costs(bead_share);
        let perimeter_share = match missing > 1e-9 * sums.least_s {
            true => perimeters.share(perimeters.time_s + missing),
            false => 1.0,
        };
        (bead_share as f32, perimeter_share as f32)
    }

    /// No more layers will come.
    pub fn finish(mut self) -> SoftPlan {
        self.close(true);
        self.plan.limits.beads = Some(self.beads);
        self.plan.beside_mm = self.terms.bed_mm.and_then(|bed| beside(self.extent, bed));
        self.plan
    }
}

impl Trouble {
    /// Whether both are told as one: to sag and nearly to sag begin at heights of their own.
    fn is_like(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::TooHeavy { factor }, Self::TooHeavy { factor: of_other }) => (*factor < 1.0) == (*of_other < 1.0),
            _ => std::mem::discriminant(self) == std::mem::discriminant(other),
        }
    }

    /// Larger is worse.
    fn weight(&self) -> f64 {
        match *self {
            Self::TooSoft { accel_mm_s2, .. } => -accel_mm_s2,
            Self::TooHeavy { factor } => -factor,
            Self::Dragged { by_mm, .. } => by_mm,
            Self::Jolted { most_mm_s, .. } => -most_mm_s,
            Self::ThinWalled => 0.0,
        }
    }
}

/// A place on the bed beside an extent, both as least X and Y and largest X and Y: the free margin that is widest.
fn beside(extent: [f64; 4], bed: [f64; 4]) -> Option<[f64; 2]> {
    let [x, y, most_x, most_y] = extent;
    let [bed_x, bed_y, bed_most_x, bed_most_y] = bed;
    let middle = [(0.5 * (x + most_x)).clamp(bed_x, bed_most_x), (0.5 * (y + most_y)).clamp(bed_y, bed_most_y)];
    let sides = [
        (x - bed_x, [x - CLEAR_MM, middle[1]]),
        (bed_most_x - most_x, [most_x + CLEAR_MM, middle[1]]),
        (y - bed_y, [middle[0], y - CLEAR_MM]),
        (bed_most_y - most_y, [middle[0], most_y + CLEAR_MM]),
    ];
    let widest = sides.into_iter().filter(|(free, _)| *free >= CLEAR_MM).max_by(|a, b| a.0.total_cmp(&b.0));
    widest.map(|(_, place)| place)
}

/// Way between part and nozzle beside it, mm: a finger's width, and far enough for a drop.
const CLEAR_MM: f64 = 15.0;

/// Whether an island is more than loops around the part or a tower for priming.
fn is_part(island: &Island) -> bool {
    island.skirt_mm3 + island.tower_mm3 <= APART * island.volume_mm3
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Density, Modulus};

    /// Between judgements a column carries as a prism: the less by the cube of its height (Greenhill 1881, as cited at
    /// `Tower::critical_factor`). Of a prism that is exact, whatever was judged when.
    #[test]
    fn a_prism_is_known_between_judgements() {
        let solid = Solid::new(Modulus::from_mpa(3.0), 0.5, Density::from_g_cm3(1.05)).unwrap();
        let mut weight = Weight::default();
        let mut judged = 0;
        for _ in 0..300 {
            weight.tower.grow(0.4, 25.0, 52.0).unwrap();
            weight.judge(&solid);
            judged += u32::from(weight.judged_mm == weight.tower.height_mm());
            let exact = weight.tower.critical_factor(&solid);
            assert!((weight.factor() / exact - 1.0).abs() < 1e-6, "{} for {exact}", weight.factor());
        }
        assert!((20..200).contains(&judged), "judged {judged} times");
    }

    #[test]
    fn there_is_room_beside_the_part_on_its_widest_side() {
        let bed = [0.0, 0.0, 200.0, 200.0];
        assert_eq!(beside([40.0, 20.0, 150.0, 100.0], bed), Some([95.0, 115.0]), "behind");
        assert_eq!(beside([90.0, 20.0, 190.0, 190.0], bed), Some([75.0, 105.0]), "to the left");
        assert_eq!(beside([20.0, 20.0, 110.0, 190.0], bed), Some([125.0, 105.0]), "to the right");
        assert_eq!(beside([10.0, 90.0, 190.0, 195.0], bed), Some([100.0, 75.0]), "in front");
        // A finger's width is needed, and is enough.
        assert_eq!(beside([14.9, 14.9, 185.1, 185.1], bed), None);
        assert_eq!(beside([15.0, 14.9, 185.1, 185.1], bed), Some([0.0, 100.0]));
        // A part that hangs over the bed has its place at the bed all the same.
        assert_eq!(beside([120.0, 150.0, 260.0, 400.0], bed), Some([190.0, 135.0]));
        assert_eq!(beside([120.0, -50.0, 260.0, 20.0], bed), Some([190.0, 35.0]));
        assert_eq!(beside([150.0, 100.0, 260.0, 420.0], bed), Some([135.0, 200.0]));
    }
}
