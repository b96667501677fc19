//! Layers in time: how long each has taken, and how long the head stays away before the next.

use crate::moves::Move;
use crate::moves::limits::MotionLimits;
use crate::passes::soft::{Soft, Words};
use crate::soft::{Band, Bands, KnownLimits};

/// Shorter waits are left out, s: what they would cool is lost in what is not known of the air.
const LEAST_WAIT_S: f64 = 0.25;
/// The same as a share of the least time of the layer.
const LEAST_WAIT_SHARE: f64 = 0.03;

/// Follows the layers of the output.
#[derive(Clone, Debug)]
pub struct Stay {
    soft: Soft,
    /// Layer at hand, what it needs and what it has taken so far, s.
    layer: u32,
    /// Its height, mm.
    z_mm: f64,
    least_s: f64,
    taken_s: f64,
    /// Of that, waits.
    waited_s: f64,
    /// There is an output, whose layers take these times.
    is_written: bool,
    /// Waits written.
    pub waits: u64,
    /// Their time, ways there and back included, s.
    pub waited_in_all_s: f64,
    /// Times of the output by bands of layers.
    pub bands: Bands,
}

/// What is due before a bead that begins a layer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Due {
    /// The layer before it.
    pub layer: u32,
    /// Height of that, mm.
    pub z_mm: f64,
    /// What that took, s.
    pub taken_s: f64,
    /// What it needs, s.
    pub least_s: f64,
}

impl Due {
    /// What is missing, s.
    pub fn missing_s(&self) -> f64 {
        self.least_s - self.taken_s
    }
}

impl Stay {
    /// Before the first layer. `is_written`: of an output, not of a file that is only judged.
    pub fn new(soft: Soft, is_written: bool) -> Self {
        Self {
            soft,
            layer: 0,
            z_mm: 0.0,
            least_s: 0.0,
            taken_s: 0.0,
            waited_s: 0.0,
            is_written,
            waits: 0,
            waited_in_all_s: 0.0,
            bands: Bands::default(),
        }
    }

    /// What is to be set before a move, if anything.
    #[inline]
    pub fn words(&mut self, known: &KnownLimits, step: &Move, limits: Option<&MotionLimits>) -> Option<Words> {
        self.soft.words(known, step, limits)
    }

    /// What is to be set behind the last line, if anything.
    pub fn words_at_end(&mut self) -> Option<Words> {
        self.soft.words_at_end()
    }

    /// Whether the layer before this move's has had too little time.
    pub fn due(&self, step: &Move) -> Option<Due> {
        if self.layer == 0 || !self.begins(step) {
            return None;
        }
        let due = Due { layer: self.layer, z_mm: self.z_mm, taken_s: self.taken_s, least_s: self.least_s };
        (due.missing_s() > LEAST_WAIT_S.max(LEAST_WAIT_SHARE * due.least_s)).then_some(due)
    }

    /// The head stayed away for so long before the layer that begins.
    pub fn waited(&mut self, time_s: f64) {
        self.taken_s += time_s;
        self.waited_s += time_s;
        self.waits += 1;
        self.waited_in_all_s += time_s;
    }

    /// The output has gone past a move, in `time_s` with turns at rest before it, without a wait. `known`: limits of its
    /// layer.
    pub fn pass(&mut self, known: &KnownLimits, step: &Move, time_s: f64) {
        if self.begins(step) {
            self.end();
            (self.layer, self.z_mm) = (step.layer, step.z);
            self.least_s = f64::from(known.of(step.layer).least_s);
            (self.taken_s, self.waited_s) = (0.0, 0.0);
        }
        self.taken_s += time_s;
    }

    /// The layer within which no wait is due and nothing is to be set, as long as no move sets limits and no more than so
    /// many come.
    pub fn calm_in(&self, known: &KnownLimits, moves: usize) -> Option<u32> {
        self.soft.settled_in(known, moves).filter(|layer| *layer == self.layer)
    }

    /// The output has gone past a move of that layer, in `time_s`.
    #[inline]
    pub fn go_on(&mut self, step: &Move, time_s: f64) {
        self.soft.pass(step);
        self.taken_s += time_s;
    }

    /// The layer at hand ends.
    pub fn end(&mut self) {
        if self.is_written && self.layer > 0 {
            self.bands.add(&Band::of_output(self.layer, self.taken_s, self.waited_s));
        }
    }

    /// What the part bears, put to moves.
    pub fn soft(&self) -> &Soft {
        &self.soft
    }

    fn begins(&self, step: &Move) -> bool {
        step.is_screw_bead() && step.layer != self.layer
    }
}
