//! Arcs as the chords that controllers run.

use super::Timing;
use crate::moves::arc::ArcPath;

/// Longest chord, mm. Both controllers measured cut arcs into chords of 1 mm.
const CHORD_MM: f64 = 1.0;
/// Most chords of one arc: a circle of 10 m radius.
const MOST_CHORDS: f64 = 65_536.0;

/// Number of chords of an arc of `length` mm, at least 1.
pub(super) fn chords(arc: &ArcPath, length: f64) -> u32 {
    let _ = arc;
    (length / CHORD_MM).floor().clamp(1.0, MOST_CHORDS) as u32
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
        },
    }
}
