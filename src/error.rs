//! What can go wrong, with the place and the remedy.
//!
//! Every error answers: which file, which line, the very text, what is wrong, what to do. Rendering
//! (snippets, colour, exit codes) is the command-line tool's business.

use std::fmt;
use std::path::{Path, PathBuf};

/// `Result` with this crate's [`Error`].
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// One boxed error: one word wide, so that hot loops carry it for nothing.
#[derive(Debug)]
pub struct Error(Box<Inner>);

#[derive(Debug)]
struct Inner {
    kind: ErrorKind,
    file: Option<PathBuf>,
    excerpt: Option<Excerpt>,
}

/// The kinds of error. `Display` gives one sentence in lower case; [`ErrorKind::help`] says what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ErrorKind {
    /// The operating system refused to read or write.
    #[error("cannot {doing}: {source}")]
    Io {
        /// What was being done, e.g. `read the file`.
        doing: &'static str,
        /// The system's own reason.
        source: std::io::Error,
    },
    /// The input is not plain G-code text.
    #[error("{what}")]
    NotGcode {
        /// What the input seems to be.
        what: String,
        /// What to do about it.
        help: String,
    },
    /// A word that has to be acted on cannot be read.
    #[error("{what}")]
    Malformed {
        /// What is wrong with it.
        what: String,
    },
    /// Legal G-code that this program cannot follow.
    #[error("{what}")]
    Unsupported {
        /// What is not supported.
        what: String,
        /// What to do about it.
        help: String,
    },
    /// A sheet of weighings cannot be used.
    #[error("{what}")]
    Sheet {
        /// What is wrong with it.
        what: String,
        /// What to do about it.
        help: String,
    },
    /// The file carries the marker of an earlier run.
    #[error("this file was already rewritten by meltwright")]
    AlreadyRewritten,
    /// Another program wrote to a file, or replaced it, while it was worked on.
    #[error("the file was changed by another program while it was being worked on")]
    Changed,
    /// Neither the profile nor the file tells how much volume one unit of E is.
    #[error("nothing says how much volume one unit of E is: no virtual diameter in profile or file")]
    NoDiameter,
    /// E has to stay in the unit of the file, and is to be written in another one.
    #[error("{what}")]
    UnitStays {
        /// What holds it there.
        what: &'static str,
    },
    /// A file and the one it is compared with do not go the same path.
    #[error("{what}")]
    PathsDiffer {
        /// Where they part.
        what: String,
    },
    /// The work is done, but what there is to tell of it went nowhere.
    #[error("the files were rewritten as asked, but the account of it could not be written: {what}")]
    Untold {
        /// Why not.
        what: String,
    },
    /// The command line asks for something that cannot be done.
    #[error("{what}")]
    Usage {
        /// What is wrong.
        what: String,
        /// What to do about it.
        help: String,
    },
    /// The profile has faults; all of them are listed.
    #[error("{}", faults(.0))]
    Profile(Vec<ProfileFault>),
}

/// One fault of a profile, with its place where it came from a file.
#[derive(Debug, Clone, PartialEq)]
pub struct ProfileFault {
    /// What is wrong, one sentence in lower case.
    pub what: String,
    /// Where it stands; `None` for values that came from the command line.
    pub excerpt: Option<Excerpt>,
    /// Words under the caret.
    pub label: String,
    /// What to do, where there is more to say than the label does.
    pub help: Option<String>,
}

/// One line of input and the part of it an error is about.
#[derive(Debug, Clone, PartialEq)]
pub struct Excerpt {
    /// Line number, counted from 1.
    pub line: u64,
    /// The text of the line (or of a window of it, when it is long), made printable.
    pub text: String,
    /// First byte of the marked part within `text`.
    pub start: usize,
    /// One past the last byte of the marked part.
    pub end: usize,
    /// Column of the marked part in the input line, counted from 1 in bytes.
    pub column: usize,
    /// Words under the mark, may be empty.
    pub label: String,
}

impl Excerpt {
    /// Longest stretch of a line that is quoted.
    const WINDOW: usize = 72;

    /// Quotes `line` (its bytes without the line end) with bytes `start..end` marked.
    ///
    /// Long lines are cut to a window around the mark; bytes that do not print become `?`.
    pub fn new(line_number: u64, line: &[u8], start: usize, end: usize, label: &str) -> Self {
        let end = end.min(line.len());
        let start = start.min(end);
        let cut = start.saturating_sub(Self::WINDOW / 2);
        // From the start of a word on, if one starts before the mark.
        let is_start = |at: &usize| *at == 0 || line[at - 1].is_ascii_whitespace();
        let from = (cut..=start).find(is_start).unwrap_or(cut);
        let to = (from + Self::WINDOW).min(line.len());
        let text: String = line[from..to]
            .iter()
            .map(|&b| {
                if (0x20..0x7f).contains(&b) {
                    b as char
                } else if b == b'\t' {
                    ' '
                } else {
                    '?'
                }
            })
            .collect();
        let mark_end = end.min(to).max(start) - from;
        Self {
            line: line_number,
            start: (start - from).min(text.len()),
            end: mark_end.min(text.len()),
            text,
            column: start + 1,
            label: label.to_owned(),
        }
    }
}

impl ErrorKind {
    /// What the user can do about it, one sentence.
    pub fn help(&self) -> Option<String> {
        match self {
            Self::Io { .. } => None,
            Self::NotGcode { help, .. }
            | Self::Unsupported { help, .. }
            | Self::Sheet { help, .. }
            | Self::Usage { help, .. } => Some(help.clone()),
            Self::Malformed { .. } => Some(
                "the file was left as it was; export it again, or run with --lenient to pass such lines through \
                 (where they hold E, also with --set screw.output_e_unit=as-in-file)"
                    .to_owned(),
            ),
            Self::AlreadyRewritten => Some(
                "name the file it was made from, or export it again; `rewrite`, `hook` and `audit` take it with --again"
                    .to_owned(),
            ),
            Self::Changed => Some(
                "nothing was written over it; wait until the other program is done, then run this again".to_owned(),
            ),
            Self::NoDiameter => Some(
                "pass --set screw.virtual_diameter_mm=1.75 (with the diameter the slicing profile was given), \
                 or --set screw.e_unit=mm3 if E is already a volume"
                    .to_owned(),
            ),
            Self::UnitStays { .. } => Some(
                "pass --set screw.output_e_unit=as-in-file, or export the file without what is named here".to_owned(),
            ),
            Self::Untold { .. } => Some(
                "give the account another place next time; `meltwright audit --again` looks at what was written".to_owned(),
            ),
            Self::PathsDiffer { .. } => {
                Some("give the very file it was made from; a path may be split, but must be the same".to_owned())
            }
            Self::Profile(faults) => faults.first().and_then(|fault| fault.help.clone()),
        }
    }
}

/// How many faults a profile has, and the first in full.
fn faults(all: &[ProfileFault]) -> String {
    let count = format!("the profile has {} fault{}", all.len(), if all.len() == 1 { "" } else { "s" });
    let Some(ProfileFault { what, excerpt, label, .. }) = all.first() else { return count };
    let place = excerpt.as_ref().map_or_else(String::new, |excerpt| format!(" (line {})", excerpt.line));
    let label = if label.is_empty() { String::new() } else { format!(": {label}") };
    format!("{count}: {what}{place}{label}")
}

impl Error {
    /// A wrong word or number of somebody's own: what is wrong, and what to do.
    pub fn usage(what: impl Into<String>, help: impl Into<String>) -> Self {
        Self::new(ErrorKind::Usage { what: what.into(), help: help.into() })
    }

    /// Wraps a kind; place and file are added outward.
    pub fn new(kind: ErrorKind) -> Self {
        Self(Box::new(Inner { kind, file: None, excerpt: None }))
    }

    /// A system error while `doing` something ("read the file").
    pub fn io(doing: &'static str, source: std::io::Error) -> Self {
        Self::new(ErrorKind::Io { doing, source })
    }

    /// Adds the file, unless one is known already.
    #[must_use]
    pub fn in_file(mut self, file: &Path) -> Self {
        self.0.file.get_or_insert_with(|| file.to_owned());
        self
    }

    /// Adds the line it is about.
    #[must_use]
    pub fn at(mut self, excerpt: Excerpt) -> Self {
        self.0.excerpt = Some(excerpt);
        self
    }

    /// The kind of error.
    pub fn kind(&self) -> &ErrorKind {
        &self.0.kind
    }

    /// The file it happened in, if known.
    pub fn file(&self) -> Option<&Path> {
        self.0.file.as_deref()
    }

    /// The line it is about, if any.
    pub fn excerpt(&self) -> Option<&Excerpt> {
        self.0.excerpt.as_ref()
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0.kind)?;
        if let Some(excerpt) = &self.0.excerpt {
            write!(f, " (line {}, column {})", excerpt.line, excerpt.column)?;
        }
        Ok(())
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match &self.0.kind {
            ErrorKind::Io { source, .. } => Some(source),
            _ => None,
        }
    }
}

/// Whether bytes look like UTF-16 text: with a byte order mark, or with nearly every second byte zero. Whoever reads text says so
/// by name, as what saved it calls it.
pub(crate) fn is_utf16(head: &[u8]) -> bool {
    if head.starts_with(b"\xff\xfe") || head.starts_with(b"\xfe\xff") {
        return true;
    }
    if memchr::memchr(0, head).is_none() {
        return false;
    }
    let pairs = head.len() / 2;
    let zeros = |odd: usize| {
        let bytes = head.iter().skip(odd).step_by(2);
        bytes.filter(|&&b| b == 0).count()
    };
    let (even, odd) = (zeros(0), zeros(1));
    pairs >= 4 && even.min(odd) * 20 < pairs && even.max(odd) * 10 > pairs * 9
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One error of each kind. A kind without a row here does not compile.
    macro_rules! each_kind {
        ($($pattern:pat => $sample:expr,)+) => {
            fn each() -> Vec<ErrorKind> {
                let _complete = |kind: &ErrorKind| match kind { $($pattern => (),)+ };
                let samples = vec![$($sample,)+];
                let right = [$(|kind: &ErrorKind| matches!(kind, $pattern),)+];
                assert!(samples.iter().zip(right).all(|(sample, right)| right(sample)));
                samples
            }
        };
    }

    each_kind! {
        ErrorKind::Io { .. } => ErrorKind::Io { doing: "read the file", source: std::io::Error::other("the reason") },
        ErrorKind::NotGcode { .. } => ErrorKind::NotGcode { what: what(), help: help() },
        ErrorKind::Malformed { .. } => ErrorKind::Malformed { what: what() },
        ErrorKind::Unsupported { .. } => ErrorKind::Unsupported { what: what(), help: help() },
        ErrorKind::Sheet { .. } => ErrorKind::Sheet { what: what(), help: help() },
        ErrorKind::AlreadyRewritten => ErrorKind::AlreadyRewritten,
        ErrorKind::Changed => ErrorKind::Changed,
        ErrorKind::NoDiameter => ErrorKind::NoDiameter,
        ErrorKind::UnitStays { .. } => ErrorKind::UnitStays { what: "what holds it" },
        ErrorKind::PathsDiffer { .. } => ErrorKind::PathsDiffer { what: what() },
        ErrorKind::Untold { .. } => ErrorKind::Untold { what: what() },
        ErrorKind::Usage { .. } => ErrorKind::Usage { what: what(), help: help() },
        ErrorKind::Profile(_) => ErrorKind::Profile(vec![fault(), fault()]),
    }

    fn what() -> String {
        "what is wrong".to_owned()
    }

    fn help() -> String {
        "what to do".to_owned()
    }

    fn fault() -> ProfileFault {
        ProfileFault { what: what(), excerpt: None, label: String::new(), help: Some(help()) }
    }

    #[test]
    fn every_kind_has_words() {
        let mut shown = String::new();
        for kind in each() {
            let help = kind.help();
            // What the system refuses is explained where it is shown.
            let elsewhere = matches!(kind, ErrorKind::Io { .. });
            assert!(help.is_some() != elsewhere, "{kind}");
            let name = format!("{kind:?}");
            let name = name.split(|c: char| !c.is_alphanumeric()).next().unwrap_or_default().to_owned();
            let placed = Error::new(kind).at(Excerpt::new(7, b"G1 X1.2.3 E1", 3, 9, "not a number"));
            shown.push_str(&format!("{name}: {placed}\n  help: {}\n", help.as_deref().unwrap_or("-")));
        }
        insta::assert_snapshot!(shown);
    }
}
