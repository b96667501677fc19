//! Places in a profile text, faults that point at them, and the nearest word to a misspelt one.

use std::ops::Range;

use crate::error::{Excerpt, ProfileFault};

/// A text with the starts of its lines, so that a byte offset is turned into a line quickly.
pub(super) struct Source<'t> {
    text: &'t str,
    starts: Vec<usize>,
}

impl<'t> Source<'t> {
    /// Indexes the lines of `text`.
    pub fn new(text: &'t str) -> Self {
        // A byte order mark is no part of the first line.
        let first = if text.starts_with('\u{feff}') { '\u{feff}'.len_utf8() } else { 0 };
        let rest = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n').map(|(at, _)| at + 1);
        Self { text, starts: std::iter::once(first).chain(rest).collect() }
    }

    /// Index of the line that holds byte `at`, from 0.
    pub fn line_of(&self, at: usize) -> usize {
        self.starts.partition_point(|start| *start <= at).saturating_sub(1)
    }

    /// First byte of a line and its text without the line end.
    pub fn line(&self, index: usize) -> (usize, &'t str) {
        let start = self.starts.get(index).copied().unwrap_or(self.text.len());
        let end = self.starts.get(index + 1).copied().unwrap_or(self.text.len());
        let text = self.text.get(start..end).unwrap_or("");
        (start, text.strip_suffix('\n').map_or(text, |line| line.strip_suffix('\r').unwrap_or(line)))
    }

    /// Quotes the first line of a span.
    fn excerpt(&self, span: &Range<usize>, label: &str) -> Excerpt {
        let index = self.line_of(span.start);
        let (start, text) = self.line(index);
        let from = span.start.saturating_sub(start);
        let to = span.end.saturating_sub(start).max(from);
        Excerpt::new(index as u64 + 1, text.as_bytes(), from, to, label)
    }
}

/// What is wrong, before it is known where.
pub(super) struct Complaint {
    /// One sentence in lower case; what the key "must" goes without the key.
    pub what: String,
    /// Words under the mark.
    pub label: String,
    /// What to do.
    pub help: Option<String>,
}

impl Complaint {
    /// A complaint without more help than its label gives.
    pub fn new(what: impl Into<String>, label: impl Into<String>) -> Self {
        Self { what: what.into(), label: label.into(), help: None }
    }

    /// Adds what to do.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// Adds the bytes it is about.
    pub fn at(self, span: Range<usize>) -> Refusal {
        Refusal { span, complaint: self }
    }
}

/// A complaint with the bytes it is about.
pub(super) struct Refusal {
    pub span: Range<usize>,
    pub complaint: Complaint,
}

/// What a span counts in: the text of a file, or one `--set` on the command line.
#[derive(Clone, Copy)]
pub(super) enum Where<'a> {
    /// A file.
    File(&'a Source<'a>),
    /// The whole assignment, as it was typed, and its place among them.
    Assignment(&'a str, usize),
}

/// Collects faults and hands them out in reading order.
#[derive(Default)]
pub(super) struct Faults {
    found: Vec<(usize, ProfileFault)>,
}

impl Faults {
    /// Most faults that are listed; the rest are counted.
    pub const MOST: usize = 50;
    /// Sorts faults of the command line behind all faults of the file.
    const BEHIND_FILE: usize = usize::MAX / 2;

    /// Adds one fault.
    pub fn add(&mut self, place: Where<'_>, refusal: Refusal) {
        let Refusal { span, complaint: Complaint { what, label, help } } = refusal;
        self.found.push(match place {
            Where::File(source) => {
                let excerpt = Some(source.excerpt(&span, &label));
                (span.start, ProfileFault { what, excerpt, label, help })
            }
            Where::Assignment(typed, index) => {
                let what = format!("{what} (in `--set {}`)", quote(typed));
                (Self::BEHIND_FILE + index, ProfileFault { what, excerpt: None, label, help })
            }
        });
    }

    /// All faults in the order of the file, then of the command line.
    pub fn into_vec(mut self) -> Vec<ProfileFault> {
        self.found.sort_by_key(|(at, _)| *at);
        let more = self.found.len().saturating_sub(Self::MOST);
        self.found.truncate(Self::MOST);
        let mut faults: Vec<_> = self.found.into_iter().map(|(_, fault)| fault).collect();
        if more > 0 {
            let Complaint { what, label, help } =
                Complaint::new(format!("there are {more} more faults"), "").help("correct the ones above first");
            faults.push(ProfileFault { what, excerpt: None, label, help });
        }
        faults
    }
}

/// Text from the user, fit to stand in one line of a message.
pub(super) fn quote(text: &str) -> String {
    const LONGEST: usize = 48;
    let mut shown: String = text.chars().take(LONGEST).map(|c| if c.is_control() { '?' } else { c }).collect();
    if text.chars().nth(LONGEST).is_some() {
        shown.push_str("...");
    }
    shown
}

/// The candidate a misspelt word was most likely meant to be.
///
/// Closest by number of edits, if those are few for the length of the word; else the one with all of its parts, where `_`
/// stands between some. Longer words are also compared with the beginnings of the candidates, as units at the end are
/// often left out, and may stand inside of a candidate.
pub fn nearest<'c>(word: &str, candidates: impl Iterator<Item = &'c str> + Clone) -> Option<&'c str> {
    const LONGEST: usize = 64;
    const SHORT: usize = 3;
    if word.len() > LONGEST {
        return None;
    }
    let word = word.to_lowercase();
    let length = word.chars().count();
    let allowed = (length / 3).max(1);
    let distance = |candidate: &str| {
        let start: String = candidate.chars().take(length).collect();
        let whole = edits(&word, candidate);
        if length > SHORT { whole.min(edits(&word, &start) + 1) } else { whole }
    };
    if candidates.clone().all(|candidate| edits(&word, candidate) > allowed)
        && let Some(candidate) = with_parts(&word, candidates.clone())
    {
        return Some(candidate);
    }
    let close = candidates.clone().map(|candidate| (distance(candidate), candidate));
    if let Some((_, candidate)) = close.filter(|(count, _)| *count <= allowed).min_by_key(|(count, _)| *count) {
        return Some(candidate);
    }
    let mut candidates = candidates;
    candidates.find(|candidate| length > SHORT && (candidate.contains(&word) || word.contains(candidate)))
}

/// The shortest candidate that has all parts of the word in their order, `max_speed_rpm` for `max_rpm`, written out or not.
fn with_parts<'c>(word: &str, candidates: impl Iterator<Item = &'c str>) -> Option<&'c str> {
    /// Least letters of a part that stands for a longer one.
    const LEAST: usize = 4;
    if !word.contains('_') {
        return None;
    }
    let is_meant = |part: &str, other: &str| {
        part == other || part.len().min(other.len()) >= LEAST && (part.starts_with(other) || other.starts_with(part))
    };
    let has_all = |candidate: &&str| {
        let mut parts = candidate.split('_');
        word.split('_').all(|part| parts.any(|other| is_meant(part, other)))
    };
    candidates.filter(has_all).min_by_key(|candidate| candidate.split('_').count())
}

/// Fewest insertions, removals, replacements that turn `a` into `b` (Levenshtein's distance, row by row).
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        for (cell, to) in row.iter_mut().skip(1).zip(&b) {
            let replaced = diagonal + usize::from(from != *to);
            diagonal = *cell;
            left = replaced.min(*cell + 1).min(left + 1);
            *cell = left;
        }
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
    }
    row.last().copied().unwrap_or(0)
}

/// A number for people: no `.0` behind whole numbers, an exponent only where zeros would be hard to count.
pub(super) fn decimal(value: f64) -> String {
    if value == 0.0 || (1e-4..1e9).contains(&value.abs()) { format!("{value}") } else { format!("{value:e}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edits_are_counted() {
        // By hand: one removal, one replacement, three insertions, a swap of two letters.
        for (a, b, count) in [("pitch", "pich", 1), ("host", "hose", 1), ("", "abc", 3), ("nozzle", "nozzel", 2)] {
            assert_eq!(edits(a, b), count, "{a} {b}");
            assert_eq!(edits(b, a), count, "{b} {a}");
        }
    }

    #[test]
    fn nearest_keeps_to_likely_words() {
        let words = ["max_ramp_error", "max_speed_rpm", "melt_lag_s", "output_curve", "axis", "max_accel_mm_s2"];
        let nearest = |word| nearest(word, words.into_iter());
        assert_eq!(nearest("max_sped_rpm"), Some("max_speed_rpm"));
        assert_eq!(nearest("output"), Some("output_curve"));
        assert_eq!(nearest("max_spede"), Some("max_speed_rpm"));
        assert_eq!(nearest("lag_s"), Some("melt_lag_s"));
        assert_eq!(nearest("AXIS"), Some("axis"));
        assert_eq!(nearest("colour"), None);
        assert_eq!(nearest("max_rpm"), Some("max_speed_rpm"));
        assert_eq!(nearest("max_ramp"), Some("max_ramp_error"));
        assert_eq!(nearest("max_acceleration"), Some("max_accel_mm_s2"));
        assert_eq!(nearest("rpm_max"), None);
    }

    #[test]
    fn lines_are_found_with_any_line_end() {
        let source = Source::new("\u{feff}a\r\nbc\n\nd");
        assert_eq!(source.line(0), (3, "a"));
        assert_eq!(source.line(1), (6, "bc"));
        assert_eq!(source.line(3), (10, "d"));
        assert_eq!(source.line(9).1, "");
        for (at, line) in [(0, 0), (3, 0), (5, 0), (6, 1), (9, 2), (10, 3), (99, 3)] {
            assert_eq!(source.line_of(at), line, "byte {at}");
        }
    }
}
