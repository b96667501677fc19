//! Corners of beads that the output has in pieces.
//!
//! The speed through a corner is bounded by the circle that touches the moves on both sides at their middles. Where a
//! bead is cut at the ends of its ramps, the move at the corner is only a piece of it: the circle is smaller, and the
//! corner slower than that of the whole bead. How long the piece is depends on the speeds, so a plan of whole beads is
//! made first; then its corners are bounded by the pieces that follow from it, and the plan is made once more.

use super::{Behind, Host, Waiting};
use crate::units::Bounded;

/// Where beads are cut.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cuts {
    /// A ramp is no piece where the square of its change of speed is below this times the acceleration, mm.
    pub brief_mm: f64,
    /// Shortest piece, mm.
    pub shortest_mm: f64,
    /// A ramp is cut once more where its speeds have a higher ratio, the lower of them counted as
    /// `lowest_share` of the higher at least: at the root of their product.
    pub ratio: f64,
    /// See `ratio`.
    pub lowest_share: f64,
}

/// A bead beside a corner.
#[derive(Clone, Copy, Debug)]
struct Side {
    /// Squared speeds at the corner, of the cruise and at the bead's other end, mm²/s².
    corner: f64,
    top: f64,
    other: f64,
    /// Acceleration, mm/s².
    accel: f64,
    /// Length of the bead, mm.
    length: f64,
}

impl Cuts {
    /// Highest squared speed at a corner for which the piece beside it is long enough, mm²/s². Infinite where that is
    /// no piece of its own.
    ///
    /// With v² <= f a l/2 for a piece of length l = (w² - v²)/(2 a), that begins at w, v² <= w² k/(1 + k), k = f/4. Cut
    /// once more, it begins at w² = u top, u being v or the lowest share of the top speed.
    fn most(&self, factor: f64, side: Side) -> f64 {
        let Side { corner, top, other, accel, length } = side;
        let (speed, brief, shortest) = (top.sqrt(), self.brief_mm * accel, 2.0 * accel * self.shortest_mm);
        let is_ramp = |end: f64| {
            let change = speed - end.sqrt();
            change * change > brief && top - end >= shortest
        };
        if length < 2.0 * self.shortest_mm {
            return f64::INFINITY;
        }
        if !is_ramp(corner) {
            // A cruise from the ramp at the other end, with what there is of a ramp here.
            let ramp = 2.0 * accel * length;
            return if is_ramp(other) && ramp - (top - other) >= shortest {
                0.25 * factor * (ramp - (top - other))
            } else {
                f64::INFINITY
            };
        }
        let k = 0.25 * factor;
        let share = if k < f64::INFINITY { k / (1.0 + k) } else { 1.0 };
        let whole = corner.at_most(share * top);
        // Squared, as all is here.
        let lowest = self.lowest_share * self.lowest_share * top;
        let floor = whole.at_least(lowest);
        let middle = (floor * top).sqrt();
        let is_cut = top > self.ratio * self.ratio * floor && middle - whole >= shortest;
        match is_cut {
            false => share * top,
            true => (share * share * top).at_least((share * (lowest * top).sqrt()).at_most(lowest)),
        }
    }
}

/// What the corner before a move that waits was bounded by, beside it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Joint {
    /// Most squared speed, whatever came before, mm²/s².
    pub most: f64,
    /// Factor on half of acceleration times length.
    pub factor: f64,
    /// Most squared speed of the move itself, mm²/s².
    pub cruise: f64,
    /// It is a bead that may be cut.
    pub is_cut: bool,
}

impl Host {
    /// Bounds the corners of the first `count` moves, whose plan stands, by the pieces that follow from it. `end`: squared
    /// speed planned behind them; returns the one that is left where there are slower corners, with all put back to be
    /// planned anew.
    pub(super) fn slow_at_cuts(&mut self, count: usize, end: f64) -> Option<f64> {
        let cuts = self.cuts?;
        let first = self.waiting.first()?;
        // The speed at the start of the run stands, and only so much can be braked from there.
        let mut least = first.start;
        let mut is_slower = false;
        let mut before = *first;
        let start_of = |index: usize| if index < count { self.waiting.get(index).map_or(0.0, |step| step.start) } else { end };
        let mut was_cut = self.joints.first()?.is_cut;
        for index in 1..=count {
            let Some(joint) = self.joints.get_mut(index) else { break };
            let here = self.waiting.get(index).filter(|_| index < count);
            let corner = here.map_or(end, |step| step.start);
            least -= before.ramp;
            if corner > 0.0 && corner > least {
                let Waiting { start, cruise, accel, length, .. } = before;
                let side = Side { corner, top: cruise, other: start, accel, length };
                let mut most = if was_cut { cuts.most(joint.factor, side) } else { f64::INFINITY };
                if let Some(step) = here.filter(|_| joint.is_cut) {
                    let Waiting { cruise, accel, length, .. } = *step;
                    let side = Side { corner, top: cruise, other: start_of(index + 1), accel, length };
                    most = most.at_most(cuts.most(joint.factor, side));
                }
                if most < corner {
                    joint.most = joint.most.at_most(most.at_least(least));
                    is_slower = true;
                }
            }
            was_cut = joint.is_cut;
            let Some(step) = here else { break };
            before = *step;
        }
        is_slower.then(|| self.start_anew(count, end))
    }

    /// Puts the first `count` moves back to what bounds them, and lets all that wait know what can be reached then.
    fn start_anew(&mut self, count: usize, end: f64) -> f64 {
        let (mut reach, mut calm_reach) = (f64::INFINITY, f64::INFINITY);
        let mut left = end;
        for (index, (step, joint)) in self.waiting.iter_mut().zip(&self.joints).enumerate() {
            let (start, calm) = (step.start, step.calm_start);
            if index < count {
                step.cruise = joint.cruise;
            }
            if index > 0 {
                let most = if index < count { joint.most } else { step.start.at_most(joint.most) };
                step.start = most.at_most(reach);
                let calm = if index < count { step.start } else { step.calm_start.at_most(step.start) };
                step.calm_start = calm.at_most(calm_reach);
            }
            if index == count {
                left = end.at_most(step.start);
                step.start = left;
                step.calm_start = step.calm_start.at_most(left);
            }
            if index > count && step.start == start && step.calm_start == calm {
                return left;
            }
            (reach, calm_reach) = (step.start + step.ramp, step.calm_start + step.calm_ramp);
        }
        if self.waiting.len() > count {
            (self.before.reach, self.before.calm_reach) = (reach, calm_reach);
        }
        left
    }

    /// The run begins as fast as was planned before, whatever is slower behind it.
    pub(super) fn keep_entry(&mut self, count: usize) {
        let mut least = self.entry * self.entry;
        for step in self.waiting.iter_mut().take(count) {
            if step.start >= least {
                break;
            }
            step.start = least;
            step.cruise = step.cruise.at_least(least);
            least -= step.ramp;
        }
    }

    /// Settles the first `count` moves of beads that are cut; see [`Host::settle`].
    pub(super) fn plan_cut(&mut self, count: usize, behind: Behind) -> f64 {
        let mut end = behind.start;
        if let Some(left) = self.slow_at_cuts(count, end) {
            end = left;
            self.plan_back(count, Behind { start: end, ..behind });
            self.keep_entry(count);
        }
        self.joints.drain(..count);
        end
    }
}
