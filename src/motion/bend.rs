//! What planning needs of a path and of the corner before it, however fast they are.

use super::Beside;
use super::arcs::{Chord, Chords};
use super::corner::HalfTurn;
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

/// The chords of an arc, with their bends but that of the first. Like that, it is the same in all plans of a file.
#[derive(Clone, Copy, Debug)]
pub struct Bow {
    pub(super) chords: Chords,
    /// Of the last chord.
    last: Bend,
    /// Of those between it and the first.
    inside: Bend,
}

impl Bow {
    fn new(arc: &ArcPath, length: f64) -> Self {
        let chords = Chords::new(arc, length);
        let mut bends = Bends::default();
        let mut behind = |chord: &Chord| {
            let mut bend = Bend::default();
            let cosine = bends.straight(&chord.delta, chord.length, &mut bend);
            bend.turn(cosine);
            bend
        };
        behind(&chords.first);
        let inside = behind(&chords.next(&chords.first));
        behind(&chords.before_last);
        Self { chords, last: behind(&chords.last), inside }
    }

    /// Goes through the chords in order; `bend`: of the corner at the start. Tells as well whether another chord follows.
    pub(super) fn pass(&self, bend: &Bend, mut take: impl FnMut(&Chord, &Bend, bool)) {
        let Chords { count, first, last, .. } = &self.chords;
        let (mut chord, mut at_start) = (*first, bend);
        for _ in 1..*count {
            take(&chord, at_start, true);
            (chord, at_start) = (self.chords.next(&chord), &self.inside);
        }
        match count {
            1 => take(first, bend, false),
            _ => take(last, &self.last, false),
        }
    }
}

/// The arcs to come, in the order of their moves.
pub type Bows<'a> = std::slice::Iter<'a, Bow>;

/// Follows the paths of a file. Where the machine rests between two of them, what is told of the corner means nothing.
#[derive(Clone, Debug, Default)]
pub(super) struct Bends {
    /// Change of X, Y and Z for a mm of the last path; nothing before the first.
    direction: [f64; 3],
    /// Of the corners at hand.
    cosines: Vec<f64>,
}

impl Bends {
    /// Goes past as many moves as there are `bends`, of which those without a path have one without meaning. The arcs among them
    /// are added to `bows`.
    pub fn pass<'a>(
        &mut self,
        moves: impl Iterator<Item = (&'a Move, Beside<'a>)>,
        bends: &mut [Bend],
        bows: &mut Vec<Bow>,
    ) {
        let mut cosines = std::mem::take(&mut self.cosines);
        cosines.clear();
        cosines.extend(moves.zip(&mut *bends).map(|((step, beside), bend)| self.begin(step, beside, bend, bows)));
        // Roots and divisions of one corner do not wait for those of the one before, and two are taken at a time.
        bends.iter_mut().zip(&cosines).for_each(|(bend, cosine)| bend.turn(*cosine));
        self.cosines = cosines;
    }

    /// Goes past a move, whose bend is to be without the corner; tells the cosine of the turn there.
    ///
    /// The bend is written where it stays: put together elsewhere, the processor would wait for its parts.
    #[inline]
    fn begin(&mut self, step: &Move, beside: Beside<'_>, bend: &mut Bend, bows: &mut Vec<Bow>) -> f64 {
        let moves = matches!(step.kind, Kind::Bead | Kind::Travel | Kind::MovingTurn);
        if moves && step.length >= LEAST_PATH && beside.arc.is_none() {
            return self.straight(&step.delta, step.length, bend);
        }
        self.rare(step, beside, bend, bows)
    }

    /// Goes past an arc, whose bend is that of its first chord, or past no path at all.
    #[cold]
    fn rare(&mut self, step: &Move, beside: Beside<'_>, bend: &mut Bend, bows: &mut Vec<Bow>) -> f64 {
        *bend = Bend::default();
        let Some(arc) = beside.arc else { return 0.0 };
        let bow = Bow::new(arc, step.length);
        bows.push(bow);
        let Chords { first, last, .. } = &bow.chords;
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::arc::{Arc, Centre, Plane};

    /// Chord by chord, from point to point.
    #[test]
    fn chords_of_a_bow_have_the_bends_of_chords_one_by_one() {
        let from = [3.0, 0.0, 0.2];
        for (length, to) in
            [(1.2, [0.0, 3.0, 0.2]), (2.1, [0.0, 3.0, 0.2]), (4.7, [0.0, 3.02, 0.2]), (4.8, [0.0, 3.0, 0.9])]
        {
            let arc = Arc::resolve([3.0, 0.0], [to[0], to[1]], Centre::Offset(-3.0, 0.0), false, 1).unwrap();
            let path = ArcPath { plane: Plane::Xy, arc, from, to };
            let (bow, mut bends, mut passed) = (Bow::new(&path, length), Bends::default(), 0);
            let count = bow.chords.count;
            bow.pass(&Bend::default(), |chord, bend, goes_on| {
                let [start, end] = [passed, passed + 1].map(|k| path.point(f64::from(k) / f64::from(count)));
                let delta = [end[0] - start[0], end[1] - start[1], end[2] - start[2]];
                let wanted_length = delta.iter().map(|axis| axis * axis).sum::<f64>().sqrt();
                let mut wanted = Bend::default();
                let cosine = bends.straight(&delta, wanted_length, &mut wanted);
                wanted.turn(cosine);
                assert!((chord.length - wanted_length).abs() < 1e-12);
                if passed > 0 {
                    let pairs = [
                        (bend.per_mm, wanted.per_mm),
                        (bend.by_deviation, wanted.by_deviation),
                        (bend.by_length, wanted.by_length),
                    ];
                    assert!(pairs.iter().all(|(a, b)| (a / b - 1.0).abs() < 1e-9), "{pairs:?}");
                }
                passed += 1;
                assert_eq!(goes_on, passed < count);
            });
            assert_eq!(passed, count);
        }
    }
}
