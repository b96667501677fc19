//! Arcs as the chords that controllers run.

use super::Timing;
use super::bend::LEAST_PATH;
use crate::moves::arc::ArcPath;
use crate::units::Bounded;

/// Longest chord, mm. Both controllers measured were set to it.
const CHORD_MM: f64 = 1.0;
/// Shortest chord where chords are counted by angle, mm.
const SHORTEST_MM: f64 = 0.1;
/// Least chords of a whole turn where they are counted by angle.
const CHORDS_OF_TURN: f64 = 72.0;
/// Most chords of one arc, more than eight metres: a line takes bounded time, however many turns it states. Longer ones
/// make corners so flat that nothing brakes there.
const MOST_CHORDS: f64 = 8192.0;
/// Taken off before rounding up, so that a whole number with an error of rounding stays what it is.
const ROUNDING: f64 = 1e-4;

/// Chords of an arc of `length` mm on a controller that goes by length alone, at least 1.
fn pieces_by_length(length: f64) -> u32 {
    (length / CHORD_MM).floor().clamp(1.0, MOST_CHORDS) as u32
}

/// A chord of an arc.
#[derive(Clone, Copy, Debug)]
pub(super) struct Chord {
    /// Its end minus its start along X, Y and Z, mm.
    pub delta: [f64; 3],
    /// Its length, mm.
    pub length: f64,
}

impl Chord {
    fn between(from: [f64; 3], to: [f64; 3]) -> Self {
        let delta = [to[0] - from[0], to[1] - from[1], to[2] - from[2]];
        let length = (delta[0] * delta[0] + delta[1] * delta[1] + delta[2] * delta[2]).sqrt();
        Self { delta, length: length.at_least(LEAST_PATH) }
    }
}

/// The chords of an arc on a controller that goes by length alone. They are turned by the same angle one after the other, but
/// for the last, which ends where the line says: perhaps beside the circle.
#[derive(Clone, Copy, Debug)]
pub(super) struct Chords {
    /// How many, at least 1.
    pub count: u32,
    pub first: Chord,
    /// The last but one, or the only one.
    pub before_last: Chord,
    pub last: Chord,
    /// Axes of the plane, and sine and cosine of the angle.
    plane: (usize, usize),
    turn: (f64, f64),
}

impl Chords {
    /// Of an arc of `length` mm.
    pub fn new(arc: &ArcPath, length: f64) -> Self {
        let count = pieces_by_length(length);
        let behind = |passed: u32| if passed == 0 { arc.from } else { arc.point(f64::from(passed) / f64::from(count)) };
        let (first_axis, second_axis, _) = arc.plane.axes();
        let [start, end] = [count.saturating_sub(2), count - 1].map(behind);
        Self {
            count,
            first: Chord::between(arc.from, behind(1)),
            before_last: Chord::between(start, if count > 1 { end } else { arc.to }),
            last: Chord::between(end, arc.to),
            plane: (first_axis, second_axis),
            turn: (arc.arc.sweep / f64::from(count)).sin_cos(),
        }
    }

    /// The chord behind one, where that is not the last.
    #[inline]
    pub fn next(&self, chord: &Chord) -> Chord {
        let ((first, second), (sin, cos)) = (self.plane, self.turn);
        let mut next = *chord;
        next.delta[first] = chord.delta[first] * cos - chord.delta[second] * sin;
        next.delta[second] = chord.delta[first] * sin + chord.delta[second] * cos;
        next
    }
}

/// Chords of an arc of `length` mm and `sweep` rad on a controller that also goes by the angle, at least 1.
///
/// Found from the number of moves that a board ran for files with arcs; it agrees within 1 % there.
pub(super) fn pieces_by_angle(length: f64, sweep: f64) -> u32 {
    let by_angle = (CHORDS_OF_TURN * sweep.abs() / std::f64::consts::TAU - ROUNDING).ceil();
    let wanted = (length / CHORD_MM).floor().max(by_angle).max(1.0);
    let chord = (length / wanted).clamp(SHORTEST_MM, CHORD_MM);
    (length / chord - ROUNDING).ceil().clamp(1.0, MOST_CHORDS) as u32
}

/// Adds the timing of the next chord to that of the ones before.
pub(super) fn join(before: Option<Timing>, next: Timing) -> Timing {
    match before {
        None => next,
        Some(before) => Timing {
            entry: before.entry,
            top: before.top.max(next.top),
            exit: next.exit,
            accel: before.accel.min(next.accel),
            time: before.time + next.time,
            by_length: [before.by_length[0], next.by_length[1]],
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::arc::{Arc, Centre, Plane};
    use std::f64::consts::TAU;

    #[test]
    fn chords_go_from_point_to_point() {
        let (from, to) = ([3.0, 0.0, 0.2], [0.0, 3.0, 0.4]);
        for (turns, length, to) in [(1, 0.7, to), (1, 2.1, to), (1, 4.7, [0.0, 3.01, 0.2]), (3, 42.0, to)] {
            let arc = Arc::resolve([3.0, 0.0], [to[0], to[1]], Centre::Offset(-3.0, 0.0), false, turns).unwrap();
            let path = ArcPath { plane: Plane::Xy, arc, from, to };
            let chords = Chords::new(&path, length);
            let mut chord = chords.first;
            for passed in 0..chords.count {
                let [start, end] = [passed, passed + 1].map(|k| path.point(f64::from(k) / f64::from(chords.count)));
                let wanted = Chord::between(start, end);
                if passed + 1 == chords.count {
                    chord = chords.last;
                }
                assert!((chord.length - wanted.length).abs() < 1e-12, "{chord:?} {wanted:?}");
                assert!(
                    chord.delta.iter().zip(wanted.delta).all(|(a, b)| (a - b).abs() < 1e-12),
                    "{chord:?} {wanted:?}"
                );
                if passed + 2 == chords.count {
                    assert!(chord.delta.iter().zip(chords.before_last.delta).all(|(a, b)| (a - b).abs() < 1e-12));
                }
                chord = chords.next(&chord);
            }
        }
    }

    #[test]
    fn chords_by_length_and_by_angle() {
        assert_eq!((pieces_by_length(0.4), pieces_by_length(7.9)), (1, 7));
        // A circle of 20 mm radius: 125.66 mm, and 72 by its angle. Of 5 mm: 31.4 mm, and 72, 0.436 mm each.
        assert_eq!((pieces_by_angle(20.0 * TAU, TAU), pieces_by_angle(5.0 * TAU, -TAU)), (126, 72));
        // Of 0.5 mm: 72 chords would be 0.0436 mm each; of 0.1 mm it takes 32.
        assert_eq!(pieces_by_angle(0.5 * TAU, TAU), 32);
        assert_eq!((pieces_by_angle(0.01, 0.01), pieces_by_angle(1e9, 1.0)), (1, 8192));
    }
}
