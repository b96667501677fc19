//! What makes a motion line unsound: words that are no numbers, feeds and places that nobody can mean.

use super::{At, MAX_COORDINATE_MM, Resolver};
use crate::error::{Error, ErrorKind, Result};
use crate::findings::Code;
use crate::line::{Line, Word};
use crate::moves::words::Words;

/// Words that a motion line acts on, besides that of the extruder.
const MOTION_LETTERS: [u8; 8] = *b"XYZIJKRF";
/// Feeds that are believed, units per minute.
pub(super) const PLAUSIBLE_FEED: std::ops::RangeInclusive<f64> = 1e-6..=1e9;

/// A word O right behind a number, with the word of that number: no command of a motion line, but a slip of the keyboard.
fn letter_for_zero(words: &[Word]) -> Option<(&Word, &Word)> {
    let mut pairs = words.iter().zip(words.iter().skip(1));
    pairs.find(|(word, next)| next.letter == b'O' && word.has_number() && next.start == word.end())
}

/// Refuses a line that ends where no machine is.
#[inline]
pub(super) fn check_place(to: [f64; 3], at: At<'_>) -> Result<()> {
    if to.iter().all(|v| v.abs() <= MAX_COORDINATE_MM) {
        return Ok(());
    }
    Err(at.malformed("this position is further than a kilometre away"))
}

impl Resolver {
    /// Words that a motion line acts on.
    pub(super) fn motion_letters(&self) -> [u8; 9] {
        let mut letters = [self.rules.axis; 9];
        letters[..8].copy_from_slice(&MOTION_LETTERS);
        letters
    }

    /// Refuses words that a motion line acts on and that are no numbers. Returns whether an F word can be added.
    pub(super) fn check_words(&mut self, words: &Words, at: At<'_>) -> Result<bool> {
        if at.line.has(Line::JUNK) {
            let text = at.text();
            let rest = |from: usize| text.get(from..).unwrap_or_default();
            let behind_words = (at.line.code_end - at.line.start) as usize;
            let gap = rest(behind_words).iter().take_while(|b| b.is_ascii_whitespace()).count();
            // What hangs on a word spoils the whole word.
            let spoilt = at.words().last().filter(|_| gap == 0).map(|word| (word.start - at.line.start) as usize);
            let start = spoilt.unwrap_or(behind_words + gap);
            let len = rest(start).iter().take_while(|b| !b.is_ascii_whitespace() && **b != b';').count();
            let junk = rest(start).get(..len).unwrap_or_default();
            // A feed the slicing program forgot to fill in concerns no position: controllers go on without it.
            if junk.starts_with(b"F{") {
                let code = if self.watch.refuses_feed(0.0) { Code::FeedRefused } else { Code::Placeholder };
                self.found(code, at, || String::from_utf8_lossy(junk).into_owned());
                return Ok(false);
            }
            let place = at.excerpt(start, start + len, "not a number");
            if junk.iter().any(|b| matches!(b, b'[' | b'#' | b'<')) {
                return Err(Error::new(ErrorKind::Unsupported {
                    what: "this line computes a value while it runs; only plain numbers can be followed".to_owned(),
                    help: "export plain G-code without parameters and expressions, or run with --lenient to pass such \
                           lines through (where they hold E, also with --set screw.output_e_unit=as-in-file)"
                        .to_owned(),
                })
                .at(place));
            }
            return Err(Error::new(ErrorKind::Malformed {
                what: format!("`{}` cannot be read on a motion line", String::from_utf8_lossy(junk)),
            })
            .at(place));
        }
        if let Some((number, letter)) = letter_for_zero(at.words()) {
            let [from, to] = [number.start, letter.end()].map(|place| (place - at.line.start) as usize);
            let text = String::from_utf8_lossy(at.text().get(from..to).unwrap_or_default()).into_owned();
            let what = format!("`{text}` is no number: a letter O stands where a zero may be meant");
            let place = at.excerpt((letter.start - at.line.start) as usize, to, "the letter O");
            return Err(Error::new(ErrorKind::Malformed { what }).at(place));
        }
        if let Some(letter) = words.bare_among(&self.motion_letters()) {
            let word = at.words().iter().find(|w| w.letter == letter && !w.has_number());
            let start = word.map_or(0, |w| (w.start - at.line.start) as usize);
            return Err(Error::new(ErrorKind::Malformed { what: format!("{} has no number", letter as char) })
                .at(at.excerpt(start, start + 1, "a number is missing here")));
        }
        Ok(true)
    }

    /// The F word of the line, if it can be used.
    pub(super) fn read_feed<'a>(&mut self, words: &Words, at: At<'a>) -> Option<&'a Word> {
        at.words().get(words.place(b'F')?).filter(|word| self.is_usable_feed(word, at))
    }

    /// Whether an F word can be used; reports one that cannot.
    #[inline]
    pub(super) fn is_usable_feed(&mut self, word: &Word, at: At<'_>) -> bool {
        if PLAUSIBLE_FEED.contains(&word.value) {
            return true;
        }
        let code = if self.watch.refuses_feed(word.value) { Code::FeedRefused } else { Code::FeedIgnored };
        self.found(code, at, || format!("F{}", word.value));
        false
    }
}
