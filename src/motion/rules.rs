//! What the planner takes from the profile, and what of it a file may change.

use super::corner::deviation_of_right_angle;
use crate::moves::limits::MotionLimits;
use crate::moves::resolve;
use crate::profile::{Corner, LagCompensation, Preset, Profile};
use crate::units::Bounded;

/// How a controller plans.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Model {
    /// In real numbers, over as many moves as there are.
    Host,
    /// In whole motor steps, over a short queue.
    Board,
}

/// Rules of motion at one place of a file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotionRules {
    /// How the controller plans.
    pub model: Model,
    /// Highest speed along the path, mm/s.
    pub path_speed: f64,
    /// Acceleration of moves with extrusion, mm/s².
    pub print_accel: f64,
    /// Acceleration of moves without, mm/s².
    pub travel_accel: f64,
    /// Highest speed of the extruder without motion along X and Y, E units per second; infinite for no limit.
    pub e_only_speed: f64,
    /// Its acceleration, E units per second squared.
    pub e_only_accel: f64,
    /// Highest speed by axis X, Y, Z, E, mm/s; infinite for no limit.
    pub axis_speed: [f64; 4],
    /// Highest acceleration by axis X, Y, Z, E, mm/s²; infinite for no limit.
    pub axis_accel: [f64; 4],
    /// Corner rule.
    pub corner: Corner,
    /// Least share of a short move that is spent cruising, 0..1.
    pub min_cruise_share: f64,
    /// Largest jump of the extruder's speed where two moves meet, E units per second; infinite for no limit.
    pub e_step: f64,
    /// Time by which the controller lets the extruder run ahead of the path, s; 0: it does not.
    pub e_lag_s: f64,
    /// Moves planned ahead; `None`: as many as there are.
    pub look_ahead: Option<usize>,
    /// Motor steps for one mm of X, Y, Z and one unit of E.
    pub steps_per_mm: [f64; 4],
}

/// What a unit of E pushes, in the file as it was sliced and in one that is to be executed, mm³; `None` where nothing tells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EVolumes {
    /// As it was sliced.
    pub sliced: Option<f64>,
    /// In what is executed.
    pub executed: Option<f64>,
}

/// Volumes that differ by a smaller share are the same.
const SAME_VOLUME: f64 = 1e-9;

impl EVolumes {
    /// Of a file that is executed as it is.
    pub fn of(rules: &resolve::Rules) -> Self {
        Self { sliced: rules.sliced_e_volume_mm3, executed: rules.e_volume_mm3 }
    }

    /// How many times as much a unit pushes in what is executed; 1 where nothing tells.
    pub fn ratio(self) -> f64 {
        match (self.sliced, self.executed) {
            (Some(sliced), Some(executed)) if sliced > 0.0 && executed > 0.0 => executed / sliced,
            _ => 1.0,
        }
    }

    /// Whether they are known to differ.
    pub fn differ(self) -> bool {
        (self.ratio() - 1.0).abs() > SAME_VOLUME
    }
}

impl MotionRules {
    /// The rules at the start of a file whose E counts as it was sliced. A controller that compensates is taken to be set to
    /// the lag of the melt.
    pub fn of(profile: &Profile) -> Self {
        let (machine, controller) = (&profile.machine, &profile.controller);
        let accel = machine.max_accel_mm_s2.value;
        let model = match controller.preset.value {
            Preset::Host | Preset::Custom => Model::Host,
            Preset::Board | Preset::Network => Model::Board,
        };
        // What a host is set to holds for Z whatever the file sets: measured, lifts at 10 000 mm/s² ran at 3000.
        let free = |z: f64| {
            [f64::INFINITY, f64::INFINITY, if model == Model::Host { z } else { f64::INFINITY }, f64::INFINITY]
        };
        Self {
            model,
            path_speed: machine.max_speed_mm_s.value,
            print_accel: accel,
            travel_accel: accel,
            e_only_speed: controller.e_only_speed_mm_s.value.unwrap_or(f64::INFINITY),
            e_only_accel: controller.e_only_accel_mm_s2.value.unwrap_or(accel),
            axis_speed: machine.axis_speed_mm_s.value.unwrap_or(free(machine.max_speed_mm_s.value)),
            axis_accel: machine.axis_accel_mm_s2.value.unwrap_or(free(accel)),
            corner: machine.corner.value,
            min_cruise_share: controller.min_cruise_share.value,
            e_step: controller.e_step_mm_s.value.unwrap_or(f64::INFINITY),
            e_lag_s: match profile.screw.lag_compensated_by.value {
                LagCompensation::Controller => profile.screw.melt_lag_s.value,
                LagCompensation::File | LagCompensation::None => 0.0,
            },
            look_ahead: controller.look_ahead_moves.value.map(|moves| moves as usize),
            steps_per_mm: machine.steps_per_mm.value,
        }
    }

    /// The rules for a file of these volumes. A controller that is set up for larger units of E makes as many more motor
    /// steps for one: for a mm³ they stay the same.
    pub fn with_e(profile: &Profile, volumes: EVolumes) -> Self {
        let mut rules = Self::of(profile);
        rules.steps_per_mm[3] *= volumes.ratio();
        rules
    }

    /// These rules with what the file has set so far.
    ///
    /// A corner rule of another kind than the controller's own changes nothing.
    #[must_use]
    pub fn with(&self, limits: &MotionLimits) -> Self {
        let over = |own: f64, file: Option<f64>| file.filter(|v| *v > 0.0).unwrap_or(own);
        let axes = |own: [f64; 4], file: [Option<f64>; 4]| {
            let mut axes = own;
            axes.iter_mut().zip(file).for_each(|(axis, file)| *axis = over(*axis, file));
            axes
        };
        Self {
            path_speed: over(self.path_speed, limits.path_speed),
            print_accel: over(self.print_accel, limits.print_accel),
            travel_accel: over(self.travel_accel, limits.travel_accel),
            // On a host the limits of E alone are fixed at start-up; no command reaches this one there.
            e_only_accel: over(self.e_only_accel, limits.e_only_accel),
            axis_speed: axes(self.axis_speed, limits.axis_speed),
            axis_accel: axes(self.axis_accel, limits.axis_accel),
            corner: match self.corner {
                Corner::RightAngleSpeed(own) => {
                    // A set speed of 0 is sound: every corner is a stop.
                    Corner::RightAngleSpeed(limits.right_angle_speed.unwrap_or(own))
                }
                Corner::Deviation(own) => Corner::Deviation(over(own, limits.corner_deviation)),
                Corner::AxisStep(own) => Corner::AxisStep(axes(own, limits.axis_step)),
            },
            min_cruise_share: limits.min_cruise_share.unwrap_or(self.min_cruise_share).clamp(0.0, MOST_CRUISE_SHARE),
            e_lag_s: limits.e_lag_s.unwrap_or(self.e_lag_s),
            ..*self
        }
    }

    /// Speed and acceleration along a path, lowered to what its axes bear. `direction`: change of each axis for a mm.
    pub(super) fn within_axes(&self, direction: &[f64], mut speed: f64, mut accel: f64) -> (f64, f64) {
        for ((axis, most_speed), most_accel) in direction.iter().zip(self.axis_speed).zip(self.axis_accel) {
            let share = axis.abs();
            if share * speed > most_speed {
                speed = most_speed / share;
            }
            if share * accel > most_accel {
                accel = most_accel / share;
            }
        }
        (speed, accel)
    }

    /// Speed and acceleration up to which no axis of X, Y and Z bounds any path.
    pub(super) fn slowest_axis(&self) -> (f64, f64) {
        let (speed, accel) = self.slowest_in_plane();
        (speed.at_most(self.axis_speed[2]), accel.at_most(self.axis_accel[2]))
    }

    /// The same of X and Y, and paths along these.
    pub(super) fn slowest_in_plane(&self) -> (f64, f64) {
        let least = |[x, y, ..]: [f64; 4]| x.at_most(y);
        (least(self.axis_speed), least(self.axis_accel))
    }

    /// Deviation that the corner rule allows at an acceleration, mm; `None` under the rule by axis.
    pub(super) fn deviation(&self, accel: f64) -> Option<f64> {
        match self.corner {
            Corner::RightAngleSpeed(speed) => Some(deviation_of_right_angle(speed, accel)),
            Corner::Deviation(deviation) => Some(deviation),
            Corner::AxisStep(_) => None,
        }
    }
}

/// What is set in the output over the limits of the file.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Held {
    /// Corner rule.
    pub corner: Option<Corner>,
    /// Highest acceleration along X and Y, mm/s².
    pub axis_accel: [Option<f64>; 2],
}

impl Held {
    /// The file sets limits itself; `file`: what it has in force then.
    pub fn follow(&mut self, limits: &MotionLimits, file: &MotionRules) {
        self.corner = self.corner.and_then(|held| kept_corner(held, limits, file.corner));
        for (held, sets) in self.axis_accel.iter_mut().zip(limits.sets_axis_accel) {
            *held = held.filter(|_| !sets);
        }
    }

    /// What is in force, where the file has `rules`.
    #[must_use]
    pub fn over(&self, rules: MotionRules) -> MotionRules {
        let mut now = MotionRules { corner: self.corner.unwrap_or(rules.corner), ..rules };
        for (axis, held) in now.axis_accel.iter_mut().zip(self.axis_accel) {
            *axis = held.unwrap_or(*axis);
        }
        now
    }
}

/// What is left of a corner rule once the file sets limits itself; `None` where its own rule is in force.
fn kept_corner(held: Corner, limits: &MotionLimits, file: Corner) -> Option<Corner> {
    match (held, file) {
        (Corner::AxisStep(held), Corner::AxisStep(own)) => {
            let mut steps = own;
            for axis in [0, 1] {
                if !limits.sets_corner[axis] {
                    steps[axis] = held[axis];
                }
            }
            (steps != own).then_some(Corner::AxisStep(steps))
        }
        (held, _) => (limits.sets_corner == [false; 2]).then_some(held),
    }
}

/// At a share of 1 no move could ever speed up.
const MOST_CRUISE_SHARE: f64 = 0.999;
/// Accelerations below are taken for this one, mm/s²: without any, a machine would never move.
pub(super) const LEAST_ACCEL: f64 = 1e-3;
/// Speeds below are taken for this one, mm/s: without any, a machine would never arrive.
pub(super) const LEAST_SPEED: f64 = 1e-9;
