//! Limits of motion that the file itself sets: accelerations, speeds and corner rules.
//!
//! They are followed here in mm and seconds so that whoever computes what is really executed finds them as the
//! controller would have them at each line. Which commands count is a rule of the controller.

use crate::profile::LimitWords;

/// What the file has set so far; `None` where it has set nothing and the machine's own value is in force.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MotionLimits {
    /// The command that set these named the acceleration of moves with and of moves without extrusion, perhaps the one
    /// already in force.
    pub sets_accel: [bool; 2],
    /// It named the highest acceleration of X and of Y, perhaps the one already in force.
    pub sets_axis_accel: [bool; 2],
    /// It named the corner rule along X and Y, perhaps the one already in force.
    pub sets_corner: [bool; 2],
    /// Acceleration of moves with extrusion, mm/s².
    pub print_accel: Option<f64>,
    /// Acceleration of moves without extrusion, mm/s².
    pub travel_accel: Option<f64>,
    /// Acceleration of the extruder without motion, mm/s².
    pub e_only_accel: Option<f64>,
    /// Highest acceleration by axis X, Y, Z, E, mm/s².
    pub axis_accel: [Option<f64>; 4],
    /// Highest speed by axis X, Y, Z, E, mm/s.
    pub axis_speed: [Option<f64>; 4],
    /// Instant speed change by axis X, Y, Z, E, mm/s.
    pub axis_step: [Option<f64>; 4],
    /// Allowed deviation at corners, mm.
    pub corner_deviation: Option<f64>,
    /// Highest speed along the path, mm/s.
    pub path_speed: Option<f64>,
    /// Speed through a right angle, mm/s.
    pub right_angle_speed: Option<f64>,
    /// Share of a short move that is spent cruising, 0..=1.
    pub min_cruise_share: Option<f64>,
    /// Time by which the controller lets the extruder run ahead of the path, s; 0 switches that off.
    pub e_lag_s: Option<f64>,
    /// The same in the output, where lines that switch it on may have been taken out.
    pub e_lag_in_output_s: Option<f64>,
}

/// Sets `slot` where the line gives a usable number, finite and above zero. Returns whether it does.
///
/// Zero is refused by some controllers and stops the machine for good on others.
fn set(slot: &mut Option<f64>, value: Option<f64>) -> bool {
    let usable = value.filter(|v| v.is_finite() && *v > 0.0);
    *slot = usable.or(*slot);
    usable.is_some()
}

/// Sets the slots of the axes the line names. Returns whether it names X and Y.
fn set_axes(slots: &mut [Option<f64>; 4], word: impl Fn(u8) -> Option<f64>, scale: f64) -> [bool; 2] {
    let [x, y, z, e] = slots;
    set(z, word(b'Z').map(|v| v * scale));
    set(e, word(b'E').map(|v| v * scale));
    [set(x, word(b'X').map(|v| v * scale)), set(y, word(b'Y').map(|v| v * scale))]
}

impl MotionLimits {
    /// Whether the output sets them as the file does.
    pub fn is_as_in_file(&self) -> bool {
        self.e_lag_s == self.e_lag_in_output_s
    }

    /// The limits as the output sets them.
    #[must_use]
    pub fn in_output(&self) -> Self {
        Self { e_lag_s: self.e_lag_in_output_s, ..*self }
    }

    /// Sets the controller's own lag compensation; 0 is sound.
    pub(super) fn set_lag(&mut self, seconds: Option<f64>) {
        if let Some(s) = seconds.filter(|s| (0.0..1e3).contains(s)) {
            self.e_lag_s = Some(s);
            self.e_lag_in_output_s = Some(s);
        }
    }

    /// Another line comes: nothing is named yet.
    pub(super) fn next_line(&mut self) {
        (self.sets_accel, self.sets_axis_accel, self.sets_corner) = Default::default();
    }

    /// Follows an M command. `word` gives the number after a letter, if the line has one.
    ///
    /// Returns whether the controller takes the command for one that sets limits.
    pub fn follow(&mut self, command: u32, words: LimitWords, word: impl Fn(u8) -> Option<f64>) -> bool {
        const PER_MINUTE: f64 = 1.0 / 60.0;
        match (words, command) {
            (LimitWords::Named, 204) => {
                // One of P and T alone changes nothing.
                let both = word(b'P').zip(word(b'T')).map(|(p, t)| p.min(t));
                self.sets_accel =
                    [&mut self.print_accel, &mut self.travel_accel].map(|slot| set(slot, word(b'S').or(both)));
            }
            (LimitWords::Named, _) => return false,
            (_, 204) => {
                let [beads, travels] = [&mut self.print_accel, &mut self.travel_accel];
                self.sets_accel = [set(beads, word(b'S')) | set(beads, word(b'P')), set(travels, word(b'S'))];
                // With S, T is the acceleration of the extruder on the boards that know that form.
                if word(b'S').is_none() {
                    self.sets_accel[1] = set(travels, word(b'T'));
                } else {
                    set(&mut self.e_only_accel, word(b'T'));
                }
                set(&mut self.e_only_accel, word(b'R'));
            }
            (_, 201) => self.sets_axis_accel = set_axes(&mut self.axis_accel, word, 1.0),
            (LimitWords::PerSecond, 203) => {
                set_axes(&mut self.axis_speed, word, 1.0);
            }
            (LimitWords::PerMinute, 203) => {
                set_axes(&mut self.axis_speed, word, PER_MINUTE);
            }
            (_, 205) => {
                let deviates = set(&mut self.corner_deviation, word(b'J'));
                self.sets_corner = set_axes(&mut self.axis_step, word, 1.0).map(|steps| steps | deviates);
            }
            (LimitWords::PerMinute, 566) => self.sets_corner = set_axes(&mut self.axis_step, word, PER_MINUTE),
            (LimitWords::PerSecond, 900) => self.set_lag(word(b'K')),
            (LimitWords::PerMinute, 572) => self.set_lag(word(b'S')),
            _ => return false,
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn follow(limits: &mut MotionLimits, rules: LimitWords, command: u32, words: &[(u8, f64)]) -> bool {
        limits.follow(command, rules, |letter| words.iter().find(|w| w.0 == letter).map(|w| w.1))
    }

    #[test]
    fn accelerations_by_form() {
        let mut limits = MotionLimits::default();
        let rules = LimitWords::PerSecond;
        follow(&mut limits, rules, 204, &[(b'S', 800.0)]);
        assert_eq!((limits.print_accel, limits.travel_accel), (Some(800.0), Some(800.0)));
        follow(&mut limits, rules, 204, &[(b'P', 500.0), (b'T', 1500.0), (b'R', 900.0)]);
        assert_eq!(
            (limits.print_accel, limits.travel_accel, limits.e_only_accel),
            (Some(500.0), Some(1500.0), Some(900.0))
        );
        follow(&mut limits, rules, 204, &[(b'S', 700.0), (b'T', 300.0)]);
        assert_eq!((limits.travel_accel, limits.e_only_accel), (Some(700.0), Some(300.0)));
        follow(&mut limits, rules, 204, &[(b'P', -5.0)]);
        follow(&mut limits, rules, 204, &[(b'P', 0.0)]);
        assert_eq!(limits.print_accel, Some(700.0), "a value that is not above zero changes nothing");
    }

    #[test]
    fn a_command_sets_what_it_names() {
        let names = |command, words: &[(u8, f64)]| {
            let mut limits = MotionLimits::default();
            follow(&mut limits, LimitWords::PerSecond, command, words);
            (limits.sets_accel, limits.sets_axis_accel, limits.sets_corner)
        };
        let (none, both) = ([false; 2], [true; 2]);
        assert_eq!(names(204, &[(b'S', 800.0)]), (both, none, none));
        assert_eq!(names(204, &[(b'S', 800.0), (b'T', 900.0)]), (both, none, none));
        assert_eq!(names(204, &[(b'P', 800.0)]), ([true, false], none, none));
        assert_eq!(names(204, &[(b'T', 800.0)]), ([false, true], none, none));
        assert_eq!(names(204, &[(b'P', 0.0), (b'R', 800.0)]), (none, none, none));
        assert_eq!(names(201, &[(b'Y', 800.0), (b'Z', 90.0)]), (none, [false, true], none));
        assert_eq!(names(205, &[(b'X', 8.0)]), (none, none, [true, false]));
        assert_eq!(names(205, &[(b'J', 0.1)]), (none, none, both));
    }

    /// Common practice, no source: `M204 S`, or P and T together, of which the smaller counts; the rest is unknown.
    #[test]
    fn a_controller_with_named_commands_knows_one_form() {
        let mut limits = MotionLimits::default();
        let rules = LimitWords::Named;
        follow(&mut limits, rules, 204, &[(b'P', 500.0)]);
        follow(&mut limits, rules, 204, &[(b'T', 500.0)]);
        assert!(!follow(&mut limits, rules, 201, &[(b'X', 500.0)]) && !follow(&mut limits, rules, 205, &[(b'J', 1.0)]));
        assert_eq!(limits, MotionLimits::default());
        follow(&mut limits, rules, 204, &[(b'P', 1500.0), (b'T', 900.0)]);
        assert_eq!((limits.print_accel, limits.travel_accel), (Some(900.0), Some(900.0)));
    }

    #[test]
    fn lag_compensation_of_boards_and_network_boards() {
        let mut limits = MotionLimits::default();
        assert!(!follow(&mut limits, LimitWords::Named, 900, &[(b'K', 0.2)]));
        follow(&mut limits, LimitWords::PerSecond, 900, &[(b'K', 0.2)]);
        assert_eq!(limits.e_lag_s, Some(0.2));
        follow(&mut limits, LimitWords::PerMinute, 572, &[(b'S', 0.0)]);
        assert_eq!(limits.e_lag_s, Some(0.0), "0 switches it off");
    }

    #[test]
    fn speeds_per_minute() {
        let mut limits = MotionLimits::default();
        follow(&mut limits, LimitWords::PerMinute, 566, &[(b'X', 600.0), (b'E', 300.0)]);
        follow(&mut limits, LimitWords::PerMinute, 203, &[(b'Y', 6000.0)]);
        assert_eq!(
            (limits.axis_step[0], limits.axis_step[3], limits.axis_speed[1]),
            (Some(10.0), Some(5.0), Some(100.0))
        );
        follow(&mut limits, LimitWords::PerSecond, 203, &[(b'Y', 90.0)]);
        assert_eq!(limits.axis_speed[1], Some(90.0));
        assert!(!follow(&mut limits, LimitWords::PerSecond, 566, &[(b'X', 600.0)]));
        assert!(!follow(&mut limits, LimitWords::PerMinute, 104, &[(b'S', 200.0)]));
    }
}
