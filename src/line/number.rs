//! Decimal numbers: reading them exactly as spelled, writing them in fixed point.

use std::io::Write;

/// Powers of ten that a double holds exactly.
pub(super) const POW10: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20,
    1e21, 1e22,
];

/// Below this every whole number is a double: 2^53.
pub(super) const EXACT: u64 = 1 << 53;

/// As many digits as always fit in 64 bits.
pub(super) const SAFE_DIGITS: usize = 19;

/// A number as found at the start of a text.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Number {
    /// Its value, bit for bit what the standard library reads from the same spelling. Infinite when
    /// the spelling is beyond the range of a double.
    pub value: f64,
    /// How many bytes it takes.
    pub len: usize,
    /// Digits after the point as written, at most 254; those of the mantissa when there is an exponent.
    pub decimals: u8,
    /// Whether it is written with an exponent.
    pub exponent: bool,
}

/// Reads the number at the start of `text`: optional sign, digits with at most one point before, among
/// or after them, and, where `exponent` allows it, a lower-case `e` with optional sign and digits.
/// `None` when there is no digit.
///
/// Equation: value = m / 10^k with the digits m and k of them after the point. With m < 2^53 and
/// k <= 22 both are doubles, so the one division gives the correctly rounded value; any other spelling
/// is read by the standard library.
/// Source: W. D. Clinger, "How to Read Floating Point Numbers Accurately", PLDI 1990.
pub fn read(text: &[u8], exponent: bool) -> Option<Number> {
    let signed = matches!(text.first(), Some(b'+' | b'-'));
    let negative = text.first() == Some(&b'-');
    let (mantissa, whole) = digits(text, usize::from(signed), 0);
    let (mantissa, end, decimals) = if text.get(whole) == Some(&b'.') {
        let (mantissa, end) = digits(text, whole + 1, mantissa);
        (mantissa, end, end - whole - 1)
    } else {
        (mantissa, whole, 0)
    };
    let count = whole - usize::from(signed) + decimals;
    if count == 0 {
        return None;
    }
    let power = if exponent { exponent_len(text.get(end..)?) } else { 0 };
    let len = end + power;
    let value = match POW10.get(decimals) {
        Some(scale) if power == 0 && count <= SAFE_DIGITS && mantissa < EXACT => {
            let size = mantissa as f64 / scale;
            if negative { -size } else { size }
        }
        _ => str::from_utf8(text.get(..len)?).ok()?.parse().ok()?,
    };
    Some(Number { value, len, decimals: decimals.min(254) as u8, exponent: power > 0 })
}

/// Adds the digits from `at` on to `mantissa` (which wraps when there are too many); also where they end.
fn digits(text: &[u8], mut at: usize, mut mantissa: u64) -> (u64, usize) {
    while let Some(digit) = text.get(at).map(|byte| byte.wrapping_sub(b'0')) {
        if digit > 9 {
            break;
        }
        mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
        at += 1;
    }
    (mantissa, at)
}

/// Length of an exponent at the start of `text`, 0 when there is none.
fn exponent_len(text: &[u8]) -> usize {
    if text.first() != Some(&b'e') {
        return 0;
    }
    let sign = usize::from(matches!(text.get(1), Some(b'+' | b'-')));
    let (_, end) = digits(text, 1 + sign, 0);
    if end > 1 + sign { end } else { 0 }
}

/// Writes `value` in fixed point with at most `decimals` digits after the point: no exponent, no `+`,
/// no `-0`, no zeros at the end of the fraction, no bare point.
///
/// Equation: the written quantum is q = round(|value| * 10^decimals), of the exact value of the double,
/// halves away from zero. The product's rounding error, known exactly from a fused multiply-add, decides
/// where the product lies within it of a half. This is what the standard formatter writes except for
/// exact halves, which that takes to even. From q = 2^53 on, and for more than 22 decimals, the standard
/// formatter's digits are written.
/// Range: any finite value; for a value that is not finite, which no caller has, `0` is written.
/// Source of the product's error: T. J. Dekker, Numerische Mathematik 18 (1971), 224-242.
#[inline]
pub fn write_fixed(out: &mut Vec<u8>, value: f64, decimals: u8) {
    write_behind(out, None, value, decimals);
}

/// Writes a word: its letter, and its number as [`write_fixed`] does.
#[inline]
pub(crate) fn write_word(out: &mut Vec<u8>, letter: u8, value: f64, decimals: u8) {
    write_behind(out, Some(letter), value, decimals);
}

/// A number in fixed point, behind a letter if there is one.
#[inline(always)]
fn write_behind(out: &mut Vec<u8>, letter: Option<u8>, value: f64, decimals: u8) {
    let before = letter.map_or(Before::Nothing, Before::Letter);
    if !at_end(out, |room| put_fixed(room, before, value, decimals)) {
        write_any(out, letter, value, decimals);
    }
}

/// A place for a word with a short number: what goes before it, sign, up to eight digits and the point, and eight bytes at
/// a time behind them.
pub(crate) const ROOM: usize = 32;

/// What goes before a number.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Before {
    /// Nothing.
    Nothing,
    /// A letter.
    Letter(u8),
    /// A letter behind a space.
    Spaced(u8),
}

impl Before {
    /// Its text with signs behind it, and how much of that counts.
    #[inline(always)]
    fn text(self) -> ([u8; 4], usize) {
        match self {
            Self::Nothing => (*b"----", 0),
            Self::Letter(letter) => ([letter, b'-', b'-', b'-'], 1),
            Self::Spaced(letter) => ([b' ', letter, b'-', b'-'], 2),
        }
    }
}

/// Puts a word to the end of a text; `false`, and nothing is written, where `put` does not.
#[inline(always)]
fn at_end(out: &mut Vec<u8>, put: impl FnOnce(&mut [u8; ROOM]) -> Option<usize>) -> bool {
    let start = out.len();
    out.extend_from_slice(&[b'-'; ROOM]);
    let len = out.get_mut(start..).and_then(|rest| rest.first_chunk_mut()).and_then(put);
    out.truncate(start + len.unwrap_or(0));
    len.is_some()
}

/// Puts what [`write_fixed`] writes to the start of a place, if the number is short; returns its length.
#[inline(always)]
pub(crate) fn put_fixed(room: &mut [u8; ROOM], before: Before, value: f64, decimals: u8) -> Option<usize> {
    put_quanta(room, before, value * POW10[usize::from(decimals) % POW10.len()], decimals)
}

/// The same of `round(quanta) / 10^decimals`, halves away from zero.
#[inline(always)]
pub(crate) fn put_quanta(room: &mut [u8; ROOM], before: Before, quanta: f64, decimals: u8) -> Option<usize> {
    let quantum = short_quantum(quanta.abs()).filter(|_| usize::from(decimals) <= SHORT_DECIMALS)?;
    Some(put_short(room, before, quanta < 0.0, quantum, decimals))
}

/// The same of `quanta / 10^decimals`.
#[inline(always)]
pub(crate) fn put_whole(room: &mut [u8; ROOM], letter: u8, quanta: i64, decimals: u8) -> Option<usize> {
    let size = quanta.unsigned_abs();
    if decimals == FRACTION_DECIMALS && size < FRACTION * SHORT as u64 {
        return Some(put_fraction(room, letter, quanta < 0, (size / FRACTION) as u32, (size % FRACTION) as u32));
    }
    let is_short = size < SHORT as u64 && usize::from(decimals) <= SHORT_DECIMALS;
    is_short.then(|| put_short(room, Before::Letter(letter), quanta < 0, size as u32, decimals))
}

/// The whole number nearest to a product that was rounded once, if it is below [`SHORT`] and the product clearly nearer to
/// it than to the next.
#[inline]
fn short_quantum(product: f64) -> Option<u32> {
    /// Less than half by more than the rounding error of a product below [`SHORT`].
    const CLEARLY: f64 = 0.4999999;
    /// Added to this, a number has its fraction rounded away, and its whole part in the lowest bits.
    const SHIFT: f64 = (1_u64 << 52) as f64;
    let shifted = product + SHIFT;
    // Both false for what is no number.
    (product < SHORT - 1.0 && (product - (shifted - SHIFT)).abs() < CLEARLY).then_some(shifted.to_bits() as u32)
}

/// Writes a word whose number is `round(quanta) / 10^decimals`, halves away from zero; at most 22 decimals.
pub(crate) fn write_quanta(out: &mut Vec<u8>, letter: u8, quanta: f64, decimals: u8) {
    if !at_end(out, |room| put_quanta(room, Before::Letter(letter), quanta, decimals)) {
        write_any(out, Some(letter), quanta.round() / power_of_ten(decimals), decimals);
    }
}

/// Writes a word whose number is `quanta / 10^decimals`; at most 22 decimals.
#[inline(always)]
pub(crate) fn write_whole(out: &mut Vec<u8>, letter: u8, quanta: i64, decimals: u8) {
    if !at_end(out, |room| put_whole(room, letter, quanta, decimals)) {
        write_any(out, Some(letter), quanta as f64 / power_of_ten(decimals), decimals);
    }
}

/// A power of ten, which a double holds exactly; of exponents above 22, which no caller has, the twenty-second.
#[inline]
pub(crate) fn power_of_ten(exponent: u8) -> f64 {
    POW10[usize::from(exponent).min(POW10.len() - 1)]
}

/// What [`write_fixed`] does with a number that is not short.
#[inline(never)]
fn write_any(out: &mut Vec<u8>, letter: Option<u8>, value: f64, decimals: u8) {
    out.extend(letter);
    if !value.is_finite() {
        out.push(b'0');
        return;
    }
    let size = value.abs();
    match POW10.get(usize::from(decimals)) {
        Some(&scale) if size * scale < (EXACT - 1) as f64 => {
            write_long(out, value < 0.0, quantum(size, scale), decimals);
        }
        _ => write_by_the_standard(out, value, decimals),
    }
}

/// A number of at most eight digits, below this many quanta, is written in one piece.
const SHORT: f64 = 1e8;

/// Most decimals of such a number: one of its digits stands before the point.
const SHORT_DECIMALS: usize = 7;

/// Writes `quantum / 10^decimals` for a quantum below [`SHORT`] and at most [`SHORT_DECIMALS`] decimals; returns its length.
///
/// All of it goes to a place of fixed length: nothing is asked on the way, since sign and length of a number among others
/// are guessed wrong too often.
#[inline(always)]
fn put_short(room: &mut [u8; ROOM], before: Before, negative: bool, quantum: u32, decimals: u8) -> usize {
    let (before, at) = before.text();
    room[..4].copy_from_slice(&before);
    let at = at + usize::from(negative & (quantum > 0));
    // Below 1000 with three decimals, as most places are, all of it is at most seven bytes.
    if decimals == 3 && quantum < 1_000_000 {
        let (whole, part) = (triple(quantum / 1000), triple(quantum % 1000));
        let text =
            whole.digits >> (8 * (3 - whole.before)) | (u64::from(b'.') | part.digits << 8) << (8 * whole.before);
        room[at..at + 8].copy_from_slice(&text.to_le_bytes());
        return at + (whole.before + part.behind) as usize;
    }
    let text = eight_digits(quantum);
    let digits = text ^ ZEROS;
    let point = 8 - u32::from(decimals);
    // At least one digit stands before the point; zeros at the end of the fraction fall away.
    let first = (digits.trailing_zeros() / 8).min(point - 1);
    let last = 8 - digits.leading_zeros() / 8;
    let (text, whole) = (text >> (8 * first), (point - first) as usize % 16);
    room[at..at + 8].copy_from_slice(&text.to_le_bytes());
    room[at + whole] = b'.';
    room[at + whole + 1..at + whole + 9].copy_from_slice(&text.wrapping_shr(8 * whole as u32).to_le_bytes());
    at + if last > point { (last - first) as usize + 1 } else { whole }
}

/// Numbers with this many decimals, as all of E are, have a short cut: where their point stands is known.
const FRACTION_DECIMALS: u8 = 5;
/// Those below 1 are below so many quanta.
const FRACTION: u64 = 100_000;

/// Writes a word whose number is such, of so many `quanta` behind a `whole` number below [`SHORT`]; returns its length.
#[inline(always)]
fn put_fraction(room: &mut [u8; ROOM], letter: u8, negative: bool, whole: u32, quanta: u32) -> usize {
    let text = pair(quanta / 1000) | triple(quanta % 1000).digits << 16;
    let digits = (8 - (text ^ (ZEROS >> 24)).leading_zeros() / 8) as usize;
    let mut at = 1 + usize::from(negative);
    room[..2].copy_from_slice(&[letter, b'-']);
    // The point goes with the last digit behind it.
    let behind = if digits > 0 { 1 + digits } else { 0 };
    let text = text << 8 | u64::from(b'.');
    if whole < 10 {
        let digit = u64::from(b'0' as u32 + whole);
        room[at..at + 8].copy_from_slice(&(text << 8 | digit).to_le_bytes());
        return at + 1 + behind;
    }
    let (before, zeros) = if whole < 1000 {
        let Triple { digits, before, .. } = triple(whole);
        (digits << 40, 8 - before)
    } else {
        let digits = eight_digits(whole);
        (digits, (digits ^ ZEROS).trailing_zeros() / 8 % 8)
    };
    room[at..at + 8].copy_from_slice(&(before >> (8 * zeros)).to_le_bytes());
    at += 8 - zeros as usize;
    room[at..at + 8].copy_from_slice(&text.to_le_bytes());
    at + behind
}

/// Eight bytes `0`.
const ZEROS: u64 = u64::from_le_bytes([b'0'; 8]);

/// The digits of a number below 10^8 in eight bytes, the first of them the lowest byte.
///
/// Two digits at a time from a table: by multiplications alone, each of which waits for the one before, it takes half as
/// long again.
#[inline(always)]
fn eight_digits(number: u32) -> u64 {
    let (upper, lower) = (number / 10_000, number % 10_000);
    pair(upper / 100) | pair(upper % 100) << 16 | pair(lower / 100) << 32 | pair(lower % 100) << 48
}

/// The two digits of a number below 100.
#[inline(always)]
fn pair(number: u32) -> u64 {
    u64::from(u16::from_le_bytes(PAIRS[number as usize % PAIRS.len()]))
}

/// `size * scale` as a whole number, halves up; the product is below 2^53 - 1.
fn quantum(size: f64, scale: f64) -> u64 {
    let product = size * scale;
    // Signed: conversions of signed numbers are single instructions.
    let whole = product as i64;
    let over_half = product - whole as f64 - 0.5;
    let up = if over_half.abs() <= product * f64::EPSILON {
        over_half + size.mul_add(scale, -product) >= 0.0
    } else {
        over_half > 0.0
    };
    // A product that was rounded up to a whole number has its half far below: nothing to mend there.
    (whole + i64::from(up)).unsigned_abs()
}

/// The two digits of each number below 100; as long as a power of two, so that a place in it needs no question.
const PAIRS: [[u8; 2]; 128] = {
    let mut pairs = [[0; 2]; 128];
    let mut n = 0;
    while n < 100 {
        pairs[n] = [b'0' + (n / 10) as u8, b'0' + (n % 10) as u8];
        n += 1;
    }
    pairs
};

/// Three digits.
struct Triple {
    /// The first of them in the lowest byte.
    digits: u64,
    /// So many of them are written before a point, without zeros at their start.
    before: u32,
    /// So many bytes are written behind a number for them: with the point and without zeros at their end, or none.
    behind: u32,
}

/// The three digits of a number below 1000.
#[inline(always)]
fn triple(number: u32) -> Triple {
    let entry = TRIPLES[number as usize % TRIPLES.len()];
    Triple { digits: u64::from(entry & 0xFF_FFFF), before: entry >> 24 & 0xF, behind: entry >> 28 }
}

/// What [`Triple`] holds of each number below 1000, the figures in the highest byte; as long as a power of two.
static TRIPLES: [u32; 1024] = {
    let mut triples = [0; 1024];
    let mut n = 0;
    while n < 1000 {
        let before = 1 + (n >= 10) as u8 + (n >= 100) as u8;
        let behind = if n > 0 { 4 - (n % 10 == 0) as u8 - (n % 100 == 0) as u8 } else { 0 };
        let [first, second, third] = [n / 100, n / 10 % 10, n % 10];
        triples[n] =
            u32::from_le_bytes([b'0' + first as u8, b'0' + second as u8, b'0' + third as u8, before | behind << 4]);
        n += 1;
    }
    triples
};

/// Powers of ten as whole numbers.
const WHOLE_POW10: [u64; 20] = {
    let mut powers = [1; 20];
    let mut n = 1;
    while n < 20 {
        powers[n] = 10 * powers[n - 1];
        n += 1;
    }
    powers
};

/// Writes `quantum / 10^decimals`; at most 22 decimals.
fn write_long(out: &mut Vec<u8>, negative: bool, quantum: u64, decimals: u8) {
    if quantum == 0 {
        out.push(b'0');
        return;
    }
    // Division by a constant is a multiplication: the common numbers of decimals have their own.
    let (whole, fraction) = match decimals {
        3 => (quantum / 1000, quantum % 1000),
        5 => (quantum / 100_000, quantum % 100_000),
        _ => match WHOLE_POW10.get(usize::from(decimals)) {
            Some(scale) => (quantum / scale, quantum % scale),
            None => (0, quantum),
        },
    };
    // Sign, at most 16 digits or a zero, point, 22 decimals: 40 bytes. Written from the end.
    let mut text = [b'0'; 48];
    let mut at = text.len();
    if fraction > 0 {
        at = fraction_before(&mut text, at, fraction, decimals);
        at -= 1;
        text[at] = b'.';
    }
    at = whole_before(&mut text, at, whole);
    if negative {
        at -= 1;
        text[at] = b'-';
    }
    out.extend_from_slice(&text[at..]);
}

/// Writes so many digits of a fraction to end before `at`, without zeros at its end. Returns where they start.
#[inline(always)]
fn fraction_before(text: &mut [u8; 48], mut at: usize, mut fraction: u64, mut digits: u8) -> usize {
    while let Ok(small) = u32::try_from(fraction) {
        if small % 10 != 0 {
            return small_fraction_before(text, at, small, digits);
        }
        fraction = u64::from(small / 10);
        digits -= 1;
    }
    while fraction.is_multiple_of(10) {
        fraction /= 10;
        digits -= 1;
    }
    while digits > 0 {
        at -= 1;
        text[at] = b'0' + (fraction % 10) as u8;
        fraction /= 10;
        digits -= 1;
    }
    at
}

#[inline(always)]
fn small_fraction_before(text: &mut [u8; 48], mut at: usize, mut fraction: u32, mut digits: u8) -> usize {
    while digits >= 2 {
        at -= 2;
        text[at..at + 2].copy_from_slice(&PAIRS[fraction as usize % 100]);
        fraction /= 100;
        digits -= 2;
    }
    if digits > 0 {
        at -= 1;
        text[at] = b'0' + (fraction % 10) as u8;
    }
    at
}

/// Writes a whole number to end before `at`. Returns where it starts.
#[inline(always)]
fn whole_before(text: &mut [u8; 48], mut at: usize, mut whole: u64) -> usize {
    while whole > u64::from(u32::MAX) {
        at -= 2;
        text[at..at + 2].copy_from_slice(&PAIRS[(whole % 100) as usize]);
        whole /= 100;
    }
    let mut whole = whole as u32;
    while whole >= 100 {
        at -= 2;
        text[at..at + 2].copy_from_slice(&PAIRS[(whole % 100) as usize]);
        whole /= 100;
    }
    if whole >= 10 {
        at -= 2;
        text[at..at + 2].copy_from_slice(&PAIRS[whole as usize % 100]);
    } else {
        at -= 1;
        text[at] = b'0' + whole as u8;
    }
    at
}

/// Any finite value by the standard formatter, trimmed.
fn write_by_the_standard(out: &mut Vec<u8>, value: f64, decimals: u8) {
    let start = out.len();
    let places = usize::from(decimals);
    // Writing to a `Vec` cannot fail; were it to, what is there so far is still trimmed to a number.
    if write!(out, "{value:.places$}").is_err() {
        out.truncate(start);
    }
    if decimals > 0 {
        while out.len() > start && out.last() == Some(&b'0') {
            out.pop();
        }
        if out.len() > start && out.last() == Some(&b'.') {
            out.pop();
        }
    }
    if matches!(out.get(start..), Some(b"-0" | b"")) {
        out.truncate(start);
        out.push(b'0');
    }
}

#[cfg(test)]
mod tests;
