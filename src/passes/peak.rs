//! Each move alone: demand at most the peak capacity, extrusion without motion at most the screw's output.

use super::{Reason, Verdict};
use crate::demand::capacity::Capacity;
use crate::moves::{Kind, Move};
use crate::units::Bounded;

/// Volume of a move that counts against the capacity, mm³; below zero where it is hidden by what is let through.
fn counted(step: &Move, capacity: &Capacity) -> f64 {
    step.volume.abs() - capacity.leeway_mm3
}

/// What a move asks at a speed, mm³/s.
pub fn demand(step: &Move, speed: f64, capacity: &Capacity) -> f64 {
    let distance = step.distance();
    if distance > 0.0 { speed * counted(step, capacity).at_least(0.0) / distance } else { 0.0 }
}

/// The speed at which the move asks just what the screw gives; `None` where nothing bounds it.
///
/// q = A v, so v <= capacity / A with A the volume for a millimetre of path. Moves without motion, and moves that
/// turn the screw back, are bounded by the flow at the highest screw speed.
pub fn limit(step: &Move, capacity: &Capacity) -> Option<(f64, Reason)> {
    let volume = counted(step, capacity);
    if !step.has(Move::SCREW) || volume <= 0.0 {
        return None;
    }
    let (flow, reason) = match step.kind {
        Kind::Bead => (capacity.peak_mm3_s, Reason::PeakCapacity),
        Kind::EIn | Kind::EOut | Kind::MovingEOut => (capacity.screw_mm3_s, Reason::ScrewSpeed),
        _ => return None,
    };
    Some((flow * step.distance() / volume, reason))
}

/// Applies [`limit`] to a move that reaches the speed `top`, mm/s: what it does not reach, it does not ask for.
pub fn judge(step: &Move, top: f64, capacity: &Capacity) -> Verdict {
    let mut verdict = Verdict::unlimited(step);
    // Most moves ask less, which is seen without a division.
    if top * step.volume.abs() > capacity.peak_mm3_s.at_most(capacity.screw_mm3_s) * step.distance()
        && let Some((speed, reason)) = limit(step, capacity)
        && top > speed * super::ROUNDING
    {
        verdict.limit(speed, reason);
    }
    verdict
}
