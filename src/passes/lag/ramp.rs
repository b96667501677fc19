//! Compensation along the path: a bead as a few pieces, each with the E that lets the flow follow the speed.
//!
//! Over a piece E per mm is constant, so the screw's flow goes with the speed. Two volumes are solved for exactly: one
//! that brings the store to S(end) = τ A v(end), and one that lays what is wanted, A L = pushed + S(start) - S(end). The
//! screw pushes half of their sum. By the first alone a piece whose speed rises and falls lays too little; by the second
//! alone a store that is off by δ would be off by -δ at the next end, and so on for ever: by half of both half of it is
//! left, the other way round. What the bounds of screw and controller cut off is left in S and so made good by the next
//! pieces.
//!
//! A piece of a ramp from va to vb with even E strays from the wanted flow in its middle by a share of
//! (vb - va)²/(8 v²), v the mean speed: from the ends, the surplus of the screw's flow over Q + τ dQ/dt is linear and
//! sums to zero, and half of it is stored by the middle. A ratio vb/va of 2.6 keeps that at a tenth. Below a quarter of
//! the top speed lies a sixteenth of the ramp's path, where nothing finer is tried: a ramp is at most two pieces.
//!
//! Where a controller bounds a corner by the lengths beside it, the piece there is to be as long as the planned speed needs:
//! it takes in of the cruise beside it, or all of it.

use super::accel::BRIEF;
use super::gaps::Marks;
use super::spring::{Melt, Spring, Weights};
use crate::motion::Timing;
use crate::moves::Move;
use crate::units::Bounded;

/// Ratio of speeds over a piece of a ramp.
const RATIO: f64 = 2.6;
/// Share of a ramp's top speed below which it is not divided further.
const LOWEST_SHARE: f64 = 0.25;
/// Stored volume may be off by this share of what the flow needs before it is put right at once.
const OFF: f64 = 0.06;
/// In a shorter stretch it is put right by all of it, mm: a piece of its own at a corner would slow that down.
const LEAST_PUT_RIGHT_MM: f64 = 1.4;
/// Where a bead has one ramp, what cruises beside it is no piece of its own as long as the stored volume is then short
/// by this share at most: the shorter the move at a corner, the slower a controller takes the corner.
const SHORT_OF: f64 = 0.1;
/// A piece is joined with the next, where that has no length to spare, below this share of the length that the corner's
/// speed needs: the controller takes the corner at √0.65 = 0.81 of it otherwise. Measured on 26 real files on a host at 0,
/// 0.5, 0.65 and 0.8: the time as written is off by up to 7.6, 2.9, 0.6 and 0.6 %, and 4.6, 4.4, 4.2 and 4.3 % of the path
/// (mean) are more than a tenth off; of a small screw (6 mm³/s) 5.8, 4.1, 0.7 and 0.4 %, and 7.2, 5.4, 5.4 and 5.6 %.
const LEAST_OF_CORNER: f64 = 0.65;
/// The screw is asked for at most this share of its highest speed.
const SCREW_SHARE: f64 = 0.98;
/// Surplus is made good over at least this time at the present flow, s, by at most this share of the flow.
const MAKE_GOOD_S: f64 = 2.0;
const MAKE_GOOD_SHARE: f64 = 0.05;
/// By this share the average over a window may then be above what the screw keeps up.
const OWED_SHARE: f64 = 0.01;

/// What the controller bears.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// Bore of the nozzle, the length over which a bead blurs, mm.
    pub bore_mm: f64,
    /// Shortest piece, mm.
    pub shortest_mm: f64,
    /// Largest bead area the controller takes, mm²; infinite for no limit.
    pub max_area_mm2: f64,
    /// A piece that pushes less, either way, has no motor step of E in it, and is a travel to the controller, mm³; 0 where that
    /// makes no difference.
    pub least_mm3: f64,
    /// By this much a piece of that area may push more than it should for its length, as E and its ends are rounded, mm³.
    pub rounding_mm3: f64,
}

/// A piece of a bead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Piece {
    /// Where it ends, share of the bead's path, 0..=1.
    pub end: f64,
    /// Volume the screw pushes, mm³; signed.
    pub volume: f64,
}

/// Part of a bead in which the speed goes evenly.
#[derive(Clone, Copy, Debug, Default)]
struct Section {
    length: f64,
    v0: f64,
    v1: f64,
    time: f64,
    /// Speed for whose flow the stored volume is to be there at the end.
    ready: f64,
    /// Highest speed in it; above the others where brief ramps count with what lies between.
    fastest: f64,
    /// It is there to put the stored volume right, and nothing else.
    rights: bool,
}

impl Section {
    /// An even section in two, the first of this length, mm.
    fn split(self, first: f64) -> (Self, Self) {
        let share = first / self.length;
        let right = Self { length: first, time: self.time * share, ready: self.v0, rights: true, ..self };
        (right, Self { length: self.length - first, time: self.time * (1.0 - share), ..self })
    }
}

/// Most sections: two a ramp, one to put the stored volume right, one cruise.
const MOST: usize = 8;

/// Sections of one bead, on the stack.
#[derive(Clone, Copy, Debug, Default)]
struct Sections {
    all: [Section; MOST],
    /// The first of them, and one past the last.
    from: usize,
    to: usize,
    /// The shortest that was added.
    least: f64,
}

impl Sections {
    fn clear(&mut self) {
        (self.from, self.to, self.least) = (0, 0, f64::INFINITY);
    }

    /// A part of its callers: what is handed on through memory would be read back wider than it was written.
    #[inline(always)]
    fn push(&mut self, section: Section) {
        if let Some(slot) = self.all.get_mut(self.to) {
            *slot = section;
            self.to += 1;
            self.least = self.least.at_most(section.length);
        }
    }

    fn count(&self) -> usize {
        self.to - self.from
    }

    fn list(&mut self) -> &mut [Section] {
        self.all.get_mut(self.from..self.to).unwrap_or_default()
    }

    /// Joins sections shorter than `shortest` with the longer of their neighbours.
    fn join_short(&mut self, shortest: f64) {
        // Mostly none is.
        while self.least < shortest && self.count() > 1 {
            let (mut least, mut short) = (shortest, None);
            for index in self.from..self.to {
                if self.all[index].length < least {
                    (least, short) = (self.all[index].length, Some(index));
                }
            }
            let Some(short) = short else { return };
            let before = if short > self.from { self.all[short - 1].length } else { -1.0 };
            let after = if short + 1 < self.to { self.all[short + 1].length } else { -1.0 };
            let first = if before >= after { short - 1 } else { short };
            let (a, b) = (self.all[first], self.all[first + 1]);
            // What is too short for a piece of its own does not tell where the longer one has to get.
            self.join(first, if a.length >= b.length { a.ready } else { b.ready });
        }
    }

    /// Joins the section at `first` with the next. At either end nothing else has to move.
    fn join(&mut self, first: usize, ready: f64) {
        let (a, b) = (self.all[first], self.all[first + 1]);
        let (length, time) = (a.length + b.length, a.time + b.time);
        let joined =
            Section { length, v0: a.v0, v1: b.v1, time, ready, fastest: a.fastest.at_least(b.fastest), rights: false };
        if first == self.from {
            self.from += 1;
            self.all[self.from] = joined;
            return;
        }
        self.all[first] = joined;
        self.to -= 1;
        for index in first + 1..self.to {
            self.all[index] = self.all[index + 1];
        }
    }

    /// Makes the first section and the last as long as the corners there need, mm.
    fn reach(&mut self, needed: [f64; 2], shortest: f64) {
        let [at_start, at_end] = needed;
        self.lengthen(at_start, shortest.at_least(at_end), shortest, |from, _| (from, from + 1));
        self.lengthen(at_end, shortest.at_least(at_start), shortest, |_, to| (to - 1, to - 2));
    }

    /// Makes the section at one end longer. `ends`: from where sections begin and end, it and the one beside it. That keeps
    /// `shortest`, or `other` where it is the other end.
    fn lengthen(&mut self, needed: f64, other: f64, shortest: f64, ends: impl Fn(usize, usize) -> (usize, usize)) {
        while self.count() > 1 {
            let (end, beside) = ends(self.from, self.to);
            let (Section { length, .. }, next) = (self.all[end], self.all[beside]);
            let missing = needed - length;
            if missing <= 0.0 {
                return;
            }
            let left = next.length - missing;
            if next.v0 == next.v1 && left > if self.count() == 2 { other } else { shortest } {
                let time = next.time * missing / next.length;
                self.all[end].length = needed;
                self.all[end].time += time;
                self.all[beside].length = left;
                self.all[beside].time -= time;
                return;
            }
            if length >= LEAST_OF_CORNER * needed {
                return;
            }
            let first = end.min(beside);
            self.join(first, self.all[first + 1].ready);
        }
    }
}

/// Follows the print and writes each bead in pieces.
#[derive(Clone, Debug)]
pub struct Ramp {
    push: Push,
    /// Sections of the bead at hand.
    sections: Sections,
}

/// What the screw may push, from piece to piece.
#[derive(Clone, Debug)]
struct Push {
    melt: Melt,
    bounds: Bounds,
    /// Volume turned back in the pieces just before, mm³.
    reversed: f64,
    /// Volume that lately was laid less than wanted, and not made good yet, mm³: at most the store of the flow at hand, and
    /// [a share](OWED_SHARE) of what flows in the window of the sustained capacity.
    left_out: f64,
}

impl Ramp {
    /// Compensation for this melt within these bounds.
    pub fn new(melt: Melt, bounds: Bounds) -> Self {
        Self { push: Push { melt, bounds, reversed: 0.0, left_out: 0.0 }, sections: Sections::default() }
    }

    /// The head travels or stands: the next bead begins anew. `drooled`: what is let out meanwhile, mm³.
    pub fn interrupt(&mut self, drooled: f64) {
        self.push.reversed = 0.0;
        self.push.left_out -= drooled;
    }

    /// The volume for a bead that is written as it is, in one piece; `None`: it takes [`Self::pieces`]. `area`: of the
    /// bead, mm².
    ///
    /// Most beads of dense curves are such: their speed hardly changes and the store is as it should be, or they are too
    /// short for more than a piece.
    #[inline(always)]
    pub fn whole(&mut self, step: &Move, marks: Marks, timing: &Timing, area: f64, spring: &mut Spring) -> Option<f64> {
        if marks.has(Marks::LAST) || timing.time <= 0.0 {
            return None;
        }
        let only = self.push.only(step, timing, area, spring)?;
        Some(self.push.piece(&only, area, marks, spring))
    }

    /// Gives the pieces of a bead one after the other; the last ends at 1. `area`: of the bead, mm².
    #[inline]
    pub fn pieces(
        &mut self,
        step: &Move,
        marks: Marks,
        timing: &Timing,
        area: f64,
        spring: &mut Spring,
        mut each: impl FnMut(Piece),
    ) {
        // Of all others it is known that they are cut.
        let may_be_whole = marks.has(Marks::LAST) || timing.time <= 0.0;
        match may_be_whole.then(|| self.push.only(step, timing, area, spring)).flatten() {
            Some(only) => {
                self.sections.clear();
                self.sections.push(only);
            }
            None => self.cut(step, timing, area, spring),
        }
        if marks.has(Marks::LAST) && !step.has(Move::WHOLE) {
            self.end_run(area);
        }
        let Self { push, sections } = self;
        let sections = sections.list();
        let count = sections.len();
        let (mut end, mut index, mut is_right) = (0.0, 0, false);
        while let Some(section) = sections.get_mut(index) {
            let is_last = index + 1 == count;
            // A ramp that asks more than the screw gives leaves the store short, and one that makes up for a short one
            // leaves it too full.
            let first = match index > 0 && !is_right && section.v0 == section.v1 {
                true => push.right_first(section, if is_last { timing.held_by()[1] } else { 0.0 }, area, spring),
                false => None,
            };
            is_right = first.is_some();
            let right;
            let piece = match first {
                Some(first) => {
                    (right, *section) = section.split(first);
                    &right
                }
                None => {
                    index += 1;
                    section
                }
            };
            let volume = push.piece(piece, area, marks, spring);
            end += piece.length;
            each(Piece { end: if index == count { 1.0 } else { (end / step.length).at_most(1.0) }, volume });
        }
    }

    /// Cuts a bead that is not [whole](Push::only) where its speed turns, and where the stored volume has to be put right
    /// first.
    fn cut(&mut self, step: &Move, timing: &Timing, area: f64, spring: &Spring) {
        let Timing { entry, top, exit, .. } = *timing;
        let (sections, push) = (&mut self.sections, &self.push);
        let bounds = &push.bounds;
        sections.clear();
        let shortest = bounds.shortest_mm;
        let [brief_up, brief_down] = push.brief(timing);
        if brief_up && brief_down {
            push.put_right(evenly(step, timing), area, spring, sections);
            return;
        }
        let (accel, up, down) = ramps(timing, step.length);
        let cruise = (step.length - up - down).at_least(0.0);
        // A brief ramp counts with the cruise.
        let mut cruise =
            Section { length: cruise, v0: top, v1: top, time: 0.0, ready: top, fastest: top, rights: false };
        cruise.time = cruise.length / top;
        if brief_up {
            cruise.length += up;
            cruise.time += (top - entry) / accel;
        } else {
            divide(entry, top, accel, shortest, sections);
        }
        if brief_down {
            cruise.length += down;
            cruise.time += (top - exit) / accel;
        }
        if cruise.length > 1e-9 * step.length {
            let mean = cruise.length / cruise.time;
            let cruise = Section { v0: mean, v1: mean, ..cruise };
            if sections.count() == 0 {
                push.put_right(cruise, area, spring, sections);
            } else {
                sections.push(cruise);
            }
        }
        if !brief_down {
            divide(top, exit, accel, shortest, sections);
        }
        sections.join_short(shortest);
        sections.reach(timing.held_by(), shortest);
    }

    /// At the end of a run nothing is to be left that would drool: the last piece takes the pressure away. It is no longer
    /// than that takes, since what it lays is by half what the relief leaves.
    fn end_run(&mut self, area: f64) {
        let (sections, Push { melt, bounds, .. }) = (&mut self.sections, &self.push);
        let Some(end) = sections.list().last_mut() else { return };
        let all = *end;
        end.ready = 0.0;
        let mean = all.length / all.time;
        let rate = SCREW_SHARE * melt.screw_mm3_s;
        let time = melt.lag_s * (area * mean / rate).ln_1p();
        let length = (mean * time * 1.05).at_least(bounds.shortest_mm);
        let left = all.length - length;
        let brakes = all.v0 > all.v1 && (0.5 * (all.v0 + all.v1) - mean).abs() <= 1e-6 * mean;
        // Most of a ramp goes with the relief; of an even section, or one that a brief ramp was joined to, nothing else does.
        if left <= if brakes { length.at_least(bounds.shortest_mm) } else { bounds.shortest_mm } {
            return;
        }
        let (from, cut, to) = match brakes {
            true => {
                let squares = (all.v0 * all.v0 - all.v1 * all.v1) * length / all.length;
                (all.v0, (all.v1 * all.v1 + squares).sqrt(), all.v1)
            }
            false => (mean, mean, mean),
        };
        let time = 2.0 * length / (cut + to);
        *end = Section { length: left, v0: from, v1: cut, time: all.time - time, ready: cut, ..all };
        sections.push(Section { length, v0: cut, v1: to, time, ready: 0.0, ..all });
    }
}

impl Push {
    /// Whether the speed hardly changes at the start of a bead, and at its end.
    #[inline]
    fn brief(&self, timing: &Timing) -> [bool; 2] {
        let most = BRIEF * timing.accel * self.bounds.bore_mm;
        [timing.entry, timing.exit].map(|speed| (timing.top - speed) * (timing.top - speed) <= most)
    }

    /// All of a bead as a section, where it is not cut.
    #[inline(always)]
    fn only(&self, step: &Move, timing: &Timing, area: f64, spring: &Spring) -> Option<Section> {
        let Timing { entry, top, exit, accel, time, .. } = *timing;
        if step.has(Move::WHOLE) || accel <= 0.0 {
            return Some(evenly(step, timing));
        }
        let [brief_up, brief_down] = self.brief(timing);
        if brief_up && brief_down {
            let even = evenly(step, timing);
            let stays = step.length < LEAST_PUT_RIGHT_MM || self.right_first(&even, 0.0, area, spring).is_none();
            return stays.then_some(even);
        }
        if step.length >= 2.0 * self.bounds.shortest_mm {
            if brief_up == brief_down {
                return None;
            }
            let (_, up, down) = ramps(timing, step.length);
            let cruise = (step.length - up - down).at_least(0.0);
            let (low, beside) = if brief_up { (exit, cruise + up) } else { (entry, cruise + down) };
            // A ramp over all of the bead is divided like any other.
            if low * RATIO < top || (top - low) * beside > SHORT_OF * time * top * top {
                return None;
            }
        }
        Some(Section { length: step.length, v0: entry, v1: exit, time, ready: exit, fastest: top, rights: false })
    }

    /// Adds an even section; where the stored volume is far from what it needs, a first piece puts that right.
    #[inline(always)]
    fn put_right(&self, section: Section, area: f64, spring: &Spring, sections: &mut Sections) {
        match self.right_first(&section, 0.0, area, spring).filter(|_| section.length >= LEAST_PUT_RIGHT_MM) {
            Some(first) => {
                let (right, left) = section.split(first);
                sections.push(right);
                sections.push(left);
            }
            None => sections.push(section),
        }
    }

    /// How much of an even section it takes to put right a stored volume that is far from what the flow needs, mm; `None`:
    /// it is near, or the section too short. `least`: what has to be left of it, mm, beyond the shortest piece.
    #[inline]
    fn right_first(&self, section: &Section, least: f64, area: f64, spring: &Spring) -> Option<f64> {
        let flow = area * section.v0;
        let wanted = self.melt.lag_s * flow;
        let missing = wanted - spring.stored;
        if missing.abs() <= OFF * wanted {
            return None;
        }
        let most = SCREW_SHARE * self.melt.screw_mm3_s;
        let spare = if missing > 0.0 { most - flow } else { most + flow };
        let shortest = self.bounds.shortest_mm;
        let first = (missing.abs() / spare * section.v0 * 1.1).at_least(shortest);
        (spare > 0.0 && first < section.length - shortest.at_least(least)).then_some(first)
    }

    /// The volume the screw pushes over a section.
    #[inline(always)]
    fn piece(&mut self, section: &Section, area: f64, marks: Marks, spring: &mut Spring) -> f64 {
        let lag = self.melt.lag_s;
        let mean = section.length / section.time;
        // Where the speed does not go evenly, the mean fills the spring.
        let astray = (0.5 * (section.v0 + section.v1) - mean).abs() > 1e-6 * mean;
        let (v0, v1) = if astray { (mean, mean) } else { (section.v0, section.v1) };
        let weights = Weights::new(section.time, v0, v1, lag);
        let flow = area * mean;
        // The inverses are there before the piece before is done, whose outcome is multiplied with them.
        let laid_mm = section.length - weights.fill;
        let over = MAKE_GOOD_S.at_least(section.time);
        let (per_flow, half_per_fill, half_per_laid) = (1.0 / (flow * over), 0.5 / weights.fill, 0.5 / laid_mm);
        // On top of all that the screw keeps up, no more is asked than it has just left out.
        let missing = if marks.has(Marks::FULL) {
            (-spring.surplus).at_most(self.left_out.at_least(0.0))
        } else {
            -spring.surplus
        };
        let good = (missing * per_flow).at_least(-MAKE_GOOD_SHARE).at_most(MAKE_GOOD_SHARE);
        let store = lag * area * section.ready * (1.0 + good);
        let lay = area * section.length * (1.0 + good);
        let half_by_store = (store - spring.stored * weights.kept) * half_per_fill;
        let half_by_laid = (lay - spring.stored * (1.0 - weights.kept)) * half_per_laid;
        let solved = match weights.fill > 0.0 && laid_mm > 0.0 {
            true if section.rights => 2.0 * half_by_store,
            true => half_by_store + half_by_laid,
            false => area,
        };
        let fastest = section.fastest.at_least(mean);
        let mut pushed = self.bounded(solved, area, section, fastest);
        let mut volume = pushed * section.length;
        let least = self.bounds.least_mm3;
        // Too little to be wrong by, unless the motor steps are coarse.
        if volume.abs() < least && least <= OFF * lag * area * fastest {
            volume = least.copysign(volume);
            pushed = volume / section.length;
        }
        self.reversed = (self.reversed - volume).at_least(0.0);
        let before = spring.surplus;
        spring.lay(weights, pushed, volume, area * section.length);
        let most = flow * lag.at_most(OWED_SHARE * self.melt.window_s);
        self.left_out = (self.left_out + (before - spring.surplus)).at_least(-most).at_most(most);
        volume
    }

    /// `solved`, a volume for a mm of path, within what screw and controller bear. `area`: of the bead, mm².
    #[inline]
    fn bounded(&self, solved: f64, area: f64, section: &Section, fastest: f64) -> f64 {
        // No branches on the way of `solved`, which the next piece waits for: what cuts it off changes from piece to piece.
        let per_mm = 1.0 / section.length;
        let most = SCREW_SHARE * self.melt.screw_mm3_s / fastest;
        // A bead that is too thick as it comes is reported; with less in it nothing would be gained.
        let thickest = match area > self.bounds.max_area_mm2 {
            true => f64::INFINITY,
            false => (self.bounds.max_area_mm2 - self.bounds.rounding_mm3 * per_mm).at_least(0.0),
        };
        let back = (self.melt.max_reverse_mm3 - self.reversed).at_least(0.0);
        // What is turned back at one time is bounded as a whole.
        let low = (-most).at_least(-back * per_mm);
        solved.at_most(most.at_most(thickest)).at_least(low)
    }
}

/// A bead at its mean speed.
#[inline]
fn evenly(step: &Move, timing: &Timing) -> Section {
    let time = timing.time;
    let mean = if time > 0.0 { step.length / time } else { 0.0 };
    Section { length: step.length, v0: mean, v1: mean, time, ready: mean, fastest: timing.top, rights: false }
}

/// Lengths of the ramps at the start and at the end of a bead, mm, behind the acceleration with which they fit into it.
#[inline(always)]
fn ramps(timing: &Timing, length: f64) -> (f64, f64, f64) {
    let Timing { entry, top, exit, accel, .. } = *timing;
    let ramp = |from: f64, to: f64, accel: f64| (to * to - from * from).abs() / (2.0 * accel);
    let (up, down) = (ramp(entry, top, accel), ramp(top, exit, accel));
    // Boards plan in whole steps, and arcs as chords: both together may be longer than the bead.
    if up + down > length {
        let accel = accel * ((up + down) / length);
        return (accel, ramp(entry, top, accel), ramp(top, exit, accel));
    }
    (accel, up, down)
}

/// Adds the pieces of a ramp.
fn divide(from: f64, to: f64, accel: f64, shortest: f64, sections: &mut Sections) {
    let mut push = |v0: f64, v1: f64| {
        let time = (v1 - v0).abs() / accel;
        if time > 0.0 {
            sections.push(Section {
                length: 0.5 * (v0 + v1) * time,
                v0,
                v1,
                time,
                ready: v1,
                fastest: v0.at_least(v1),
                rights: false,
            });
        }
    };
    let (low, high) = (from.at_most(to), from.at_least(to));
    let floor = low.at_least(LOWEST_SHARE * high);
    let middle = (floor * high).sqrt();
    let slow_part = (middle * middle - low * low) / (2.0 * accel);
    if high > RATIO * floor && slow_part >= shortest {
        push(from, middle);
        push(middle, to);
    } else {
        push(from, to);
    }
}

#[cfg(test)]
mod tests;
