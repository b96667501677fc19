//! Named commands (`NAME KEY=VALUE ...`) whose meaning is known. Their names stand here and nowhere else.

use super::limits::MotionLimits;
use crate::profile::LimitWords;

/// Starts of names that mark objects, set the fan or a display: they leave the feed alone.
const LEAVE_FEED_ALONE: [&str; 3] = ["EXCLUDE_OBJECT", "SET_FAN_SPEED", "SET_PRINT_STATS_INFO"];

/// What stands before the number of a named command that sets the speed at a right angle, mm/s.
pub const RIGHT_ANGLE_SPEED: &str = "SET_VELOCITY_LIMIT SQUARE_CORNER_VELOCITY=";
/// The same for the highest speed along the path, mm/s.
pub const PATH_SPEED: &str = "SET_VELOCITY_LIMIT VELOCITY=";
/// The same for the highest acceleration along the path, mm/s².
pub const PATH_ACCEL: &str = "SET_VELOCITY_LIMIT ACCEL=";
/// The same for the least share of a move at even speed.
pub const LEAST_CRUISE_SHARE: &str = "SET_VELOCITY_LIMIT MINIMUM_CRUISE_RATIO=";
/// The same for the time constant of the controller's own melt-lag filter, s; 0 switches it off.
pub const LAG: &str = "SET_PRESSURE_ADVANCE ADVANCE=";

/// What a named command is to the stream of moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Named {
    /// It neither moves nor uses the feed in force.
    Neutral,
    /// Perhaps a macro that moves with the feed in force.
    MayMove,
    /// The same, and waits for somebody.
    Pauses,
}

/// Follows a named command; limits of motion that it sets go into `limits` if the controller knows such commands.
pub fn follow(text: &[u8], words: LimitWords, limits: &mut MotionLimits) -> Named {
    let Ok(text) = std::str::from_utf8(text) else { return Named::MayMove };
    let mut parts = text.split_ascii_whitespace();
    let name = parts.next().unwrap_or_default();
    let starts = |with: &str| name.get(..with.len()).is_some_and(|start| start.eq_ignore_ascii_case(with));
    if name.eq_ignore_ascii_case("SET_VELOCITY_LIMIT") {
        if words == LimitWords::Named {
            parts.filter_map(|part| part.split_once('=')).for_each(|(key, value)| set_limit(limits, key, value));
        }
        Named::Neutral
    } else if name.eq_ignore_ascii_case("SET_PRESSURE_ADVANCE") {
        if words == LimitWords::Named {
            let value =
                parts.filter_map(|part| part.split_once('=')).find(|(key, _)| key.eq_ignore_ascii_case("ADVANCE"));
            limits.set_lag(value.and_then(|(_, value)| value.parse().ok()));
        }
        Named::Neutral
    } else if LEAVE_FEED_ALONE.into_iter().any(starts) {
        Named::Neutral
    } else if name.eq_ignore_ascii_case("PAUSE") {
        Named::Pauses
    } else {
        Named::MayMove
    }
}

/// A named command without the number of its line and its checksum.
///
/// ```
/// use meltwright::moves::named::uncounted;
/// assert_eq!(uncounted(b"N8 RESTORE_GCODE_STATE NAME=a*71"), b"RESTORE_GCODE_STATE NAME=a");
/// ```
pub fn uncounted(text: &[u8]) -> &[u8] {
    let is_digit = u8::is_ascii_digit;
    let text = match text {
        [b'N' | b'n', rest @ ..] if rest.first().is_some_and(is_digit) => {
            let digits = rest.iter().take_while(|byte| is_digit(byte)).count();
            rest.get(digits..).unwrap_or_default().trim_ascii_start()
        }
        _ => text,
    };
    match text.iter().rposition(|byte| *byte == b'*') {
        Some(star) if text[star + 1..].iter().all(is_digit) => text[..star].trim_ascii_end(),
        _ => text,
    }
}

/// Whether it sets a fan.
pub fn sets_fan(text: &[u8]) -> bool {
    text.get(..7).is_some_and(|start| start.eq_ignore_ascii_case(b"SET_FAN"))
}

/// A command that keeps the modes and the place the file counts from, or puts kept ones back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keeping<'a> {
    /// Keeps them under this name.
    Keep(&'a str),
    /// Puts back those of this name.
    PutBack {
        /// The name.
        name: &'a str,
        /// The head goes back to where it was.
        returns: bool,
    },
}

/// What stands behind the name of a command, if that is `name`.
fn behind<'a>(name: &str, text: &'a [u8]) -> Option<&'a [u8]> {
    let (start, rest) = text.split_at_checked(name.len())?;
    let ends = rest.first().is_none_or(u8::is_ascii_whitespace);
    (ends && start.eq_ignore_ascii_case(name.as_bytes())).then_some(rest)
}

/// Reads the command that keeps modes, or puts them back; `None` for any other.
pub fn keeping(text: &[u8]) -> Option<Keeping<'_>> {
    let keeps = behind("SAVE_GCODE_STATE", text);
    let is_keep = keeps.is_some();
    let parts = std::str::from_utf8(keeps.or_else(|| behind("RESTORE_GCODE_STATE", text))?).ok()?;
    let (mut name, mut returns) = ("default", false);
    for (key, value) in parts.split_ascii_whitespace().filter_map(|part| part.split_once('=')) {
        if key.eq_ignore_ascii_case("NAME") {
            name = value;
        } else if key.eq_ignore_ascii_case("MOVE") {
            returns = value != "0";
        }
    }
    Some(if is_keep { Keeping::Keep(name) } else { Keeping::PutBack { name, returns } })
}

/// Whether it sets by how much a unit of E turns the drive.
pub fn sets_e_steps(text: &[u8]) -> bool {
    behind("SET_EXTRUDER_ROTATION_DISTANCE", text)
        .is_some_and(|rest| rest.windows(9).any(|word| word.eq_ignore_ascii_case(b"DISTANCE=")))
}

/// What a named command sets of the controller's own melt-lag filter.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LagFilter {
    /// Time constant, s; 0 switches the filter off.
    pub lag_s: Option<f64>,
    /// Time over which it is smoothed, s.
    pub smoothing_s: Option<f64>,
    /// Tool it is set for, where its extruder is named by a number.
    pub tool: Option<u32>,
}

/// Reads the command that sets the melt-lag filter; `None` for any other.
pub fn lag_filter(text: &[u8]) -> Option<LagFilter> {
    let parts = std::str::from_utf8(behind("SET_PRESSURE_ADVANCE", text)?).ok()?;
    let mut filter = LagFilter::default();
    for (key, value) in parts.split_ascii_whitespace().filter_map(|part| part.split_once('=')) {
        if key.eq_ignore_ascii_case("EXTRUDER") {
            filter.tool = extruder(value);
        }
        let value = value.parse::<f64>().ok().filter(|v| v.is_finite());
        if key.eq_ignore_ascii_case("ADVANCE") {
            filter.lag_s = value;
        } else if key.eq_ignore_ascii_case("SMOOTH_TIME") {
            filter.smoothing_s = value;
        }
    }
    Some(filter)
}

/// The tool that a command selects; `None` for any other command.
pub fn selected_tool(text: &[u8]) -> Option<u32> {
    let parts = std::str::from_utf8(behind("ACTIVATE_EXTRUDER", text)?).ok()?;
    let mut parts = parts.split_ascii_whitespace().filter_map(|part| part.split_once('='));
    extruder(parts.find(|(key, _)| key.eq_ignore_ascii_case("EXTRUDER"))?.1)
}

/// The number of a tool by the name of its extruder; the first has none behind it.
fn extruder(name: &str) -> Option<u32> {
    let (start, number) = name.split_at_checked("extruder".len())?;
    match (start.eq_ignore_ascii_case("extruder"), number) {
        (false, _) => None,
        (true, "") => Some(0),
        (true, number) => number.parse().ok(),
    }
}

fn set_limit(limits: &mut MotionLimits, key: &str, value: &str) {
    let Some(value) = value.parse::<f64>().ok().filter(|v| v.is_finite() && *v >= 0.0) else { return };
    let sets = |name: &str| key.eq_ignore_ascii_case(name);
    if sets("ACCEL") {
        limits.sets_accel = [true; 2];
        limits.print_accel = Some(value);
        limits.travel_accel = Some(value);
    } else if sets("VELOCITY") {
        limits.path_speed = Some(value);
    } else if sets("SQUARE_CORNER_VELOCITY") {
        (limits.sets_corner, limits.right_angle_speed) = ([true; 2], Some(value));
    } else if sets("MINIMUM_CRUISE_RATIO") {
        limits.min_cruise_share = Some(value);
    }
    // `ACCEL_TO_DECEL`, an older form of the share, is not read any more by the planner that was measured.
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn number_and_checksum_are_no_part_of_a_command() {
        for (text, command) in [
            ("N8 SAVE_GCODE_STATE NAME=a", "SAVE_GCODE_STATE NAME=a"),
            ("n008SET_FAN_SPEED *12", "SET_FAN_SPEED"),
            ("NOZZLE_WIPE X=1", "NOZZLE_WIPE X=1"),
            ("N3 PRINT_START NOTE=a*b", "PRINT_START NOTE=a*b"),
        ] {
            assert_eq!(uncounted(text.as_bytes()), command.as_bytes());
        }
    }

    #[test]
    fn limits_marks_and_macros() {
        let mut limits = MotionLimits::default();
        let text = b"SET_VELOCITY_LIMIT ACCEL=2000 ACCEL_TO_DECEL=1500 SQUARE_CORNER_VELOCITY=4 VELOCITY=-1";
        let named = LimitWords::Named;
        assert_eq!(follow(text, named, &mut limits), Named::Neutral);
        assert_eq!((limits.print_accel, limits.travel_accel), (Some(2000.0), Some(2000.0)));
        assert_eq!(limits.min_cruise_share, None);
        assert_eq!((limits.right_angle_speed, limits.path_speed), (Some(4.0), None));
        assert_eq!(follow(b"EXCLUDE_OBJECT_START NAME=0_1", named, &mut limits), Named::Neutral);
        assert_eq!(follow(b"START_PRINT ACCEL=5", named, &mut limits), Named::MayMove);
        assert_eq!(follow(b"\xff\xfe", named, &mut limits), Named::MayMove);
        let before = limits;
        assert_eq!(follow(b"SET_VELOCITY_LIMIT ACCEL=9", LimitWords::PerSecond, &mut limits), Named::Neutral);
        assert_eq!(limits, before, "boards do not know the command");
    }

    #[test]
    fn kept_states() {
        assert_eq!(keeping(b"SAVE_GCODE_STATE NAME=lift"), Some(Keeping::Keep("lift")));
        assert_eq!(keeping(b"save_gcode_state"), Some(Keeping::Keep("default")));
        let back = |returns| Some(Keeping::PutBack { name: "lift", returns });
        assert_eq!(keeping(b"RESTORE_GCODE_STATE NAME=lift MOVE=1 MOVE_SPEED=50"), back(true));
        assert_eq!(keeping(b"RESTORE_GCODE_STATE NAME=lift"), back(false));
        assert_eq!(keeping(b"RESTORE_GCODE_STATES"), None);
        assert!(sets_e_steps(b"SET_EXTRUDER_ROTATION_DISTANCE EXTRUDER=extruder DISTANCE=5"));
        assert!(!sets_e_steps(b"SET_EXTRUDER_ROTATION_DISTANCE EXTRUDER=extruder"));
    }

    #[test]
    fn the_filter_of_the_controller() {
        let filter = |text: &str| lag_filter(text.as_bytes()).map(|f| (f.lag_s, f.smoothing_s));
        assert_eq!(filter("SET_PRESSURE_ADVANCE ADVANCE=0.05 SMOOTH_TIME=0.3"), Some((Some(0.05), Some(0.3))));
        assert_eq!(filter("set_pressure_advance advance=0"), Some((Some(0.0), None)));
        assert_eq!(filter("SET_PRESSURE_ADVANCE EXTRUDER=extruder1"), Some((None, None)));
        assert_eq!(filter("SET_FAN_SPEED FAN=a SPEED=1"), None);
        assert_eq!(filter(""), None);
    }

    #[test]
    fn tools_by_the_names_of_their_extruders() {
        let tool = |text: &str| selected_tool(text.as_bytes());
        assert_eq!(tool("ACTIVATE_EXTRUDER EXTRUDER=extruder"), Some(0));
        assert_eq!(tool("activate_extruder extruder=Extruder12"), Some(12));
        for none in ["ACTIVATE_EXTRUDER", "ACTIVATE_EXTRUDER EXTRUDER=belt", "ACTIVATE EXTRUDER=extruder", ""] {
            assert_eq!(tool(none), None, "{none}");
        }
    }
}
