//! A line that asks for more E than the controller takes in one line, written as several on the same path.

use crate::line::number::write_fixed;

/// One letter of the line with where it starts and ends, in units of the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// The letter.
    pub letter: u8,
    /// Value at the start of the line.
    pub from: f64,
    /// Value at its end.
    pub to: f64,
    /// The word is a distance, not a position.
    pub relative: bool,
    /// Decimals to write.
    pub decimals: u8,
    /// Index of its word in the line.
    pub place: u8,
}

/// How a line is split: all pieces but the last are written before the line, which keeps the last piece.
#[derive(Clone, Debug, PartialEq)]
pub struct Split {
    /// Number of pieces, at least 2.
    pub pieces: u32,
    /// `G0` or `G1`.
    pub rapid: bool,
    /// The words that change along the path.
    pub spans: Vec<Span>,
}

impl Split {
    /// Value of a span's word in piece `k` (counted from 1), rounded so that relative pieces sum up exactly.
    pub fn word_value(&self, span: &Span, k: u32) -> f64 {
        let scale = 10_f64.powi(i32::from(span.decimals));
        let at = |k: u32| {
            if k == self.pieces {
                return span.to;
            }
            let raw = span.from + (span.to - span.from) * f64::from(k) / f64::from(self.pieces);
            // Pieces are counted from the start of the line, so that rounding never piles up.
            let base = if span.relative { span.from } else { 0.0 };
            base + ((raw - base) * scale).round() / scale
        };
        if span.relative { at(k) - at(k - 1) } else { at(k) }
    }

    /// The pieces that go before the line. `feed`: an F word for the first of them; `line_end`: as in the file.
    pub fn leading_lines(&self, feed: Option<(f64, u8)>, line_end: &[u8]) -> Vec<u8> {
        let mut text = Vec::with_capacity(self.pieces as usize * 32);
        for k in 1..self.pieces {
            text.extend_from_slice(if self.rapid { b"G0" } else { b"G1" });
            for span in &self.spans {
                text.extend_from_slice(&[b' ', span.letter]);
                write_fixed(&mut text, self.word_value(span, k), span.decimals);
            }
            if let (1, Some((value, decimals))) = (k, feed) {
                text.extend_from_slice(b" F");
                write_fixed(&mut text, value, decimals);
            }
            text.extend_from_slice(line_end);
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn relative_pieces_sum_to_the_whole_and_absolute_ones_lie_on_the_path() {
        let e = Span { letter: b'E', from: 0.0, to: 100.0, relative: true, decimals: 5, place: 1 };
        let x = Span { letter: b'X', from: 10.0, to: 20.0, relative: false, decimals: 3, place: 0 };
        let split = Split { pieces: 3, rapid: false, spans: vec![x, e] };
        let text = String::from_utf8(split.leading_lines(Some((600.0, 1)), b"\r\n")).unwrap();
        assert_eq!(text, "G1 X13.333 E33.33333 F600\r\nG1 X16.667 E33.33334\r\n");
        // 33.33333 + 33.33334 + last = 100 by hand: last = 33.33333
        assert!((split.word_value(&e, 3) - 33.33333).abs() < 1e-9);
        assert_eq!(split.word_value(&x, 3), 20.0);
    }
}
