//! Changes to a block of text: what is not named here is copied byte for byte.

use super::number::{Before, ROOM, put_fixed, put_whole, write_whole, write_word};
use super::{Block, Line};
use std::io::Write;
use std::ops::Range;

/// One change at one place of a block. Edits of a block are sorted by `at` and do not overlap.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edit {
    /// Offset in the block where the change begins.
    pub at: u32,
    /// How many bytes are replaced (0 for an insertion).
    pub remove: u32,
    /// What is written instead.
    pub put: Put,
}

/// What an [`Edit`] writes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Put {
    /// A word: optional leading space, letter, number in fixed point with this many decimals.
    Word {
        /// Whether a space is written first.
        space: bool,
        /// The letter, as it is to be written.
        letter: u8,
        /// The number.
        value: f64,
        /// Digits after the point; trailing zeros are not written.
        decimals: u8,
    },
    /// The letter that stands there, as a capital, and a number in whole quanta.
    Quanta {
        /// The number, times ten to the power of `decimals`.
        quanta: i64,
        /// Digits after the point; trailing zeros are not written.
        decimals: u8,
    },
    /// The checksum of the output line so far: from its first byte up to the `*`, XOR, in decimal.
    Checksum,
    /// Ready text among the texts of the block.
    Text {
        /// Where it begins there.
        start: usize,
        /// Its length, bytes.
        len: u32,
    },
}

/// Writes `bytes` with `edits` applied to the end of `out`. `texts`: those that the edits name.
///
/// `out` ends with a whole line (or is empty), so that a checksum finds the start of its own line.
/// An edit that reaches beyond the block is cut there.
pub fn apply(bytes: &[u8], texts: &[u8], edits: &[Edit], out: &mut Vec<u8>) {
    apply_some(bytes, texts, 0..bytes.len(), edits, u32::MAX, out);
}

/// As [`apply`], for a part of a block and the first of the edits, those that begin at `last` or before it. Returns the
/// others.
pub fn apply_some<'a>(
    bytes: &[u8],
    texts: &[u8],
    part: Range<usize>,
    edits: &'a [Edit],
    last: u32,
    out: &mut Vec<u8>,
) -> &'a [Edit] {
    let (mut from, to) = (part.start, part.end.min(bytes.len()));
    let mut left = edits;
    while let [edit, others @ ..] = left
        && edit.at <= last
    {
        left = others;
        let at = edit.at as usize;
        debug_assert!(from <= at, "edits are sorted and do not overlap");
        let kept = from..at.min(to);
        match edit.put {
            Put::Quanta { quanta, decimals } => {
                let there = letter_at(bytes, at);
                if !copy_and_put(bytes, kept, out, |room| put_whole(room, there, quanta, decimals)) {
                    write_long(out, there, quanta, decimals);
                }
            }
            Put::Word { space, letter, value, decimals } => {
                let before = if space { Before::Spaced(letter) } else { Before::Letter(letter) };
                if !copy_and_put(bytes, kept, out, |room| put_fixed(room, before, value, decimals)) {
                    write_spaced(out, space, letter, value, decimals);
                }
            }
            Put::Text { start, len } => {
                copy(bytes, kept, out);
                copy(texts, start..start + len as usize, out);
            }
            Put::Checksum => {
                copy(bytes, kept, out);
                write_checksum(out);
            }
        }
        from = from.max(at.saturating_add(edit.remove as usize));
    }
    copy(bytes, from..to, out);
    left
}

/// Bytes that are copied at one time.
const SHORT: usize = 48;

/// Copies a part of a block to the end of `out`; what lies beyond the block is left out.
///
/// A short part is copied with a fixed number of bytes behind it, which are cut off again: a call for a few bytes takes
/// longer.
#[inline]
pub(crate) fn copy(bytes: &[u8], part: Range<usize>, out: &mut Vec<u8>) {
    let len = part.end.saturating_sub(part.start);
    match bytes.get(part.start..).and_then(|rest| rest.first_chunk::<SHORT>()) {
        Some(chunk) if len <= SHORT => {
            let end = out.len() + len;
            out.extend_from_slice(chunk);
            out.truncate(end);
        }
        _ => out.extend_from_slice(bytes.get(part).unwrap_or_default()),
    }
}

/// Copies a part of a block as [`copy`] does, and puts a word behind it, over what else was copied; `false`, and no word is
/// written, where `put` does not or where the place is not as it mostly is.
#[inline(always)]
pub(crate) fn copy_and_put(
    bytes: &[u8],
    part: Range<usize>,
    out: &mut Vec<u8>,
    put: impl FnOnce(&mut [u8; ROOM]) -> Option<usize>,
) -> bool {
    let len = part.end.saturating_sub(part.start);
    match bytes.get(part.start..).and_then(|rest| rest.first_chunk::<{ SHORT + ROOM }>()) {
        Some(chunk) if len <= SHORT => {
            let end = out.len() + len;
            out.extend_from_slice(chunk);
            let word = out.get_mut(end..).and_then(|rest| rest.first_chunk_mut()).and_then(put);
            out.truncate(end + word.unwrap_or(0));
            word.is_some()
        }
        _ => {
            copy(bytes, part, out);
            false
        }
    }
}

/// The letter at a place, as a capital.
#[inline]
fn letter_at(bytes: &[u8], at: usize) -> u8 {
    bytes.get(at).map_or(b'E', u8::to_ascii_uppercase)
}

/// Writes a word behind all else, where it has no place in one piece with what is copied before it.
#[inline(never)]
fn write_long(out: &mut Vec<u8>, letter: u8, quanta: i64, decimals: u8) {
    write_whole(out, letter, quanta, decimals);
}

/// The same of a number, perhaps with a space before it.
#[inline(never)]
fn write_spaced(out: &mut Vec<u8>, space: bool, letter: u8, value: f64, decimals: u8) {
    if space {
        out.push(b' ');
    }
    write_word(out, letter, value, decimals);
}

/// Writes the checksum of the line so far.
#[cold]
fn write_checksum(out: &mut Vec<u8>) {
    let line = memchr::memrchr(b'\n', out).map_or(0, |end| end + 1);
    let line = out.get(line..).unwrap_or_default();
    let star = memchr::memrchr(b'*', line).unwrap_or(line.len());
    let sum = xor(line.get(..star).unwrap_or_default());
    // Writing to a `Vec` cannot fail.
    let _ = write!(out, "{sum}");
}

/// Checksum of a line: all bytes before the `*`, combined by exclusive or.
pub(super) fn xor(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum ^ byte)
}

/// The edit that renews the checksum of `line`; `None` when it has none. It goes after all other edits
/// of the line that lie before its `*`. A checksum that was wrong before is renewed as well: whoever must
/// not hide that asks for [`Line::BAD_CHECKSUM`] first.
pub fn checksum_edit(block: &Block, line: &Line) -> Option<Edit> {
    if !line.has(Line::CHECKSUM) {
        return None;
    }
    let at = line.star + 1;
    let digits = block.bytes.get(at as usize..line.end as usize)?;
    let remove = digits.iter().take_while(|byte| byte.is_ascii_digit()).count() as u32;
    Some(Edit { at, remove, put: Put::Checksum })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str, edits: &[Edit], expected: &str) {
        check_with("", text, edits, expected);
    }

    fn check_with(texts: &str, text: &str, edits: &[Edit], expected: &str) {
        let mut out = b"N1 G28*18\n".to_vec();
        apply(text.as_bytes(), texts.as_bytes(), edits, &mut out);
        assert_eq!(String::from_utf8_lossy(&out), format!("N1 G28*18\n{expected}"));
    }

    fn word(at: u32, remove: u32, space: bool, value: f64) -> Edit {
        let put = Put::Word { space, letter: b'F', value, decimals: 2 };
        Edit { at, remove, put }
    }

    #[test]
    fn copies_and_changes() {
        check("", &[], "");
        check("G1 X1\r\nG1 X2", &[], "G1 X1\r\nG1 X2");
        check("G1 X1 F600\n", &[word(6, 4, false, 450.0)], "G1 X1 F450\n");
        check("G1 X1\nG1 X2\n", &[word(5, 0, true, 1.25), word(11, 0, true, 2.0)], "G1 X1 F1.25\nG1 X2 F2\n");
        let text = |at, remove, start, len| Edit { at, remove, put: Put::Text { start, len } };
        check_with("?M83\n", "G1 X1\nG1 X2\n", &[text(0, 0, 1, 4), text(6, 6, 5, 0)], "M83\nG1 X1\n");
        check_with("; end\n", "G1 X1\n", &[text(6, 0, 0, 6)], "G1 X1\n; end\n");
        check_with("!", "G1", &[text(9, 9, 0, 1)], "G1!");
    }

    /// What is copied before a word and what is written over behind it, whatever is left of the block.
    #[test]
    fn words_go_where_they_belong() {
        for (before, behind) in [(0, 0), (5, 0), (5, 100), (47, 100), (48, 27), (48, 28), (49, 100), (100, 0)] {
            let text = format!("{}E0.5{}", "X".repeat(before), "Y".repeat(behind));
            for (quanta, word) in [
                (12_300, "E0.123"),
                (-1, "E-0.00001"),
                (0, "E0"),
                (99_999, "E0.99999"),
                (1 << 20, "E10.48576"),
                (-123_456_700_890, "E-1234567.0089"),
            ] {
                let put = Put::Quanta { quanta, decimals: 5 };
                let edit = Edit { at: before as u32, remove: 4, put };
                check(&text, &[edit], &format!("{}{word}{}", "X".repeat(before), "Y".repeat(behind)));
            }
            let feed = Put::Word { space: true, letter: b'F', value: 1234.5, decimals: 1 };
            for (put, word) in [(feed, " F1234.5"), (Put::Text { start: 4, len: 10 }, "M204 P500\n")] {
                let edit = Edit { at: before as u32, remove: 4, put };
                let expected = format!("{}{word}{}", "X".repeat(before), "Y".repeat(behind));
                check_with("G28\nM204 P500\nG28\n", &text, &[edit], &expected);
            }
        }
    }

    /// A line of the public protocol description of self-replicating printers (wiki page on G-code).
    #[test]
    fn renews_checksums() {
        let mut block = Block {
            bytes: b"N7 G1 X2.0 Y2.0 F3000.0*85\nN8 G1 X3.0 Y3.0*1 ; late\nG28\n".to_vec(),
            ..Block::default()
        };
        block.lex();
        let mut edits = Vec::new();
        edits.push(word(16, 7, false, 3000.0));
        edits.extend(block.lines.iter().filter_map(|line| checksum_edit(&block, line)));
        assert_eq!(edits.len(), 3);
        let mut out = Vec::new();
        apply(&block.bytes, b"", &edits, &mut out);
        let sum = xor(b"N7 G1 X2.0 Y2.0 F3000");
        let expected = format!("N7 G1 X2.0 Y2.0 F3000*{sum}\nN8 G1 X3.0 Y3.0*33 ; late\nG28\n");
        assert_eq!(String::from_utf8_lossy(&out), expected);
        block.bytes = out;
        block.lex();
        assert!(block.lines.iter().all(|line| !line.has(Line::BAD_CHECKSUM)));
    }
}
