//! Commands by which a machine waits for somebody: what may stand as one, and what is known to do something else, or
//! nothing.
//!
//! A controller runs what is written here, so a slip moves the head, cools the nozzle or changes what all lines behind it
//! mean; and where it passes over the command, the head drives on with an empty hopper. Source of the meanings: as in
//! `moves/known.rs`.

use super::fault::{Complaint, quote};
use super::{Controller, DwellWords};
use crate::error::{Error, ErrorKind, Result};

/// Most characters of a line: the shortest line buffer of common controllers holds 96.
const LONGEST: usize = 80;
/// What a pause is, for those who wrote something else.
const HELP: &str = "name the command or the macro by which your controller waits for you: where it reads names (preset \
                    host), PAUSE or a macro of your own; elsewhere M0, M25, M226 or M600";
/// M commands by which controllers wait that do not read names.
const WAITS: [&str; 4] = ["M0", "M25", "M226", "M600"];

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
/// Pauses, names of macros and M commands of unknown meaning pass, unless the rules of `controller` say that they come to
/// nothing there.
///
/// # Errors
/// [`ErrorKind::Usage`] if it is no bare command of at most 80 characters of plain ASCII, is known to do something
/// else than to wait, or is not carried out by the controller.
pub fn check_pause_command(text: &str, controller: &Controller) -> Result<()> {
    let judged = command(text).and_then(|()| match idle(text, controller) {
        Some((_, complaint)) => Err(complaint),
        None => Ok(()),
    });
    judged.map_err(|Complaint { what, label, help }| {
        let what = format!("the pause command {what}: {label}");
        Error::new(ErrorKind::Usage { what, help: help.unwrap_or_else(|| HELP.to_owned()) })
    })
}

/// Why a sound command does not make this controller wait, if so, and the key of the rules that says it.
pub(super) fn idle(text: &str, controller: &Controller) -> Option<(&'static str, Complaint)> {
    let text = text.trim();
    let shown = quote(text);
    let (key, label, otherwise) = match word(text) {
        None if controller.named_commands.value => return None,
        None => {
            let key = "controller.named_commands";
            (
                key,
                format!("{shown} is a name, which it does not read"),
                format!("if yours reads names, set {key} = true"),
            )
        }
        Some((letter, number, behind)) => {
            let name = format!("{letter}{number}");
            let listed = |list: &[String]| list.contains(&name);
            let take_out = |key: &str| format!("if yours waits at {name}, take {name} out of {key}");
            if listed(&controller.skipped_commands.value) {
                let key = "controller.skipped_commands";
                (key, format!("{name} is skipped by it"), take_out(key))
            } else if listed(&controller.refused_commands.value) {
                let key = "controller.refused_commands";
                (key, format!("{name} is refused by it"), take_out(key))
            } else if name == "G4" && controller.dwell.value == DwellWords::POnly && !counts_p(behind) {
                let key = "controller.dwell";
                (key, format!("{shown} has no P, which alone it waits by"), "write G4 with P in ms".to_owned())
            } else if text.starts_with(|c: char| c.is_ascii_lowercase()) && !controller.lower_case.value {
                ("controller.lower_case", format!("{shown} is in lower case"), format!("write {name}"))
            } else if matches!(text.as_bytes(), [_, b'0', b'0'..=b'9', ..]) && !controller.leading_zeros.value {
                ("controller.leading_zeros", format!("{shown} is not read as {name}"), format!("write {name}"))
            } else {
                return None;
            }
        }
    };
    let what = "must be a command that the controller carries out";
    let help = format!("{}; or, {otherwise}", fitting(controller));
    Some((key, Complaint::new(what, format!("{label} ({key})")).help(help)))
}

/// Whether one of the words is a P, by which some controllers alone tell how long to wait.
fn counts_p(mut words: &str) -> bool {
    while let Some((letter, _, behind)) = word(words) {
        if letter == 'P' {
            return true;
        }
        words = behind;
    }
    false
}

/// What to write for a controller with these rules.
fn fitting(controller: &Controller) -> String {
    if controller.named_commands.value {
        return "name the macro by which your controller waits for you, such as PAUSE or one of your own".to_owned();
    }
    let lists = [&controller.skipped_commands.value, &controller.refused_commands.value];
    let taken = WAITS.into_iter().filter(|name| !lists.iter().any(|list| list.iter().any(|other| other == name)));
    let taken: Vec<&str> = taken.collect();
    let examples = if taken.is_empty() { String::new() } else { format!(", such as {}", taken.join(", ")) };
    format!("name the command by which your controller waits for you{examples}")
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
    use crate::profile::Profile;

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
            assert!(command(text).is_ok(), "{text}");
        }
    }

    /// What a controller of each kind does not carry out, and how to make it.
    #[test]
    fn what_the_controller_passes_over_is_refused() {
        let on = |preset: &str| {
            let set = [format!("controller.preset={preset}").parse().expect("an assignment")];
            Profile::embedded_with(&set).expect("a sound profile").controller
        };
        let judged = |text: &str, controller: &Controller| match check_pause_command(text, controller) {
            Ok(()) => String::new(),
            Err(error) => match error.kind() {
                ErrorKind::Usage { what, help } => format!("{what}|{help}"),
                other => panic!("{text}: {other:?}"),
            },
        };
        for preset in ["host", "custom"] {
            let controller = on(preset);
            for text in ["M0", "m0", "M00", "M0 fill the hopper"] {
                let said = judged(text, &controller);
                assert!(said.contains("M0 is skipped by it (controller.skipped_commands)|"), "{text}: {said}");
                assert!(said.contains("such as PAUSE or one of your own; or, if yours waits at M0, take"), "{said}");
            }
            let said = judged("M0600", &controller);
            assert!(
                said.contains("not read as M600 (controller.leading_zeros)") && said.ends_with("write M600"),
                "{said}"
            );
            assert!(judged("G4 S60", &controller).contains("(controller.dwell)"));
            for text in ["PAUSE", "REFILL NOW=1", "my_macro", "m600", "M25", "G4 P60000", "G4 S60 P60000"] {
                assert_eq!(judged(text, &controller), "", "{preset} {text}");
            }
        }
        for preset in ["board", "network"] {
            let controller = on(preset);
            for text in ["REFILL", "PAUSE", "E3_PAUSE", "my_macro g28=1"] {
                let said = judged(text, &controller);
                assert!(
                    said.contains("is a name, which it does not read (controller.named_commands)|"),
                    "{text}: {said}"
                );
                assert!(said.contains("such as M0, M25, M226, M600; or, if yours reads names, set"), "{text}: {said}");
            }
            for text in ["M0", "M00", "M600 X10", "M1234", "G4 S60", "M98 P\"refill.g\""] {
                assert_eq!(judged(text, &controller), "", "{preset} {text}");
            }
        }
        assert!(judged("m600", &on("board")).contains("(controller.lower_case)"));
        assert_eq!(judged("m600", &on("network")), "");
        // Who knows better takes it out of the list, or puts it in.
        let mut controller = on("host");
        controller.skipped_commands.value.retain(|name| name != "M0");
        assert_eq!(judged("M0", &controller), "");
        let mut controller = on("board");
        controller.refused_commands.value = vec!["M25".to_owned(), "M600".to_owned()];
        let said = judged("M600", &controller);
        assert!(said.contains("M600 is refused by it (controller.refused_commands)|"), "{said}");
        assert!(said.contains("such as M0, M226; or, if yours waits at M600, take"), "{said}");
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
            let Err(Complaint { what, .. }) = command(text) else { panic!("{text} passes") };
            assert_eq!(what, "must be a command that waits for somebody", "{text}");
        }
        for text in ["", "  ", "M0 ; wait", "M0\nG28", "M600 ø", &"M".repeat(81)] {
            assert!(command(text).is_err(), "{text}");
        }
    }
}
