//! Beads of some layers, small enough to stand in a report.
//!
//! Points lie on a grid of 0.01 mm. Beads of one class that follow each other are a run; where they go on nearly
//! straight, within 0.03 mm, they are joined. A sample is a row of runs: code, number of points, and each point as its
//! distance from the one before, X then Y, in hundredths of a millimetre. All numbers are written seven bits at a time,
//! low ones first, the eighth bit says that more follow; distances are folded, so that signs go into the lowest bit.
//! Code 0 goes to a point without laying; any other is 1 + class before × [`CLASSES`] + class after. `tests/course.rs`
//! reads it back.

use super::layers::is_kept;
use crate::moves::Move;
use crate::moves::arc::ArcPath;
use crate::units::Bounded;

/// Upper edges of the classes of demand, share of the peak capacity; the last class is open.
pub const CLASS_EDGES: [f64; 13] = [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.25, 1.5, 2.0];
/// Number of classes.
pub const CLASSES: usize = CLASS_EDGES.len() + 1;

/// Bytes of all samples.
const BUDGET: usize = 840_000;
/// Bytes of one; what comes after is left out.
const MOST_OF_ONE: usize = 400_000;
/// What a sample takes beside its beads, bytes.
const OVERHEAD: usize = 600;
/// Most samples.
pub(super) const MOST: usize = BUDGET / OVERHEAD;
/// Points on a millimetre.
const PARTS: f64 = 100.0;
/// How far joined beads may lie from the straight line, parts of a millimetre as above.
const SLACK: f64 = 3.0;
/// Share by which a demand may exceed an edge and still count below it: rounding of feeds.
const LEEWAY: f64 = 1.0 + 1e-6;
/// Longest chord of an arc, mm, and widest angle, rad.
const CHORD: [f64; 2] = [2.0, 0.2];

/// The beads of one layer.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sample {
    /// Number of the layer.
    pub layer: u32,
    /// Its height, mm: that of its highest bead.
    pub z_mm: f64,
    /// Beads in the file.
    pub beads: u64,
    /// Their length, mm.
    pub length_mm: f64,
    /// Of that, above the peak capacity in the file as it came, mm.
    pub above_before_mm: f64,
    /// The same in the output, mm.
    pub above_after_mm: f64,
    /// Highest demand in the file as it came, share of the peak capacity.
    pub highest_before: f64,
    /// The same in the output.
    pub highest_after: f64,
    /// Least X and Y, largest X and Y, mm.
    pub box_mm: [f64; 4],
    /// Not all beads are in it: there are too many.
    pub is_cut: bool,
    /// The beads, see the module.
    pub data: Vec<u8>,
}

/// Samples of layers: the first, every so many after it, and the one with the highest demand.
#[derive(Clone, Debug, PartialEq)]
pub struct Samples {
    list: Vec<Sample>,
    every: u32,
    worst: (u32, f64),
    open: Option<Sample>,
    pen: Pen,
}

impl Default for Samples {
    fn default() -> Self {
        Self { list: Vec::new(), every: 1, worst: (0, 0.0), open: None, pen: Pen::default() }
    }
}

impl Samples {
    /// The samples, in the order of layers.
    pub fn list(&self) -> &[Sample] {
        &self.list
    }

    /// Every so many layers one was kept; 1: all.
    pub fn every(&self) -> u32 {
        self.every
    }

    /// The layer with the highest demand; 0 without beads.
    pub fn worst_layer(&self) -> u32 {
        self.worst.0
    }

    /// A layer begins.
    pub(super) fn begin(&mut self, layer: u32) {
        self.end();
        let box_mm = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
        self.open = Some(Sample { layer, box_mm, ..Sample::default() });
    }

    /// Takes a bead. `shares`: demand before and after, share of the peak capacity.
    pub(super) fn add(&mut self, step: &Move, shares: [f64; 2], from: [f64; 3], to: [f64; 3], arc: Option<&ArcPath>) {
        let Some(sample) = &mut self.open else { return };
        sample.z_mm = sample.z_mm.at_least(step.z);
        sample.beads += 1;
        sample.length_mm += step.length;
        sample.highest_before = sample.highest_before.at_least(shares[0]);
        sample.highest_after = sample.highest_after.at_least(shares[1]);
        for (share, above) in shares.into_iter().zip([&mut sample.above_before_mm, &mut sample.above_after_mm]) {
            if share > LEEWAY {
                *above += step.length;
            }
        }
        if sample.is_cut {
            return;
        }
        for [x, y, _] in [from, to] {
            let [low_x, low_y, high_x, high_y] = sample.box_mm;
            sample.box_mm = [low_x.at_most(x), low_y.at_most(y), high_x.at_least(x), high_y.at_least(y)];
        }
        let code = 1 + (class(shares[0]) * CLASSES + class(shares[1])) as u64;
        self.pen.go(whole(from), &mut sample.data);
        match arc {
            None => self.pen.lay(code, whole(to), &mut sample.data),
            Some(arc) => {
                let chords = (step.length / CHORD[0]).at_least(arc.arc.sweep.abs() / CHORD[1]);
                let chords = (chords.ceil() as u32).clamp(1, 256);
                for chord in 1..=chords {
                    let at = arc.point(f64::from(chord) / f64::from(chords));
                    self.pen.lay(code, whole(at), &mut sample.data);
                }
            }
        }
        if sample.data.len() > MOST_OF_ONE {
            sample.is_cut = true;
        }
    }

    /// The layer at hand ends.
    pub(super) fn end(&mut self) {
        let Some(mut sample) = self.open.take() else { return };
        self.pen.lift(&mut sample.data);
        self.pen = Pen::default();
        let highest = sample.highest_before;
        if highest > self.worst.1 {
            let old = std::mem::replace(&mut self.worst, (sample.layer, highest)).0;
            let every = self.every;
            self.list.retain(|kept| kept.layer != old || is_kept(old, every));
        }
        if !is_kept(sample.layer, self.every) && sample.layer != self.worst.0 {
            return;
        }
        self.list.push(sample);
        while self.list.iter().map(|kept| kept.data.len() + OVERHEAD).sum::<usize>() > BUDGET && self.list.len() > 2 {
            self.every = self.every.saturating_mul(2);
            let (every, worst) = (self.every, self.worst.0);
            self.list.retain(|kept| is_kept(kept.layer, every) || kept.layer == worst);
        }
    }
}

fn class(share: f64) -> usize {
    CLASS_EDGES.iter().position(|edge| share <= edge * LEEWAY).unwrap_or(if share.is_nan() { 0 } else { CLASSES - 1 })
}

/// A position on the grid; the cast saturates.
fn whole(at: [f64; 3]) -> [i32; 2] {
    [(at[0] * PARTS).round() as i32, (at[1] * PARTS).round() as i32]
}

/// Writes runs.
#[derive(Clone, Debug, Default, PartialEq)]
struct Pen {
    /// Where the last run ended.
    at: [i32; 2],
    code: u64,
    run: Vec<[i32; 2]>,
    /// How far what was joined into the last bead may lie from it.
    slack: f64,
}

impl Pen {
    fn last(&self) -> [i32; 2] {
        self.run.last().copied().unwrap_or(self.at)
    }

    /// Goes to where a bead starts.
    fn go(&mut self, to: [i32; 2], out: &mut Vec<u8>) {
        if self.last() != to {
            self.lift(out);
            self.code = 0;
            self.run.push(to);
            self.lift(out);
        }
    }

    fn lay(&mut self, code: u64, to: [i32; 2], out: &mut Vec<u8>) {
        if code != self.code {
            self.lift(out);
            self.code = code;
        }
        let before = match self.run.len() {
            0 => None,
            1 => Some(self.at),
            len => self.run.get(len - 2).copied(),
        };
        if let (Some(a), Some(b)) = (before, self.run.last_mut())
            && let Some(off) = height(a, *b, to)
            && self.slack + off <= SLACK
        {
            *b = to;
            self.slack += off;
            return;
        }
        self.run.push(to);
        self.slack = 0.0;
    }

    /// Writes the run at hand.
    fn lift(&mut self, out: &mut Vec<u8>) {
        if self.run.is_empty() {
            return;
        }
        number(self.code, out);
        number(self.run.len() as u64, out);
        for point in self.run.drain(..) {
            for (from, to) in self.at.into_iter().zip(point) {
                let by = i64::from(to) - i64::from(from);
                number(((by << 1) ^ (by >> 63)) as u64, out);
            }
            self.at = point;
        }
        self.slack = 0.0;
    }
}

/// Distance of `b` from the line `a` to `c`; `None` where the way turns back.
fn height(a: [i32; 2], b: [i32; 2], c: [i32; 2]) -> Option<f64> {
    let by =
        |from: [i32; 2], to: [i32; 2]| [f64::from(to[0]) - f64::from(from[0]), f64::from(to[1]) - f64::from(from[1])];
    let (ab, bc, ac) = (by(a, b), by(b, c), by(a, c));
    let along = ab[0] * bc[0] + ab[1] * bc[1];
    (along > 0.0).then(|| (ab[0] * ac[1] - ab[1] * ac[0]).abs() / ac[0].hypot(ac[1]))
}

fn number(mut value: u64, out: &mut Vec<u8>) {
    while value >= 0x80 {
        out.push((value & 0x7f) as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}
