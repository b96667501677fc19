//! Errors in words: what, where, the very text, what to do.

use std::borrow::Cow;
use std::io;
use std::ops::Range;
use std::path::Path;

use annotate_snippets::{AnnotationKind, Group, Level, Origin, Renderer, Snippet};
use meltwright::error::{Error, ErrorKind, Excerpt, ProfileFault};

use super::layout::{WIDTH, paragraph};

/// Longest first line of a hook's error, characters; what dialogs show of it.
const HOOK_LINE: usize = 200;
/// Room in it for the file and what is wrong; the rest is for what to do.
const HOOK_WHAT: usize = 130;
/// Room for the name of the file.
const HOOK_NAME: usize = 40;

/// The whole error; of a profile, every fault.
pub fn text(error: &Error, colour: bool) -> String {
    let file = error.file().map(|path| path.display().to_string());
    if let ErrorKind::Profile(faults) = error.kind() {
        return profile(faults, file.as_deref(), colour);
    }
    let what = error.kind().to_string();
    report(&Message {
        what: &what,
        file: file.as_deref(),
        excerpt: error.excerpt(),
        label: error.excerpt().map_or("", |excerpt| &excerpt.label),
        help: help(error).as_deref(),
        colour,
    })
}

/// A warning, one sentence.
pub fn warning(what: &str, colour: bool) -> String {
    let group = Group::with_title(Level::WARNING.primary_title(title(what)));
    format!("{}\n", renderer(colour).render(&[group]))
}

/// What a hook says: one plain line that tells the file, what is wrong and what to do; below it what it has no room for.
pub fn hook(error: &Error, colour: bool) -> String {
    let mut what = error.kind().to_string();
    if let Some(excerpt) = error.excerpt() {
        what = format!("line {}: {what}", excerpt.line);
    }
    let file = error.file().filter(|_| !matches!(error.kind(), ErrorKind::Profile(_)));
    if let Some(path) = file {
        what = format!("{}: {what}", cut(&ascii(&short(path)), HOOK_NAME));
    }
    let help = match error.kind() {
        ErrorKind::Profile(_) => Some(match error.file() {
            Some(path) => format!("run: meltwright profile check {}", short(path)),
            None => "correct the values given with --set".to_owned(),
        }),
        _ => help(error),
    };
    let help = help.unwrap_or_else(|| LEFT.to_owned());
    let first = hook_line(&what, &help);
    let is_whole = first == format!("{HOOK}{what}; {help}\n");
    let says_all = is_whole && error.excerpt().is_none() && !matches!(error.kind(), ErrorKind::Profile(_));
    if says_all { first } else { first + &text(error, colour) }
}

/// `meltwright: WHAT; HELP` in plain ASCII and at most [`HOOK_LINE`] characters.
pub fn hook_line(what: &str, help: &str) -> String {
    let mut line = format!("{HOOK}{}; ", cut(&ascii(what), HOOK_WHAT));
    let room = HOOK_LINE - line.len();
    line.push_str(&clause(&ascii(help), room));
    line.push('\n');
    line
}

/// What all of these lines begin with.
const HOOK: &str = "meltwright: ";
const LEFT: &str = "the file was left as it was";

/// What to do, also for errors of the system.
fn help(error: &Error) -> Option<String> {
    let ErrorKind::Io { source, .. } = error.kind() else {
        return error.kind().help();
    };
    let advice = match source.kind() {
        io::ErrorKind::NotFound => "check the path",
        io::ErrorKind::IsADirectory => "name a file inside it",
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            "check the permissions of the file and of its folder; nothing was changed"
        }
        io::ErrorKind::ResourceBusy => {
            "close the file in the other program, or wait until that is done with it, and try again; nothing was changed"
        }
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "free some space and try again; nothing was changed"
        }
        _ => "nothing was changed; try again",
    };
    Some(advice.to_owned())
}

struct Message<'a> {
    what: &'a str,
    file: Option<&'a str>,
    excerpt: Option<&'a Excerpt>,
    label: &'a str,
    help: Option<&'a str>,
    colour: bool,
}

fn profile(faults: &[ProfileFault], file: Option<&str>, colour: bool) -> String {
    let mut text = String::new();
    for fault in faults {
        // Without a place the value came from the command line, and only the label may show it.
        let placeless = match (&fault.excerpt, fault.label.as_str()) {
            (None, label) if !label.is_empty() => format!("{}: {label}", fault.what),
            _ => fault.what.clone(),
        };
        text.push_str(&report(&Message {
            what: &placeless,
            file: file.filter(|_| fault.excerpt.is_some()),
            excerpt: fault.excerpt.as_ref(),
            label: &fault.label,
            help: fault.help.as_deref(),
            colour,
        }));
        text.push('\n');
    }
    let kind = if faults.len() == 1 { "fault" } else { "faults" };
    text.push_str(&format!("{} {kind} in the profile; nothing was done\n", faults.len()));
    text
}

fn report(message: &Message<'_>) -> String {
    let what = title(message.what);
    let mut group = Group::with_title(Level::ERROR.primary_title(&*what));
    match (message.excerpt, message.file) {
        (Some(excerpt), file) => {
            let line = usize::try_from(excerpt.line).unwrap_or(usize::MAX);
            let (text, marked) = placed(excerpt);
            let mark = AnnotationKind::Primary.span(marked);
            let mark = if message.label.is_empty() { mark } else { mark.label(message.label) };
            let mut snippet = Snippet::source(text).line_start(line).annotation(mark);
            if let Some(file) = file {
                snippet = snippet.path(file);
            }
            group = group.element(snippet);
        }
        (None, Some(file)) => group = group.element(Origin::path(file)),
        (None, None) => {}
    }
    let mut text = String::new();
    match (message.help, message.excerpt) {
        (Some(help), Some(_)) => group = group.element(Level::HELP.message(wrapped(help))),
        // Without a snippet there is no margin for the advice to hang on.
        (Some(help), None) => text = paragraph("help: ", help),
        (None, _) => {}
    }
    format!("{}\n{text}", renderer(message.colour).render(&[group]))
}

/// The quoted text and the marked part of it, within the text whatever the excerpt says.
///
/// Of a long line only a part is quoted. Blanks stand for what is left out before it, so that the column shown
/// is the one in the file; the renderer cuts them off again.
fn placed(excerpt: &Excerpt) -> (String, Range<usize>) {
    let text = &excerpt.text;
    let boundary = |at: usize| {
        let starts = text.char_indices().map(|(start, _)| start);
        starts.chain([text.len()]).take_while(|start| *start <= at).last().unwrap_or(0)
    };
    let start = boundary(excerpt.start);
    let end = boundary(excerpt.end).max(start);
    let left_out = excerpt.column.saturating_sub(excerpt.start + 1);
    // Not by a width: those end at 65535.
    let text = " ".repeat(left_out) + text;
    (text, start + left_out..end + left_out)
}

fn renderer(colour: bool) -> Renderer {
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    renderer.term_width(WIDTH)
}

/// A title on as many lines as it needs; the renderer sets those after the first below each other.
fn title(what: &str) -> Cow<'_, str> {
    // Wide enough for `warning: ` as well.
    const LEVEL: usize = 9;
    if LEVEL + what.chars().count() <= WIDTH {
        return Cow::Borrowed(what);
    }
    Cow::Owned(paragraph(&" ".repeat(LEVEL), what).lines().map(str::trim).collect::<Vec<_>>().join("\n"))
}

/// What the reader of the command line says, its wide lines broken; `None` if there are none.
pub fn narrowed(refusal: &str) -> Option<String> {
    const LEVEL: &str = "error: ";
    let is_wide = |line: &str| line.chars().count() > WIDTH;
    if !refusal.lines().any(is_wide) {
        return None;
    }
    let narrow = |line: &str| match line.strip_prefix(LEVEL) {
        Some(what) if is_wide(line) => paragraph(LEVEL, what),
        _ => format!("{line}\n"),
    };
    Some(refusal.lines().map(narrow).collect())
}

/// Long advice on several lines.
fn wrapped(help: &str) -> String {
    // Room for the number column and the mark of the renderer before it.
    const MARGIN: usize = 16;
    paragraph(&" ".repeat(MARGIN), help).lines().map(str::trim).collect::<Vec<_>>().join("\n")
}

/// The last part of a path, or all of it.
fn short(path: &Path) -> Cow<'_, str> {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy()
}

/// Dialogs of callers garble anything but ASCII.
fn ascii(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '²' => plain.push('2'),
            '³' => plain.push('3'),
            '°' => plain.push_str("deg "),
            ' '..='~' => plain.push(c),
            c if c.is_whitespace() => plain.push(' '),
            _ => plain.push('?'),
        }
    }
    plain
}

/// ASCII `text`, cut at a word to `room` characters.
fn cut(text: &str, room: usize) -> String {
    if text.len() <= room {
        return text.to_owned();
    }
    let head = text.get(..room.saturating_sub(3)).unwrap_or_default();
    let head = head.rsplit_once(' ').map_or(head, |(words, _)| words);
    format!("{head}...")
}

/// ASCII `text`, or as many whole clauses of it as there is room for.
fn clause(text: &str, room: usize) -> Cow<'_, str> {
    if text.len() <= room {
        return Cow::Borrowed(text);
    }
    let ends = ["; ", ", ", " (", ": "].into_iter().flat_map(|end| text.match_indices(end)).map(|(at, _)| at);
    match ends.filter(|at| *at <= room).max().and_then(|at| text.get(..at)) {
        Some(whole) => Cow::Borrowed(whole),
        None => Cow::Owned(cut(text, room)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn malformed() -> Error {
        let line = b"G1 X12.3 Y4.5.6 E0.01";
        Error::new(ErrorKind::Malformed { what: "`4.5.6` is not a number".to_owned() })
            .at(Excerpt::new(181_204, line, 10, 15, "value of Y"))
            .in_file(Path::new("pads.gcode"))
    }

    fn faults() -> Error {
        let fault = |what: &str, excerpt, help: Option<&str>| ProfileFault {
            what: what.to_owned(),
            label: "0 would move no melt".to_owned(),
            excerpt,
            help: help.map(str::to_owned),
        };
        let line = b"derate = 0.0  # careful";
        Error::new(ErrorKind::Profile(vec![
            fault(
                "derate must be above zero",
                Some(Excerpt::new(12, line, 9, 12, "")),
                Some("1.0 uses all of the capacity"),
            ),
            fault("max_speed_rpm must be above zero", None, None),
        ]))
        .in_file(Path::new("shop.toml"))
    }

    #[test]
    fn a_line_of_gcode() {
        insta::assert_snapshot!(text(&malformed(), false));
    }

    #[test]
    fn a_part_of_a_long_line_keeps_its_column() {
        let line = [" ".repeat(400).as_bytes(), b"X1.2.3 ", &[b'y'; 400]].concat();
        let error = Error::new(ErrorKind::Malformed { what: "`1.2.3` is not a number".to_owned() })
            .at(Excerpt::new(7, &line, 401, 406, "value of X"))
            .in_file(Path::new("pads.gcode"));
        insta::assert_snapshot!(text(&error, false));
    }

    #[test]
    fn all_faults_of_a_profile() {
        insta::assert_snapshot!(text(&faults(), false));
    }

    #[test]
    fn errors_of_the_system() {
        let kinds = [
            io::ErrorKind::NotFound,
            io::ErrorKind::PermissionDenied,
            io::ErrorKind::StorageFull,
            io::ErrorKind::IsADirectory,
            io::ErrorKind::ResourceBusy,
            io::ErrorKind::Interrupted,
        ];
        let texts: Vec<String> = kinds
            .into_iter()
            .map(|kind| {
                let error =
                    Error::io("replace the file", io::Error::new(kind, "the reason")).in_file(Path::new("pads.gcode"));
                text(&error, false)
            })
            .collect();
        insta::assert_snapshot!(texts.concat());
    }

    #[test]
    fn wide_refusals_are_broken_and_others_left() {
        assert_eq!(narrowed("error: short\n\nUsage: x\n"), None);
        let wide = format!("error: invalid value: {}\n\nUsage: x\n", "capacity, ".repeat(20).trim_end());
        let narrow = narrowed(&wide).unwrap();
        assert!(narrow.lines().all(|line| line.chars().count() <= WIDTH) && narrow.ends_with("\n\nUsage: x\n"));
        assert_eq!(narrow.split_whitespace().collect::<Vec<_>>(), wide.split_whitespace().collect::<Vec<_>>());
    }

    #[test]
    fn colour_only_when_asked() {
        assert!(text(&malformed(), true).contains('\u{1b}'));
        assert!(!text(&malformed(), false).contains('\u{1b}'));
        assert_eq!(warning("mind this", false), "warning: mind this\n");
    }

    #[test]
    fn an_excerpt_that_lies_does_no_harm() {
        let mut excerpt = Excerpt::new(1, b"G1 X1", 3, 5, "");
        excerpt.text = "µ".to_owned();
        (excerpt.start, excerpt.end) = (1, 400);
        let error = Error::new(ErrorKind::NoDiameter).at(excerpt);
        assert!(text(&error, false).contains("virtual diameter"));
    }

    #[test]
    fn what_a_hook_says() {
        let gone = || Error::io("open the file", io::ErrorKind::NotFound.into());
        let errors = [
            malformed(),
            faults(),
            Error::new(ErrorKind::NoDiameter).in_file(Path::new("/tmp/.4711.gcode.pp")),
            Error::new(ErrorKind::AlreadyRewritten),
            Error::new(ErrorKind::Unsupported {
                what: "38 mm³/s at 210 °C – ".repeat(20), help: "ask ".repeat(90)
            }),
            gone(),
            gone().in_file(Path::new("no/pads.gcode")),
        ];
        let said: Vec<String> = errors.iter().map(|error| hook(error, false)).collect();
        for text in &said {
            let first = text.lines().next().unwrap_or_default();
            assert!(first.is_ascii() && first.len() <= HOOK_LINE, "{first}");
        }
        assert_eq!(said[6], "meltwright: pads.gcode: cannot open the file: entity not found; check the path\n");
        insta::assert_snapshot!(said.join("\n"));
    }
}
