//! Finding lines and words.
//!
//! The grammar of a line stands in this file and decides what a line is; ordinary moves and comments,
//! nearly all of a file, are read by the short cut in `fast`, which gives the same and leaves the rest
//! to the grammar. In short (white space is space, tab, CR and U+00A0 and may stand between all parts):
//!
//! ```text
//! file     = line { LF line } ; CRs directly before LF belong to the line end
//! line     = [ BOM ] ( "%" text | [ "N" digits ] body )
//! body     = { paren } ( named text | "O" text | { item } [ "*" digits { paren } ] [ ";" text ] )
//! item     = word { list } | paren
//! list     = ":" decimal ; in a line that begins with M
//! paren    = "(" text ")" ; nested pairs belong to the text
//! word     = letter [ [ "+" | "-" ] decimal [ "e" [ "+" | "-" ] digits ] ]
//! named    = ( letter | "_" ) ( letter | "_" )
//! ```
//!
//! What the grammar does not say:
//!
//! - A comment whose parentheses do not balance ends at its first `)`, or at the line end when there is
//!   none; from there on no comment of that line is nested.
//! - A number has an exponent only if its word has an upper-case letter other than G, M and T and the
//!   `e` is lower case: `X10E5`, `x10e5` and `G1e5` are two words each.
//! - The commands whose rest is text are M0, M1, M16, M23, M28, M30, M32, M33, M36, M70, M98, M115, M117,
//!   M118, M486, M550, M551, M552, M587, M862.3, M928 and M1002, where they are the first word. Their
//!   text runs to the line end: `;` and parentheses in it are no comments.
//! - Of a list of numbers (`M201 X500 E250:250`, one for each drive) the first is that of the word.
//! - A letter before something that is neither a number nor a possible next item (`X[#1]`) is no word.
//! - Reading stops at the first byte that fits nowhere. The words before it stay and the line gets
//!   [`Line::JUNK`]; without a word before it the line is [`LineKind::Opaque`]. A line whose first word
//!   letter is O (sub-programs and program numbers) is opaque too. In what is not read as words, and in
//!   named commands, the first `;` begins the comment.
//! - `*` with digits is a checksum where nothing but comments follows it, on lines with a line number
//!   or at least one word. In text, named and opaque lines it counts only after a line number, and the
//!   last one before the line end or the `;` comment is taken. It covers every byte of the line before it.
//! - A line number alone is a [`LineKind::Code`] line without words.
//! - A word over 65535 bytes, and all words after the 65535th of a line, are not read ([`Line::JUNK`]).

use super::common::{is_text_command, without_returns};
use super::edit::xor;
use super::number::{self, Number};
use super::{Line, LineKind, Word, fast};
use memchr::{memchr, memchr2, memrchr};
use nom::branch::alt;
use nom::bytes::complete::{tag, take_till, take_while};
use nom::character::complete::{char, digit1, one_of, satisfy};
use nom::combinator::{eof, map, not, opt, peek, recognize, rest, value};
use nom::error::{Error, ErrorKind};
use nom::multi::many0_count;
use nom::sequence::{preceded, terminated};
use nom::{Err, IResult, Parser};

/// Appends the lines and words of a block of whole lines (under 4 GiB) to `lines` and `words`.
///
/// Offsets count from the start of `bytes`. Never fails: see the module's text for what becomes of
/// lines that follow no rule.
pub fn lex(bytes: &[u8], lines: &mut Vec<Line>, words: &mut Vec<Word>) {
    let mut start = 0;
    while start < bytes.len() {
        let first_word = words.len();
        start = match fast::bead(bytes, start, lines, words) {
            Ok(next) => next,
            Err(read) => any_line(bytes, start, read, first_word, lines, words),
        };
    }
}

/// Adds the line that begins at `start`, whatever it is, and says where the next one begins. It is read up to `read`: its words
/// so far are those from `first_word` on.
#[inline(never)]
fn any_line(
    bytes: &[u8],
    start: usize,
    read: usize,
    first_word: usize,
    lines: &mut Vec<Line>,
    words: &mut Vec<Word>,
) -> usize {
    let (line, next) = match fast::line(bytes, start, read, first_word, words) {
        Some(found) => found,
        None => {
            words.truncate(first_word);
            by_grammar(bytes, start, words)
        }
    };
    lines.push(line);
    next
}

/// What [`lex`] does, by the grammar alone: the slower yardstick that [`lex`] must agree with.
pub fn lex_by_grammar(bytes: &[u8], lines: &mut Vec<Line>, words: &mut Vec<Word>) {
    let mut start = 0;
    while start < bytes.len() {
        let (line, next) = by_grammar(bytes, start, words);
        lines.push(line);
        start = next;
    }
}

/// The line that begins at `start`, and where the next one begins.
fn by_grammar(bytes: &[u8], start: usize, words: &mut Vec<Word>) -> (Line, usize) {
    let tail = bytes.get(start..).unwrap_or_default();
    let (text, next) = match memchr(b'\n', tail) {
        Some(end) => (without_returns(tail.get(..end).unwrap_or_default()), start + end + 1),
        None => (tail, bytes.len()),
    };
    let first_word = words.len();
    let mut reader = Reader { text, base: start, words, first_word, comment: None, star: None, flags: 0, nested: true };
    let kind = match reader.line() {
        Ok((_, kind)) => kind,
        Err(_) => LineKind::Opaque,
    };
    (reader.finish(kind), next)
}

type Parsed<'a, T> = IResult<&'a [u8], T>;

/// White space, possibly none.
fn blank(input: &[u8]) -> Parsed<'_, &[u8]> {
    let plain = || take_while(|byte| matches!(byte, b' ' | b'\t' | b'\r'));
    recognize((plain(), many0_count((tag("\u{a0}"), plain())))).parse(input)
}

/// A comment in parentheses; whether they balance.
fn paren(nested: bool) -> impl Fn(&[u8]) -> Parsed<'_, bool> {
    move |input| {
        let balanced = |input| {
            if nested { balanced(input) } else { no(input, ErrorKind::Many0) }
        };
        let open = |input| recognize((char('('), take_till(|byte| byte == b')'), opt(char(')')))).parse(input);
        alt((value(true, balanced), value(false, open))).parse(input)
    }
}

/// A pair of parentheses with all pairs in it. Counted, not nested calls: depth is the input's to choose.
fn balanced(input: &[u8]) -> Parsed<'_, ()> {
    let mut at = 0;
    let mut depth = 0usize;
    while let Some(step) = input.get(at..).and_then(|text| memchr2(b'(', b')', text)) {
        at += step + 1;
        match input.get(at - 1) {
            Some(b'(') => depth += 1,
            _ => depth = depth.saturating_sub(1),
        }
        if depth == 0 {
            return Ok((input.get(at..).unwrap_or_default(), ()));
        }
    }
    no(input, ErrorKind::Many0)
}

/// `N` with digits. `N10.5` is an ordinary word.
fn line_number(input: &[u8]) -> Parsed<'_, ()> {
    value((), (one_of("Nn"), blank, digit1, not(char('.')))).parse(input)
}

/// Start of a named command: two letters or underscores.
fn name(input: &[u8]) -> Parsed<'_, ()> {
    let mut letter = satisfy(|c| c.is_ascii_alphabetic() || c == '_');
    let (input, _) = letter.parse(input)?;
    value((), letter).parse(input)
}

/// `*` with digits: the number, kept within 32 bits.
fn star(input: &[u8]) -> Parsed<'_, u32> {
    map(preceded(char('*'), digit1), |digits: &[u8]| {
        digits.iter().fold(0u32, |sum, digit| sum.saturating_mul(10).saturating_add(u32::from(digit - b'0')))
    })
    .parse(input)
}

/// A letter with its number, or alone before something that may follow it.
fn word(input: &[u8]) -> Parsed<'_, (char, Option<Number>)> {
    let (input, letter) = satisfy(|c| c.is_ascii_alphabetic()).parse(input)?;
    let exponent = letter.is_ascii_uppercase() && !matches!(letter, 'G' | 'M' | 'T');
    let with_number = map(preceded(blank, number(exponent)), Some);
    let next_item = value((), satisfy(|c| c.is_ascii_alphabetic() || matches!(c, '(' | ';' | '*')));
    let alone = value(None, peek((blank, alt((value((), eof), next_item)))));
    let (input, number) = alt((with_number, alone)).parse(input)?;
    Ok((input, (letter, number)))
}

/// A number without white space in it.
fn number(exponent: bool) -> impl Fn(&[u8]) -> Parsed<'_, Number> {
    move |input| match number::read(input, exponent) {
        Some(found) => Ok((input.get(found.len..).unwrap_or_default(), found)),
        None => no(input, ErrorKind::Float),
    }
}

/// The further numbers of a list.
fn list(input: &[u8]) -> Parsed<'_, usize> {
    many0_count(preceded(char(':'), number(false))).parse(input)
}

fn no<T>(input: &[u8], kind: ErrorKind) -> Parsed<'_, T> {
    Err(Err::Error(Error::new(input, kind)))
}

/// What was found in a line so far. Offsets count from the start of the line.
struct Reader<'a, 'w> {
    text: &'a [u8],
    base: usize,
    words: &'w mut Vec<Word>,
    first_word: usize,
    comment: Option<usize>,
    star: Option<usize>,
    flags: u8,
    nested: bool,
}

impl<'a> Reader<'a, '_> {
    /// The whole line.
    fn line(&mut self) -> Parsed<'a, LineKind> {
        let (input, _) = (opt(tag("\u{feff}")), blank).parse(self.text)?;
        match input.first() {
            None => return Ok((input, LineKind::Blank)),
            Some(b'%') => return value(LineKind::Percent, rest).parse(input),
            _ => {}
        }
        let (input, numbered) = opt(line_number).parse(input)?;
        if numbered.is_some() {
            self.flags |= Line::NUMBERED;
        }
        let (input, ()) = self.gap(input)?;
        if peek(name).parse(input).is_ok() {
            return self.unread(input, LineKind::Named);
        }
        if matches!(input.first(), Some(b'O' | b'o')) {
            return self.unread(input, LineKind::Opaque);
        }
        self.items(input)
    }

    /// White space and comments in parentheses.
    fn gap(&mut self, input: &'a [u8]) -> Parsed<'a, ()> {
        let (mut input, _) = blank(input)?;
        while input.first() == Some(&b'(') {
            let at = self.at(input);
            self.comment.get_or_insert(at);
            let (after, balanced) = terminated(paren(self.nested), blank).parse(input)?;
            self.nested &= balanced;
            input = after;
        }
        Ok((input, ()))
    }

    /// Words up to the comment, the checksum or the first byte that is none.
    fn items(&mut self, mut input: &'a [u8]) -> Parsed<'a, LineKind> {
        loop {
            match input.first() {
                None => return Ok((input, self.kind())),
                Some(b';') => {
                    let at = self.at(input);
                    self.comment.get_or_insert(at);
                    return value(self.kind(), rest).parse(input);
                }
                Some(b'*') => return self.checksum(input),
                _ => {}
            }
            let Ok((after, (letter, number))) = word(input) else {
                return self.junk(input);
            };
            let start = self.at(input);
            let len = u16::try_from(if number.is_some() { self.at(after) - start } else { 1 });
            let (Ok(len), true) = (len, self.words.len() - self.first_word < usize::from(u16::MAX)) else {
                return self.junk(input);
            };
            let word = Word {
                value: number.map_or(0.0, |number| number.value),
                start: (self.base + start) as u32,
                len,
                letter: letter.to_ascii_uppercase() as u8,
                decimals: number.map_or(Word::NO_NUMBER, |number| number.decimals),
            };
            if number.is_some_and(|number| number.exponent) {
                self.flags |= Line::EXPONENT;
            }
            if self.words.len() == self.first_word && letter.is_ascii_lowercase() {
                self.flags |= Line::LOWER_CASE;
            }
            self.words.push(word);
            if self.words.len() == self.first_word + 1 && is_text_command(&word) {
                self.comment = None;
                self.last_star(after, self.text.len());
                return value(LineKind::Text, rest).parse(after);
            }
            let of_settings = self.words.get(self.first_word).is_some_and(|word| word.letter == b'M');
            let (after, _) = if of_settings { list(after)? } else { (after, 0) };
            (input, ()) = self.gap(after)?;
        }
    }

    /// The checksum at the end of the words, if it is one.
    fn checksum(&mut self, input: &'a [u8]) -> Parsed<'a, LineKind> {
        if self.words.len() == self.first_word && self.flags & Line::NUMBERED == 0 {
            return self.junk(input);
        }
        let Ok((after, sum)) = star(input) else {
            return self.junk(input);
        };
        let before = self.comment;
        let (after, ()) = self.gap(after)?;
        if !matches!(after.first(), None | Some(b';')) {
            self.comment = before;
            return self.junk(input);
        }
        self.found_star(self.at(input), sum);
        self.items(after)
    }

    /// From here on nothing is read as words.
    fn junk(&mut self, input: &'a [u8]) -> Parsed<'a, LineKind> {
        if self.words.len() == self.first_word {
            return self.unread(input, LineKind::Opaque);
        }
        self.flags |= Line::JUNK;
        self.unread(input, LineKind::Code)
    }

    /// The rest of a line that is not read as words: its comment and the checksum of a numbered line.
    fn unread(&mut self, input: &'a [u8], kind: LineKind) -> Parsed<'a, LineKind> {
        let end = memchr(b';', input).map_or(self.text.len(), |at| self.at(input) + at);
        if end < self.text.len() {
            self.comment.get_or_insert(end);
        }
        self.last_star(input, end);
        value(kind, rest).parse(input)
    }

    /// Takes the last `*` in `input` as checksum if only digits and white space stand between it and `end`.
    fn last_star(&mut self, input: &'a [u8], end: usize) {
        let from = self.at(input);
        let text = self.text.get(from..end).unwrap_or_default();
        if self.flags & Line::NUMBERED == 0 {
            return;
        }
        let Some(at) = memrchr(b'*', text) else {
            return;
        };
        let tail = text.get(at..).unwrap_or_default();
        if let Ok((_, sum)) = terminated(star, (blank, eof)).parse(tail) {
            self.found_star(from + at, sum);
        }
    }

    fn found_star(&mut self, at: usize, sum: u32) {
        self.star = Some(at);
        self.flags |= Line::CHECKSUM;
        if u32::from(xor(self.text.get(..at).unwrap_or_default())) != sum {
            self.flags |= Line::BAD_CHECKSUM;
        }
    }

    /// What a line is that was read to its end.
    fn kind(&self) -> LineKind {
        if self.words.len() > self.first_word || self.flags & Line::NUMBERED != 0 {
            LineKind::Code
        } else {
            LineKind::Comment
        }
    }

    /// Offset of `rest`, a tail of the line.
    fn at(&self, rest: &[u8]) -> usize {
        self.text.len() - rest.len()
    }

    fn finish(self, kind: LineKind) -> Line {
        let offset = |at: usize| (self.base + at) as u32;
        let end = self.text.len();
        let found = self.words.get(self.first_word..).unwrap_or_default();
        Line {
            start: offset(0),
            end: offset(end),
            first_word: self.first_word as u32,
            words: found.len() as u16,
            kind,
            flags: self.flags,
            code_end: found.last().map_or(offset(0), Word::end),
            comment: offset(self.comment.unwrap_or(end)),
            star: offset(self.star.unwrap_or(end)),
        }
    }
}
