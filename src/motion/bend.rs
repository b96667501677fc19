//! What planning needs of a path and of the corner before it, however fast they are.

use super::arcs::Chord;
use super::corner::HalfTurn;
use super::{Beside, arcs};
use crate::moves::arc::ArcPath;
use crate::moves::{Kind, Move};

/// Shorter paths are none, mm: what is left of rounding.
pub(super) const LEAST_PATH: f64 = 1e-9;

/// A path and the corner at its start. Speeds and E are no part of it, so that it is the same in all plans of a file.
#[derive(Clone, Copy, Debug, Default)]
pub struct Bend {
    /// One over the length, 1/mm.
    pub(super) per_mm: f64,
    /// [`HalfTurn::factors`] of the corner.
    pub(super) by_deviation: f64,
    pub(super) by_length: f64,
    /// Nothing moves along X and Y.
    pub(super) is_upright: bool,
}

/// Follows the paths of a file. Where the machine rests between two of them, what is told of the corner means nothing.
#[derive(Clone, Debug, Default)]
pub(super) struct Bends {
    /// Change of X, Y and Z for a mm of the last path; nothing before the first.
    direction: [f64; 3],
    /// Of the corners at hand.
    cosines: Vec<f64>,
}

impl Bends {
    /// Goes past as many moves as there are `bends`, of which those without a path have one without meaning.
    pub fn pass<'a>(&mut self, moves: impl Iterator<Item = (&'a Move, Beside<'a>)>, bends: &mut [Bend]) {
        let mut cosines = std::mem::take(&mut self.cosines);
        cosines.clear();
        cosines.extend(moves.zip(&mut *bends).map(|((step, beside), bend)| self.begin(step, beside, bend)));
        // Roots and divisions of one corner do not wait for those of the one before, and two are taken at a time.
        bends.iter_mut().zip(&cosines).for_each(|(bend, cosine)| bend.turn(*cosine));
        self.cosines = cosines;
    }

    /// Puts the chords of an arc of `length` mm in the place of those in `chords`, with their bends; the corner at the start of
    /// the first means nothing.
    pub fn chords(arc: &ArcPath, length: f64, chords: &mut Vec<(Chord, Bend)>) {
        let mut bends = Self::default();
        chords.clear();
        chords.extend(arcs::chords_by_length(arc, length).map(|chord| (chord, Bend::default())));
        // As above, in loops of their own.
        for (chord, bend) in &mut *chords {
            bend.by_deviation = bends.straight(&chord.delta, chord.length, bend);
        }
        chords.iter_mut().for_each(|(_, bend)| bend.turn(bend.by_deviation));
    }

    /// Goes past a move, whose bend is to be without the corner; tells the cosine of the turn there.
    ///
    /// The bend is written where it stays: put together elsewhere, the processor would wait for its parts.
    #[inline]
    fn begin(&mut self, step: &Move, beside: Beside<'_>, bend: &mut Bend) -> f64 {
        let moves = matches!(step.kind, Kind::Bead | Kind::Travel | Kind::MovingEOut);
        if moves && step.length >= LEAST_PATH && beside.arc.is_none() {
            return self.straight(&step.delta, step.length, bend);
        }
        self.rare(step, beside, bend)
    }

    /// Goes past an arc, whose bend is that of its first chord, or past no path at all.
    #[cold]
    fn rare(&mut self, step: &Move, beside: Beside<'_>, bend: &mut Bend) -> f64 {
        *bend = Bend::default();
        let Some(arc) = beside.arc else { return 0.0 };
        let [first, last] = arcs::outer_chords_by_length(arc, step.length);
        let cosine = self.straight(&first.delta, first.length, bend);
        // Of the others, what comes behind the arc asks for the direction of the last.
        self.straight(&last.delta, last.length, &mut Bend::default());
        cosine
    }

    #[inline]
    fn straight(&mut self, delta: &[f64; 3], length: f64, bend: &mut Bend) -> f64 {
        let per_mm = 1.0 / length;
        let now = [delta[0] * per_mm, delta[1] * per_mm, delta[2] * per_mm];
        let before = std::mem::replace(&mut self.direction, now);
        (bend.per_mm, bend.is_upright) = (per_mm, delta[0] == 0.0 && delta[1] == 0.0);
        before[0] * now[0] + before[1] * now[1] + before[2] * now[2]
    }
}

impl Bend {
    #[inline(always)]
    fn turn(&mut self, cosine: f64) {
        [self.by_deviation, self.by_length] = HalfTurn::of_cosine(cosine).factors();
    }
}
