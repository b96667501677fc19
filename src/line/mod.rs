//! One line of text: lossless, without meaning.
//!
//! Value and spelling stand side by side: a [`Word`] keeps where it stands in the block, so that what no
//! pass changes is copied byte for byte. Nothing here fails: a line that follows no rule is kept as
//! [`LineKind::Opaque`] and passed on; only the layer above decides that a word it must act on is wrong.

mod common;
pub mod edit;
mod fast;
pub mod lex;
pub mod number;

/// One letter with its number, as found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Word {
    /// Value of the number; 0 when the letter stands alone.
    pub value: f64,
    /// Offset of the letter in the block.
    pub start: u32,
    /// Length of the whole word in bytes, letter included; white space between letter and number counts.
    pub len: u16,
    /// The letter in upper case, `A..=Z`.
    pub letter: u8,
    /// Digits after the decimal point as written, or [`Word::NO_NUMBER`].
    pub decimals: u8,
}

impl Word {
    /// Value of `decimals` for a letter without a number (`G28 X Y`).
    pub const NO_NUMBER: u8 = u8::MAX;

    /// Whether the letter is followed by a number.
    pub const fn has_number(&self) -> bool {
        self.decimals != Self::NO_NUMBER
    }

    /// One past the last byte of the word in the block.
    pub const fn end(&self) -> u32 {
        self.start + self.len as u32
    }
}

/// What a line is, by its look alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum LineKind {
    /// Nothing but white space.
    Blank,
    /// A comment and nothing else (`;` or parentheses).
    Comment,
    /// Words. The first G, M or T word is the command; none means a modal line (`X10 Y5`).
    Code,
    /// A named command with free arguments (`SET_LIMIT ACCEL=500`).
    Named,
    /// A command whose rest is text (`M117 hello`): one word for the command, the rest is never words.
    Text,
    /// A `%` line.
    Percent,
    /// Anything else (expressions, JSON, stray prose); bytes without a rule.
    Opaque,
}

/// Where one line and its parts lie in the block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// First byte of the line.
    pub start: u32,
    /// One past the last byte, without the line end (LF, CR LF, CR CR LF).
    pub end: u32,
    /// Index of the first word in the block's word list.
    pub first_word: u32,
    /// Number of words (a line number `N` and a checksum are not among them).
    pub words: u16,
    /// What the line is.
    pub kind: LineKind,
    /// Properties, see the constants.
    pub flags: u8,
    /// One past the last byte of the last word: where a further word goes in. `start` when there is none.
    pub code_end: u32,
    /// First byte of the first comment (its `;` or `(`); `end` when there is none.
    pub comment: u32,
    /// Offset of the `*` of a checksum; `end` when there is none.
    pub star: u32,
}

impl Line {
    /// The line starts with a line number (`N12`).
    pub const NUMBERED: u8 = 1;
    /// The line carries a checksum (`*71`).
    pub const CHECKSUM: u8 = 2;
    /// The checksum does not match the bytes before it.
    pub const BAD_CHECKSUM: u8 = 4;
    /// Bytes that are no word follow the words (for [`LineKind::Code`]): the line was read only so far.
    pub const JUNK: u8 = 8;
    /// A word is written with an exponent.
    pub const EXPONENT: u8 = 16;
    /// The first word is written in lower case.
    pub const LOWER_CASE: u8 = 32;

    /// Whether a flag is set.
    pub const fn has(&self, flag: u8) -> bool {
        self.flags & flag != 0
    }
}

/// A block of whole lines with what was found in it. Reused from block to block.
#[derive(Clone, Debug, Default)]
pub struct Block {
    /// The text: whole lines; only the last block of a file may lack a final line end.
    pub bytes: Vec<u8>,
    /// Number of the first line, counted from 1.
    pub first_line: u64,
    /// Its lines.
    pub lines: Vec<Line>,
    /// All words of all lines, in order.
    pub words: Vec<Word>,
}

impl Block {
    /// The words of one line.
    pub fn words_of(&self, line: &Line) -> &[Word] {
        let first = line.first_word as usize;
        &self.words[first..first + line.words as usize]
    }

    /// The bytes of one line, without its line end.
    pub fn text_of(&self, line: &Line) -> &[u8] {
        &self.bytes[line.start as usize..line.end as usize]
    }

    /// Finds the lines and words of `bytes` anew.
    pub fn lex(&mut self) {
        self.lines.clear();
        self.words.clear();
        lex::lex(&self.bytes, &mut self.lines, &mut self.words);
    }
}
