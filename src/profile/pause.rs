//! Commands by which a machine waits for somebody: what may stand as one, and what is known to do something else.
//!
//! A controller runs what is written here, so a slip moves the head, cools the nozzle or changes what all lines behind it
//! mean. Source of the meanings: as in `moves/known.rs`.

use super::fault::{Complaint, quote};
use crate::error::{Error, ErrorKind, Result};

/// Most characters of a line: the shortest line buffer of common controllers holds 96.
const LONGEST: usize = 80;
/// What a pause is, for those who wrote something else.
const HELP: &str = "name the command or the macro by which your controller waits for you, such as M0, M25, M226, M600 or \
                    a macro of your own";

/// M commands whose meaning is known and is no pause: first and last number, and what they do.
const NO_PAUSE: &[(u32, u32, &str)] = &[
    (2, 2, "ends the program"),
    (3, 5, "switches a spindle"),
    (6, 6, "changes the tool"),
    (17, 18, "switches the motors"),
    (20, 24, "works on the files of a card"),
    (26, 30, "works on the files of a card"),
    (32, 33, "works on the files of a card"),
    (80, 81, "switches the power"),
    (82, 83, "changes what E means"),
    (84, 85, "switches the motors off"),
    (92, 92, "changes the steps of the axes"),
    (104, 104, "sets a heater and goes on"),
    (105, 105, "tells a temperature and goes on"),
    (106, 107, "sets a fan"),
    (108, 108, "ends a wait"),
    (109, 109, "sets a heater"),
    (110, 110, "sets the number of lines"),
    (112, 112, "is the emergency stop"),
    (114, 115, "tells something and goes on"),
    (117, 118, "shows a text and goes on"),
    (140, 141, "sets a heater and goes on"),
    (190, 191, "sets a heater"),
    (200, 200, "changes what E means"),
    (201, 206, "sets limits of motion, or offsets"),
    (207, 209, "sets the reversals of the controller"),
    (218, 218, "sets the offset of a tool"),
    (220, 221, "sets a factor of speed or of flow"),
    (290, 290, "moves the nozzle"),
    (302, 304, "sets or tries a heater"),
    (401, 402, "moves a probe"),
    (410, 410, "breaks off all moves"),
    (428, 428, "sets the zero of the axes"),
    (500, 502, "reads or writes the settings of the controller"),
    (566, 566, "sets limits of motion"),
    (572, 572, "sets the lag compensation of the controller"),
    (900, 900, "sets the lag compensation of the controller"),
    (906, 907, "sets the motor currents"),
    (997, 997, "writes the controller's program anew"),
    (999, 999, "restarts the controller"),
];

/// Judges a line that is to be written where the machine has to wait.
///
/// Pauses, names of macros and M commands of unknown meaning pass.
///
/// # Errors
/// [`ErrorKind::Usage`] if it is no bare command of at most 80 characters of plain ASCII, or is known to do something
/// else than to wait.
pub fn check_pause_command(text: &str) -> Result<()> {
    command(text).map_err(|Complaint { what, label, help }| {
        let what = format!("the pause command {what}: {label}");
        Error::new(ErrorKind::Usage { what, help: help.unwrap_or_else(|| HELP.to_owned()) })
    })
}

/// As [`check_pause_command`], before it is known where the text stands.
pub(super) fn command(text: &str) -> std::result::Result<(), Complaint> {
    let wrong = |what: &str, label: String| Err(Complaint::new(what, label).help(HELP));
    if text.trim().is_empty() {
        return wrong("must not be blank", "blank".to_owned());
    }
    if !text.bytes().all(|byte| matches!(byte, b' '..=b'~')) || text.contains([';', '(']) {
        return wrong(
            "must be one line of plain ASCII without a comment",
            format!("not a bare command: {}", quote(text)),
        );
    }
    if text.len() > LONGEST {
        return wrong(&format!("must have {LONGEST} characters at most"), text.len().to_string());
    }
    match something_else(text) {
        Some((word, does)) => wrong("must be a command that waits for somebody", format!("{word} {does}")),
        None => Ok(()),
    }
}

/// The first command of the line that is known not to wait, and what it does.
fn something_else(text: &str) -> Option<(String, &'static str)> {
    let mut rest = text.trim();
    let mut is_first = true;
    while let Some((letter, number, behind)) = word(rest) {
        let does = match letter {
            'G' if number == "4" => None,
            'G' => Some("moves the head or changes what later lines mean"),
            'M' => {
                let number: Option<u32> = number.split('.').next().and_then(|whole| whole.parse().ok());
                let meant =
                    |(first, last, _): &&(u32, u32, &str)| number.is_some_and(|n| (*first..=*last).contains(&n));
                NO_PAUSE.iter().find(meant).map(|(_, _, does)| *does)
            }
            'T' if is_first => Some("changes the tool"),
            'N' if is_first => Some("numbers a line, and the lines of the output have no numbers"),
            'X' | 'Y' | 'Z' | 'A'..='F' | 'I'..='K' if is_first => Some("alone goes on with the last motion command"),
            _ => None,
        };
        if let Some(does) = does {
            return Some((format!("{letter}{number}"), does));
        }
        (is_first, rest) = (false, behind);
    }
    None
}

/// The letter of the first word, in upper case, its number without needless zeros, and what stands behind it; `None` where
/// no word of that kind begins: a name, a text in quotes, the end.
fn word(text: &str) -> Option<(char, String, &str)> {
    let letter = text.chars().next().filter(char::is_ascii_alphabetic)?;
    let behind = text.get(1..)?.trim_start();
    let end = behind.find(|c: char| !c.is_ascii_digit() && !"+-.".contains(c)).unwrap_or(behind.len());
    let (digits, rest) = behind.split_at(end);
    // `E3_PAUSE` is a name.
    if !digits.contains(|c: char| c.is_ascii_digit()) || rest.starts_with('_') {
        return None;
    }
    let bare = digits.trim_start_matches('0');
    let number = if bare.starts_with(|c: char| c.is_ascii_digit()) { bare.to_owned() } else { format!("0{bare}") };
    let number = if digits.starts_with(['+', '-']) { digits.to_owned() } else { number };
    Some((letter.to_ascii_uppercase(), number, rest.trim_start()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_waits_or_is_not_known_passes() {
        for text in [
            "M0",
            "m0",
            "M1 S60",
            "M25",
            "M226",
            "M600 X10 Y-5 E-3",
            "M601",
            "M400",
            "M98 P\"G28.g\"",
            "M1234",
            "G4 S60",
            "PAUSE",
            "REFILL NOW=1",
            "E3_PAUSE",
            "my_macro g28=1",
        ] {
            assert!(check_pause_command(text).is_ok(), "{text}");
        }
    }

    #[test]
    fn what_is_known_to_do_something_else_is_refused() {
        for text in [
            "G91",
            "G28",
            "g28",
            "G01 X0 Y0",
            "G 1 X0",
            "G1X0",
            "G92 E0",
            "G92.1",
            "M84",
            "M018",
            "M112",
            "M104 S0",
            "M109 S0",
            "M83",
            "M6",
            "M117 fill the hopper",
            "T1",
            "N5 M0",
            "X10 Y10",
            "E-5 F300",
            "M0 G28",
            "M0G91",
            "M0 M84",
        ] {
            let error = check_pause_command(text).expect_err(text);
            assert!(error.to_string().contains("must be a command that waits"), "{text}: {error}");
        }
        for text in ["", "  ", "M0 ; wait", "M0\nG28", "M600 ø", &"M".repeat(81)] {
            assert!(check_pause_command(text).is_err(), "{text}");
        }
    }
}
