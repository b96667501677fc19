//! The controller's corner rule, lowered to the jumps of speed that a soft part bears.
//!
//! A jump of speed shakes the part as an acceleration does, however low accelerations are set. So where the controller
//! has a word for its rule, the rule is lowered for the layers whose part needs it, and put back behind them.

use super::lag::accel::Lowered;
use crate::motion::rules::{Held, Model, MotionRules};
use crate::moves::limits::MotionLimits;
use crate::profile::Corner;
use crate::soft::LayerLimits;
use crate::soft::corners::{deviation_of, lowest, per_right_angle, per_step};
use crate::units::Bounded;

/// A rule that is to be set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CornerWord {
    /// What is in force then.
    pub rule: Corner,
    /// For the rule by axis: whether X and Y are to be named.
    pub axes: [bool; 2],
}

/// Follows the corner rule in the output.
#[derive(Clone, Debug)]
pub struct Corners {
    base: MotionRules,
    /// What the file has in force.
    file: MotionRules,
    /// What is in force, where it differs.
    written: Option<Corner>,
}

impl Corners {
    /// At the start of a file.
    pub fn new(rules: &MotionRules) -> Self {
        Self { base: *rules, file: *rules, written: None }
    }

    /// The rule that was set over the file's.
    pub(super) fn set(&self) -> Option<Corner> {
        self.written
    }

    /// The file sets limits of motion.
    pub(super) fn follow(&mut self, limits: &MotionLimits) {
        self.file = self.base.with(limits);
        let mut held = Held { corner: self.written, ..Held::default() };
        held.follow(limits, &self.file);
        self.written = held.corner;
    }

    /// The rule that is to be set for a layer that bears `now`. `axes`: highest accelerations along X and Y that are set
    /// for the part, mm/s².
    pub(super) fn next(&mut self, now: &LayerLimits, axes: [f64; 2]) -> Option<CornerWord> {
        let bears = now.step_mm_s.map(f64::from);
        let set = self.written.unwrap_or(self.file.corner);
        let rule = self.file.corner;
        let lowered = |own, set, bears: f64| {
            Lowered { own, set, bears: bears.at_least(lowest(rule)) }.next(|value| rounded(value, rule))
        };
        let (rule, axes) = match (self.file.corner, set) {
            (Corner::RightAngleSpeed(own), Corner::RightAngleSpeed(set)) => {
                let most = bears[0].at_most(bears[1]) / per_right_angle();
                (Corner::RightAngleSpeed(lowered(own, set, most)?), [false; 2])
            }
            (Corner::Deviation(own), Corner::Deviation(set)) => {
                let path = self.file.print_accel.max(self.file.travel_accel);
                let along = |axis: usize| path.at_most(self.file.axis_accel[axis]).at_most(axes[axis]);
                let most = deviation_of(bears[0], along(0)).at_most(deviation_of(bears[1], along(1)));
                (Corner::Deviation(lowered(own, set, most)?), [false; 2])
            }
            (Corner::AxisStep(own), Corner::AxisStep(set)) => {
                let (mut steps, mut named) = (set, [false; 2]);
                for axis in [0, 1] {
                    let most = bears[axis] / per_step(self.file.model == Model::Board);
                    if let Some(step) = lowered(own[axis], set[axis], most) {
                        (steps[axis], named[axis]) = (step, true);
                    }
                }
                if named == [false; 2] {
                    return None;
                }
                (Corner::AxisStep(steps), named)
            }
            _ => return None,
        };
        self.written = (rule != self.file.corner).then_some(rule);
        Some(CornerWord { rule, axes })
    }
}

/// Rounded down to what a word shows: two decimals of mm/s, four of mm.
fn rounded(value: f64, rule: Corner) -> f64 {
    let parts = match rule {
        Corner::Deviation(_) => 1e4,
        Corner::RightAngleSpeed(_) | Corner::AxisStep(_) => 1e2,
    };
    // What is already round is left, whatever its last digit.
    (value * parts + 1e-6).floor() / parts
}
