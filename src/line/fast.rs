//! Short cut for the lines that make up nearly all of a file: upper-case words with plain numbers and
//! spaces or nothing between them, and lines that are one `;` comment. Everything that is out of the
//! ordinary is left to the grammar.

use super::common::{is_text_command, without_returns};
use super::number::POW10;
use super::{Line, LineKind, Word};
use memchr::memchr;

/// Adds the line that begins at `start`, if it is a bead like most lines are: `G1`, X, Y and E with a space between them, and
/// nothing else; says where the next line begins. Of a line that begins so and goes on otherwise behind Y or E, the words up to
/// there are added, and it is said where the last of them ends; of any other nothing is, and that is its start.
#[inline(always)]
pub(super) fn bead(bytes: &[u8], start: usize, lines: &mut Vec<Line>, words: &mut Vec<Word>) -> Result<usize, usize> {
    let Some(([command, x, y], end, behind)) = place(bytes, start) else { return Err(start) };
    let at_e = end + 1;
    if behind != b' ' || bytes.get(at_e) != Some(&b'E') {
        words.extend_from_slice(&[command, x, y]);
        return Err(end);
    }
    let Some((e, behind)) = short_word(bytes, at_e, b'E') else {
        words.extend_from_slice(&[command, x, y]);
        return Err(long_word(bytes, at_e, b'E', words).map_or(end, |(len, _)| at_e + usize::from(len)));
    };
    let end = at_e + usize::from(e.len);
    let all = [command, x, y, e];
    let next = match behind {
        b'\n' => end + 1,
        b'\r' if bytes.get(end + 1) == Some(&b'\n') => end + 2,
        _ => {
            words.extend_from_slice(&all);
            return Err(end);
        }
    };
    lines.push(of_words(start, end, words.len(), all.len()));
    words.extend_from_slice(&all);
    Ok(next)
}

/// `G1`, X and Y at the start of a line, with a space between them; where they end, and the byte there.
#[inline(always)]
fn place(bytes: &[u8], start: usize) -> Option<([Word; 3], usize, u8)> {
    if bytes.get(start..)?.first_chunk()? != b"G1 X" {
        return None;
    }
    let command = Word { value: 1.0, start: start as u32, len: 2, letter: b'G', decimals: 0 };
    let (x, behind) = short_word(bytes, start + 3, b'X')?;
    let at_y = start + 4 + usize::from(x.len);
    if behind != b' ' || *bytes.get(at_y)? != b'Y' {
        return None;
    }
    let (y, behind) = short_word(bytes, at_y, b'Y')?;
    Some(([command, x, y], at_y + usize::from(y.len), behind))
}

/// A line of so many words without a comment, which ends at `end`.
#[inline(always)]
fn of_words(start: usize, end: usize, first_word: usize, words: usize) -> Line {
    Line {
        start: start as u32,
        end: end as u32,
        first_word: first_word as u32,
        words: words as u16,
        kind: LineKind::Code,
        flags: 0,
        code_end: end as u32,
        comment: end as u32,
        star: end as u32,
    }
}

/// The line that begins at `start` and is read up to `read` by [`bead`], and where the next one begins; its words, from
/// `first_word` on, go to the end of `words`. `None` leaves the line to the grammar, and `words` with what was read in vain.
#[inline]
pub(super) fn line(
    bytes: &[u8],
    start: usize,
    read: usize,
    first_word: usize,
    words: &mut Vec<Word>,
) -> Option<(Line, usize)> {
    match *bytes.get(start)? {
        b';' => comment(bytes, start, first_word),
        b'N' | b'O' => None,
        first @ b'A'..=b'Z' => code(bytes, start, read, first, first_word, words),
        _ => None,
    }
}

#[inline]
fn comment(bytes: &[u8], start: usize, first_word: usize) -> Option<(Line, usize)> {
    let (end, next) = line_end(bytes, start)?;
    let line = Line {
        start: start as u32,
        end: end as u32,
        first_word: first_word as u32,
        words: 0,
        kind: LineKind::Comment,
        flags: 0,
        code_end: start as u32,
        comment: start as u32,
        star: end as u32,
    };
    Some((line, next))
}

/// End of the text that goes on from `at`, and where the next line begins.
#[inline]
fn line_end(bytes: &[u8], at: usize) -> Option<(usize, usize)> {
    let tail = bytes.get(at..)?;
    let length = memchr(b'\n', tail)?;
    Some((at + without_returns(tail.get(..length)?).len(), at + length + 1))
}

#[inline]
fn code(
    bytes: &[u8],
    start: usize,
    read: usize,
    first: u8,
    first_word: usize,
    words: &mut Vec<Word>,
) -> Option<(Line, usize)> {
    let (mut at, mut code_end) = (read, read);
    if read == start
        && let Some(&[letter @ b'G', digit @ b'0'..=b'9', b' ']) = bytes.get(start..)?.first_chunk()
    {
        let value = f64::from(digit - b'0');
        words.push(Word { value, start: start as u32, len: 2, letter, decimals: 0 });
        (at, code_end) = (start + 3, start + 2);
    }
    let (end, comment, next) = loop {
        match *bytes.get(at)? {
            letter @ b'A'..=b'Z' => {
                // Each adds its word itself: one that came from either would be put together in memory first.
                let (len, behind) = match short_word(bytes, at, letter) {
                    Some((word, behind)) => {
                        words.push(word);
                        (word.len, behind)
                    }
                    None => long_word(bytes, at, letter, words)?,
                };
                code_end = at + usize::from(len);
                at = code_end + usize::from(behind == b' ');
            }
            b' ' => at += 1,
            b'\n' => break (at, at, at + 1),
            b'\r' if *bytes.get(at + 1)? == b'\n' => break (at, at, at + 2),
            b';' => {
                let (end, next) = line_end(bytes, at)?;
                break (end, at, next);
            }
            _ => return None,
        }
    };
    if first == b'M' && is_text_command(words.get(first_word)?) {
        return None;
    }
    let count = usize::from(u16::try_from(words.len() - first_word).ok()?);
    let line = Line { code_end: code_end as u32, comment: comment as u32, ..of_words(start, end, first_word, count) };
    Some((line, next))
}

/// The word whose `letter` stands at `start`, and the byte behind it, if both take eight bytes at most, besides letter and
/// sign: nearly every word. Its bytes are looked at side by side in one register.
#[inline(always)]
fn short_word(bytes: &[u8], start: usize, letter: u8) -> Option<(Word, u8)> {
    let window: &[u8; 10] = bytes.get(start..)?.first_chunk()?;
    let &[_, sign, .., last] = window;
    let negative = sign == b'-';
    let unsigned = u64::from_le_bytes(*window[1..].first_chunk()?);
    let number = if negative { unsigned >> 8 | u64::from(last) << 56 } else { unsigned };
    let (len, decimals, row) = digits_of_eight(number)?;
    let size = eight_digits(row << ((64 - 8 * len) % 64)) as i64 as f64 / POW10[decimals as usize % 8];
    let word = Word {
        value: f64::from_bits(size.to_bits() | u64::from(negative) << 63),
        start: start as u32,
        len: (1 + u32::from(negative) + len) as u16,
        letter,
        decimals: decimals as u8,
    };
    Some((word, (number >> (8 * len)) as u8))
}

/// A function for the number at the start of a row of bytes, whose first is the lowest: its length, its decimals, and the
/// values of its digits in a row without the point, of which the last stands where the number ends. `None` where it does not
/// end in the row, or has no digit behind its point.
macro_rules! digits_of {
    ($name:ident, $Row:ty, $bytes:literal) => {
        #[inline(always)]
        fn $name(number: $Row) -> Option<(u32, u32, $Row)> {
            const ZEROS: $Row = <$Row>::from_le_bytes([b'0'; $bytes]);
            const TOP_BITS: $Row = <$Row>::from_le_bytes([0x80; $bytes]);
            const TENS: $Row = <$Row>::from_le_bytes([10; $bytes]);
            let digits = number ^ ZEROS;
            // A byte that is no digit has its top bit set; what follows a byte beyond ASCII may be wrong and is not used.
            let ends = (digits.wrapping_add(TOP_BITS - TENS) | digits) & TOP_BITS;
            let before_end = ends.checked_sub(1)?;
            let whole = ends.trailing_zeros() / 8;
            if (digits >> (8 * whole)) as u8 == b'.' ^ b'0' {
                let up_to_point = ends ^ before_end;
                let behind = ends & before_end;
                let len = behind.trailing_zeros() / 8;
                // A point alone, or digits behind it that go on beyond the row.
                if behind == 0 || len == 1 {
                    return None;
                }
                // The digits before the point move up to those behind it.
                Some((len, len - whole - 1, digits & !up_to_point | (digits & up_to_point >> 8) << 8))
            } else {
                (whole > 0).then_some((whole, 0, digits))
            }
        }
    };
}

digits_of!(digits_of_eight, u64, 8);
digits_of!(digits_of_sixteen, u128, 16);

/// The number in eight bytes of values 0 to 9, the first of them the lowest byte.
///
/// Two neighbours at a time become one: the digits pairs, the pairs quadruples, and those the number.
#[inline(always)]
fn eight_digits(row: u64) -> u64 {
    const LANES: u64 = 0x0000_00FF_0000_00FF;
    let pairs = row.wrapping_mul(10).wrapping_add(row >> 8);
    // In the upper half of each product: first pair times 10^6 plus third times 100; second times 10^4 plus fourth.
    let odd = (pairs & LANES).wrapping_mul(100 + (1_000_000 << 32));
    let even = (pairs >> 16 & LANES).wrapping_mul(1 + (10_000 << 32));
    odd.wrapping_add(even) >> 32
}

/// Adds the word whose `letter` stands at `start`, if it takes sixteen bytes at most, and tells its length and the byte behind
/// it: what [`short_word`] does, in a register twice as wide.
///
/// At most fifteen of them are digits, so that the number is below 2^53; what does not end in them, among that the last word
/// of a block, is left to the grammar.
#[inline(never)]
fn long_word(bytes: &[u8], start: usize, letter: u8, words: &mut Vec<Word>) -> Option<(u16, u8)> {
    let window: &[u8; 18] = bytes.get(start..)?.first_chunk()?;
    let negative = window[1] == b'-';
    let number = u128::from_le_bytes(*if negative { window[2..].first_chunk()? } else { window[1..].first_chunk()? });
    let (len, decimals, row) = digits_of_sixteen(number)?;
    let row = row << (128 - 8 * len);
    let mantissa = eight_digits(row as u64) * 100_000_000 + eight_digits((row >> 64) as u64);
    let size = mantissa as i64 as f64 / POW10[decimals as usize % 16];
    let behind = (number >> (8 * len)) as u8;
    let value = f64::from_bits(size.to_bits() | u64::from(negative) << 63);
    let len = (1 + u32::from(negative) + len) as u16;
    words.push(Word { value, start: start as u32, len, letter, decimals: decimals as u8 });
    Some((len, behind))
}
