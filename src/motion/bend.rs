//! What planning needs of a path and of the corner before it, however fast they are.

use super::corner::HalfTurn;
use super::{Beside, arcs};
use crate::moves::{Kind, Move};

/// Shorter paths are none, mm: what is left of rounding.
pub(super) const LEAST_PATH: f64 = 1e-9;

/// A path and the corner at its start. Speeds and E are no part of it, so that it is the same in all plans of a file.
#[derive(Clone, Copy, Debug, Default)]
pub struct Bend {
    /// One over the length, 1/mm.
    pub(super) per_mm: f64,
    /// [`HalfTurn::deviation_factor`] of the corner.
    pub(super) by_deviation: f64,
    /// [`HalfTurn::midpoint_factor`] of the corner.
    pub(super) by_length: f64,
    /// Nothing moves along X and Y.
    pub(super) is_upright: bool,
}

/// Follows the paths of a file. Where the machine rests between two of them, what is told of the corner means nothing.
#[derive(Clone, Debug, Default)]
pub(super) struct Bends {
    /// Change of X, Y and Z for a mm of the last path; nothing before the first.
    direction: [f64; 3],
}

impl Bends {
    /// Goes past a move; without meaning where that has no path.
    #[inline]
    pub fn next(&mut self, step: &Move, beside: Beside<'_>) -> Bend {
        let moves = matches!(step.kind, Kind::Bead | Kind::Travel | Kind::MovingEOut);
        if moves && step.length >= LEAST_PATH && beside.arc.is_none() {
            return self.line(&step.delta, step.length);
        }
        self.rare(step, beside)
    }

    /// Goes past an arc, whose bend is that of its first chord, or past no path at all.
    #[cold]
    fn rare(&mut self, step: &Move, beside: Beside<'_>) -> Bend {
        let mut first = None;
        if let Some(arc) = beside.arc {
            for chord in arcs::chords_by_length(arc, step.length) {
                let bend = self.line(&chord.delta, chord.length);
                first.get_or_insert(bend);
            }
        }
        first.unwrap_or_default()
    }

    /// Goes past a straight path or a chord.
    #[inline]
    pub fn line(&mut self, delta: &[f64; 3], length: f64) -> Bend {
        let per_mm = 1.0 / length;
        let now = [delta[0] * per_mm, delta[1] * per_mm, delta[2] * per_mm];
        let before = std::mem::replace(&mut self.direction, now);
        let half = HalfTurn::of_cosine(before[0] * now[0] + before[1] * now[1] + before[2] * now[2]);
        Bend {
            per_mm,
            by_deviation: half.deviation_factor(),
            by_length: half.midpoint_factor(),
            is_upright: delta[0] == 0.0 && delta[1] == 0.0,
        }
    }
}
