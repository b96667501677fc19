//! Where the bead area jumps inside a run and nobody makes up for the lag, the junction is held slow: what flow is
//! astray behind it grows with the jump of the flow.

use crate::motion::rules::MotionRules;
use crate::moves::limits::MotionLimits;
use crate::moves::{Kind, Move};
use crate::passes::ROUNDING;

/// No junction is held below this speed, mm/s.
const LEAST_SPEED: f64 = 0.1;
/// Properties of lines that are not written as several here: they are held slow as a whole.
const WHOLE: u16 = Move::ARC | Move::NUMBERED | Move::FEED_BEFORE | Move::SPLIT | Move::TIGHT;

/// A bead that begins slowly.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pin {
    /// Share of its path that is slow; 1: all of it.
    pub share: f64,
    /// The speed, mm/s.
    pub speed: f64,
}

/// Follows the beads of a run.
#[derive(Clone, Debug)]
pub struct FlowSteps {
    /// Largest jump of flow, mm³/s.
    most_mm3_s: f64,
    /// Length of the slow piece, mm.
    piece_mm: f64,
    base: MotionRules,
    accel: f64,
    /// Bead area, mm², and speed, mm/s, of the bead just before.
    before: Option<(f64, f64)>,
}

impl FlowSteps {
    /// `most_mm3_s`: largest jump of flow at a junction, mm³/s; `piece_mm`: length of a slow piece.
    pub fn new(most_mm3_s: f64, piece_mm: f64, rules: &MotionRules) -> Self {
        Self { most_mm3_s, piece_mm, base: *rules, accel: rules.print_accel, before: None }
    }

    /// The file sets limits of motion.
    pub fn follow(&mut self, limits: &MotionLimits) {
        self.accel = self.base.with(limits).print_accel;
    }

    /// The screw is turned at rest, or something else ends the run.
    pub fn interrupt(&mut self) {
        self.before = None;
    }

    /// Decides for the next move; `speed`: highest allowed, mm/s.
    ///
    /// At a junction passed at v, flow jumps by |A2 - A1| v; so v <= jump/|A2 - A1|. The bead behind it begins with a
    /// short piece at that speed, or has it throughout where it is shorter than two ramps up from it, (v2² - v²)/(2a),
    /// and where its line cannot be written as several.
    pub fn next(&mut self, step: &Move, speed: f64) -> Option<Pin> {
        match step.kind {
            Kind::Bead if step.has(Move::SCREW) => {}
            Kind::Limits | Kind::SetE | Kind::Feed => return None,
            _ => {
                self.before = None;
                return None;
            }
        }
        let area = step.volume / step.length;
        let pin = self.before.and_then(|(before, speed_before)| {
            let jump = (area - before).abs();
            if jump * speed.min(speed_before) <= self.most_mm3_s * ROUNDING {
                return None;
            }
            let slow = (self.most_mm3_s / jump).max(LEAST_SPEED);
            let ramp = (speed * speed - slow * slow) / (2.0 * self.accel);
            let is_short = step.length < 2.0 * ramp + self.piece_mm;
            let share = if is_short || step.flags & WHOLE != 0 { 1.0 } else { self.piece_mm / step.length };
            (slow < speed).then_some(Pin { share, speed: slow })
        });
        self.before = Some((area, pin.filter(|pin| pin.share >= 1.0).map_or(speed, |pin| pin.speed)));
        pin
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::passes::sample::bead;

    fn steps() -> FlowSteps {
        let rules = MotionRules { print_accel: 1000.0, ..MotionRules::of(&crate::profile::Profile::embedded()) };
        FlowSteps::new(2.0, 0.1, &rules)
    }

    /// From 0.1 to 0.5 mm²: at most 2/0.4 = 5 mm/s. The ramp up to 50 takes (2500 - 25)/2000 = 1.2375 mm.
    #[test]
    fn a_jump_is_passed_slowly() {
        let mut steps = steps();
        assert_eq!(steps.next(&bead(20.0, 2.0), 50.0), None, "the run begins");
        let pin = steps.next(&bead(20.0, 10.0), 50.0).expect("a jump");
        assert!((pin.speed - 5.0).abs() < 1e-12 && (pin.share - 0.005).abs() < 1e-15, "{pin:?}");
        assert_eq!(steps.next(&bead(20.0, 10.0), 50.0), None, "the same area");
        // Back to 0.1 mm², 2.57 mm long: just shorter than two ramps and the piece.
        let pin = steps.next(&bead(2.57, 0.257), 50.0).expect("a jump");
        assert!((pin.speed - 5.0).abs() < 1e-12 && pin.share == 1.0, "{pin:?}");
        // It is passed at 5 mm/s now, and so is the jump behind it: 0.4 · 5 = 2 mm³/s.
        assert_eq!(steps.next(&bead(20.0, 10.0), 50.0), None);
    }

    #[test]
    fn small_jumps_and_gaps_are_let_pass() {
        let mut steps = steps();
        steps.next(&bead(20.0, 2.0), 50.0);
        // 0.04 mm² at 50 mm/s: 2 mm³/s.
        assert_eq!(steps.next(&bead(20.0, 2.8), 50.0), None);
        let travel = Move { kind: Kind::Travel, volume: 0.0, e: 0.0, ..bead(20.0, 1.0) };
        assert_eq!(steps.next(&travel, 50.0), None);
        assert_eq!(steps.next(&bead(20.0, 10.0), 50.0), None);
        steps.interrupt();
        assert_eq!(steps.next(&bead(20.0, 2.0), 50.0), None);
        // A line that cannot be written as several is slow as a whole.
        let arc = Move { flags: Move::SCREW | Move::ARC, ..bead(20.0, 10.0) };
        assert_eq!(steps.next(&arc, 50.0).map(|pin| pin.share), Some(1.0));
        let giant = steps.next(&bead(20.0, 2000.0), 50.0).expect("a jump");
        assert_eq!(giant.speed, LEAST_SPEED, "2/99.5 mm/s would be next to nothing");
    }
}
