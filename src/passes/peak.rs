//! Each move alone: demand at most the peak capacity, extrusion without motion at most the screw's output.

use super::{Reason, Verdict};
use crate::demand::capacity::Capacity;
use crate::moves::{Kind, Move};
use crate::units::Bounded;

/// Volume of a move that counts against the capacity, mm³; below zero where it is hidden by what is let through.
fn counted(step: &Move, capacity: &Capacity) -> f64 {
    step.volume.abs() - capacity.leeway_mm3
}

/// What a move asks at a speed, mm³/s. What the leeway hides is left out only where it lies above what the screw gives, so
/// that all below is told as it is.
#[inline]
pub fn demand(step: &Move, speed: f64, capacity: &Capacity) -> f64 {
    let distance = step.distance();
    if distance <= 0.0 {
        return 0.0;
    }
    let whole = step.volume.abs() / distance * speed;
    match most(step.kind, capacity) {
        Some((flow, _)) if whole > flow => (counted(step, capacity) / distance * speed).at_least(flow),
        _ => whole,
    }
}

/// [`demand`] of a bead at each of two speeds. Of another move along a path, it is above the peak capacity only where that
/// asks more too; without a path it is without end, or no number.
#[inline]
pub fn demands(bead: &Move, speeds: [f64; 2], capacity: &Capacity) -> [f64; 2] {
    let (whole, beyond) = (bead.volume.abs() / bead.length, counted(bead, capacity) / bead.length);
    // Without asking: from bead to bead nobody can guess whether one lies above the capacity.
    let flow = |speed: f64| (whole * speed).at_most((beyond * speed).at_least(capacity.peak_mm3_s));
    [flow(speeds[0]), flow(speeds[1])]
}

/// The flow a move may ask, and why no more.
#[inline]
fn most(kind: Kind, capacity: &Capacity) -> Option<(f64, Reason)> {
    match kind {
        Kind::Bead => Some((capacity.peak_mm3_s, Reason::PeakCapacity)),
        Kind::EIn | Kind::EOut | Kind::MovingTurn => Some((capacity.screw_mm3_s, Reason::ScrewSpeed)),
        _ => None,
    }
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
    let (flow, reason) = most(step.kind, capacity)?;
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::sample;
    use crate::profile::Profile;

    /// A barrel that melts 20 mm³/s before a screw that turns for 60: beads are held to the one, turns at rest to the other.
    #[test]
    fn beads_keep_to_the_peak_and_turns_to_the_screw() {
        let mut capacity = Capacity::of(&Profile::embedded());
        (capacity.peak_mm3_s, capacity.screw_mm3_s, capacity.leeway_mm3) = (20.0, 60.0, 0.0);
        // 0.5 mm² at 60 mm/s ask 30 mm³/s: 40 mm/s.
        let step = sample::bead(10.0, 5.0);
        let verdict = judge(&step, 60.0, &capacity);
        assert!((verdict.speed - 40.0).abs() < 1e-9 && verdict.reason == Some(Reason::PeakCapacity), "{verdict:?}");
        assert_eq!(judge(&step, 39.0, &capacity).reason, None);
        // 5 mm³ with 2 units of E, back: 24 units a second.
        let back = Move { kind: Kind::EOut, length: 0.0, e: -2.0, volume: -5.0, speed: 30.0, ..step };
        let verdict = judge(&back, 30.0, &capacity);
        assert!((verdict.speed - 24.0).abs() < 1e-9 && verdict.reason == Some(Reason::ScrewSpeed), "{verdict:?}");
    }

    /// Of 10 mm with 5 mm³, of which 1 mm³ is let through, at a capacity of 30 mm³/s.
    #[test]
    fn what_is_let_through_is_left_out_above_the_capacity_only() {
        let mut capacity = Capacity::of(&Profile::embedded());
        (capacity.peak_mm3_s, capacity.leeway_mm3) = (30.0, 1.0);
        let step = sample::bead(10.0, 5.0);
        for (speed, asked) in [(40.0, 20.0), (60.0, 30.0), (70.0, 30.0), (75.0, 30.0), (100.0, 40.0)] {
            let told = demand(&step, speed, &capacity);
            assert!((told - asked).abs() < 1e-9, "{speed} mm/s: {told}");
            assert_eq!(demands(&step, [speed, 1.0], &capacity), [told, 0.5]);
            let (most, _) = limit(&step, &capacity).expect("a limit");
            assert_eq!(told > 30.000_001, speed > most * 1.000_001, "{speed} mm/s of {most}");
        }
    }
}
