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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::Profile;

    /// Host or board, 2000 mm/s² for travels and 500 for beads; X bears all of it, Y 400 mm/s².
    fn rules(model: Model, corner: Corner) -> MotionRules {
        MotionRules {
            model,
            corner,
            print_accel: 500.0,
            travel_accel: 2000.0,
            axis_accel: [f64::INFINITY, 400.0, 100.0, f64::INFINITY],
            ..MotionRules::of(&Profile::embedded())
        }
    }

    fn word(model: Model, corner: Corner, bears: [f32; 2], axes: [f64; 2]) -> Option<CornerWord> {
        Corners::new(&rules(model, corner)).next(&LayerLimits { step_mm_s: bears, ..LayerLimits::FREE }, axes)
    }

    const FREE: [f64; 2] = [f64::INFINITY; 2];

    /// Jump² / (8 a), for the axis that bears less. X: 16² / (8 * 2000) = 0.016, and at 100 mm/s² 0.32; Y: 16² / (8 * 400) =
    /// 0.08, 8² / (8 * 400) = 0.02, and at 200 mm/s² 0.04.
    #[test]
    fn a_deviation_is_that_of_the_axis_that_bears_less() {
        let deviation = |bears, axes| word(Model::Board, Corner::Deviation(0.1), bears, axes).map(|word| word.rule);
        assert_eq!(deviation([16.0, 16.0], FREE), Some(Corner::Deviation(0.016)));
        assert_eq!(deviation([16.0, 8.0], [100.0, f64::INFINITY]), Some(Corner::Deviation(0.02)));
        assert_eq!(deviation([32.0, 8.0], [f64::INFINITY, 200.0]), Some(Corner::Deviation(0.04)));
        // Four decimals, down: 16.1² / 16000 = 0.016 200 6.
        assert_eq!(deviation([16.1, 100.0], FREE), Some(Corner::Deviation(0.0162)));
        // Never below 0.01 mm, and no word where 0.1 is borne.
        assert_eq!(deviation([1.0, 1.0], FREE), Some(Corner::Deviation(0.01)));
        assert_eq!(deviation([100.0, 100.0], FREE), None);
    }

    /// A right angle at 1 mm/s jumps by 1.820 36 mm/s: 3.7 / 1.820 36 = 2.0326, down to 2.03.
    #[test]
    fn the_speed_at_a_right_angle_is_that_of_the_axis_that_bears_less() {
        let speed = |bears| word(Model::Host, Corner::RightAngleSpeed(5.0), bears, FREE).map(|word| word.rule);
        assert_eq!(speed([3.7, 9.0]), Some(Corner::RightAngleSpeed(2.03)));
        assert_eq!(speed([9.0, 3.7]), Some(Corner::RightAngleSpeed(2.03)));
        assert_eq!(speed([0.1, 9.0]), Some(Corner::RightAngleSpeed(0.2)));
    }

    /// As a single, 0.57 is 0.569 999 993: still 0.57 in two decimals, where 0.569 99 is 0.56.
    #[test]
    fn what_is_round_already_is_not_rounded_down() {
        let step = |bears| match word(Model::Host, Corner::AxisStep([10.0; 4]), [bears; 2], FREE).map(|word| word.rule)
        {
            Some(Corner::AxisStep([x, ..])) => x,
            other => panic!("{other:?}"),
        };
        assert_eq!([0.57, 0.569_99].map(step), [0.57, 0.56]);
    }

    #[test]
    fn the_rule_of_the_file_is_put_back() {
        let own = Corner::Deviation(0.1);
        let mut corners = Corners::new(&rules(Model::Board, own));
        let bears = |jump: f32| LayerLimits { step_mm_s: [jump; 2], ..LayerLimits::FREE };
        assert!(corners.next(&bears(8.0), FREE).is_some() && corners.set().is_some());
        assert_eq!(corners.next(&bears(f32::INFINITY), FREE).map(|word| word.rule), Some(own));
        assert_eq!(corners.set(), None);
    }
}
