//! Limits of motion that the file itself sets: accelerations, speeds and corner rules.
//!
//! They are followed here in mm and seconds so that whoever computes what is really executed finds them as the
//! controller would have them at each line.

/// What the file has set so far; `None` where it has set nothing and the machine's own value is in force.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MotionLimits {
    /// The command that set these named an acceleration, perhaps the one already in force.
    pub sets_accel: bool,
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
}

/// Sets `slot` where the line gives a usable number: finite and not negative.
fn set(slot: &mut Option<f64>, value: Option<f64>) {
    if let Some(v) = value.filter(|v| v.is_finite() && *v >= 0.0) {
        *slot = Some(v);
    }
}

impl MotionLimits {
    /// Follows an M command. `word` gives the number after a letter, if the line has one.
    ///
    /// Returns whether the command is one of those that set limits.
    pub fn follow(&mut self, command: u32, word: impl Fn(u8) -> Option<f64>) -> bool {
        const AXES: [u8; 4] = *b"XYZE";
        match command {
            204 => {
                self.sets_accel = true;
                set(&mut self.print_accel, word(b'S'));
                set(&mut self.travel_accel, word(b'S'));
                set(&mut self.print_accel, word(b'P'));
                // With S, T is the acceleration of the extruder on the boards that know that form.
                if word(b'S').is_none() {
                    set(&mut self.travel_accel, word(b'T'));
                } else {
                    set(&mut self.e_only_accel, word(b'T'));
                }
                set(&mut self.e_only_accel, word(b'R'));
            }
            201 => {
                for (slot, axis) in self.axis_accel.iter_mut().zip(AXES) {
                    set(slot, word(axis));
                }
            }
            203 => {
                for (slot, axis) in self.axis_speed.iter_mut().zip(AXES) {
                    set(slot, word(axis));
                }
            }
            205 => {
                for (slot, axis) in self.axis_step.iter_mut().zip(AXES) {
                    set(slot, word(axis));
                }
                set(&mut self.corner_deviation, word(b'J'));
            }
            566 => {
                // The same in mm/min.
                for (slot, axis) in self.axis_step.iter_mut().zip(AXES) {
                    set(slot, word(axis).map(|v| v / 60.0));
                }
            }
            _ => return false,
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn follow(limits: &mut MotionLimits, command: u32, words: &[(u8, f64)]) -> bool {
        limits.follow(command, |letter| words.iter().find(|w| w.0 == letter).map(|w| w.1))
    }

    #[test]
    fn accelerations_by_form() {
        let mut limits = MotionLimits::default();
        follow(&mut limits, 204, &[(b'S', 800.0)]);
        assert_eq!((limits.print_accel, limits.travel_accel), (Some(800.0), Some(800.0)));
        follow(&mut limits, 204, &[(b'P', 500.0), (b'T', 1500.0), (b'R', 900.0)]);
        assert_eq!(
            (limits.print_accel, limits.travel_accel, limits.e_only_accel),
            (Some(500.0), Some(1500.0), Some(900.0))
        );
        follow(&mut limits, 204, &[(b'S', 700.0), (b'T', 300.0)]);
        assert_eq!((limits.travel_accel, limits.e_only_accel), (Some(700.0), Some(300.0)));
        follow(&mut limits, 204, &[(b'P', -5.0)]);
        assert_eq!(limits.print_accel, Some(700.0), "a negative value changes nothing");
    }

    #[test]
    fn steps_per_minute() {
        let mut limits = MotionLimits::default();
        follow(&mut limits, 566, &[(b'X', 600.0), (b'E', 300.0)]);
        assert_eq!((limits.axis_step[0], limits.axis_step[3]), (Some(10.0), Some(5.0)));
        assert!(!follow(&mut limits, 104, &[(b'S', 200.0)]));
    }
}
