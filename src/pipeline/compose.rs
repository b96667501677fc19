//! Lines that are written as several: each piece of the path with its own E.

use super::edits::Edited;
use crate::line::Word;
use crate::line::edit::{apply, apply_some, copy, copy_and_put};
use crate::line::number::{
    Before, ROOM, power_of_ten, put_fixed, put_quanta, put_whole, write_fixed, write_quanta, write_whole, write_word,
};
use crate::moves::arc::ArcPath;
use crate::passes::e_count::{DECIMALS, EWord};
use crate::passes::feed::FeedWord;

/// A piece of a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EPiece {
    /// Where it ends, share of the path.
    pub end: f64,
    /// Its E word.
    pub e: EWord,
}

/// A line that is written as several.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LongLine {
    /// Its index in the block.
    pub line: u32,
    /// Where an F word would go on it.
    pub feed_at: u32,
    /// Its pieces among those of the block.
    pub first: u32,
    /// Their number, at least 1.
    pub count: u32,
    /// End minus start of its path, mm.
    pub delta: [f64; 3],
    /// mm for a unit of length on the line.
    pub unit: f64,
    /// Its positions are distances.
    pub relative: bool,
    /// For arcs, the path among those of the block.
    pub arc: Option<u32>,
    /// The feed to write; `None`: as on the line.
    pub feed: Option<FeedWord>,
}

/// Least decimals of positions between the ends of a line, in mm and in inches.
const LEAST_DECIMALS: [u8; 2] = [3, 5];
/// Decimals of the centres of arcs.
const CENTRE_DECIMALS: u8 = 5;
/// No sensible number has more decimals.
const MOST_DECIMALS: u8 = 9;

/// Writes the text of a block with all that is written differently to the end of `out`. `e_letter`: of the extruder
/// axis.
pub fn compose(text: &Edited, e_letter: u8, out: &mut Vec<u8>) {
    if text.long.is_empty() {
        return apply(&text.bytes, &text.texts, &text.edits, out);
    }
    let (bytes, texts) = (&text.bytes, &text.texts);
    let (mut from, mut edits) = (0, text.edits.as_slice());
    let mut paths = Vec::with_capacity(AT_ONCE);
    for some in text.long.chunks(AT_ONCE) {
        paths.clear();
        paths.extend(some.iter().filter_map(|long| Path::of(text, long)));
        for path in &paths {
            // What goes before the line stands at its start.
            edits = apply_some(bytes, texts, from..path.at as usize, edits, path.at, out);
            let pieces = text.pieces.get(path.long.first as usize..).unwrap_or_default();
            let pieces = pieces.get(..path.long.count as usize).unwrap_or_default();
            write_line(bytes, path, pieces, e_letter, out);
            from = path.next as usize;
        }
    }
    apply_some(bytes, texts, from..bytes.len(), edits, u32::MAX, out);
}

/// Writes one line of a block as its pieces.
fn write_line(bytes: &[u8], path: &Path<'_>, pieces: &[EPiece], e_letter: u8, out: &mut Vec<u8>) {
    let Path { long, arc, words, .. } = *path;
    let [at, code_end, next] = [path.at, path.code_end, path.next].map(|at| at as usize);
    let Some((last, leading)) = pieces.split_last() else {
        return copy(bytes, at..next, out);
    };
    let mut begun = path.share(0.0);
    if !leading.is_empty() {
        let returns = bytes.get(at..next).is_some_and(|line| line.ends_with(b"\r\n"));
        for (index, piece) in leading.iter().enumerate() {
            let end = path.share(piece.end);
            let is_first = index == 0;
            let feed = long.feed.filter(|_| is_first);
            if !path.put_piece(&begun, &end, (e_letter, piece.e), feed, out) {
                path.write_piece(&begun, &end, (e_letter, piece.e), feed, out);
            }
            if is_first && long.feed.is_none() {
                write_own_feed(bytes, words, out);
            }
            if returns {
                out.push(b'\r');
            }
            out.push(b'\n');
            begun = end;
        }
    }
    // The last piece keeps the line's own words but those that differ.
    let several = !leading.is_empty();
    let mut from = at;
    let mut feed_written = several;
    let mut centre_written = false;
    for word in words {
        let differs = match word.letter {
            b'X'..=b'Z' => several && long.relative,
            b'I' | b'J' | b'K' | b'R' => several && arc.is_some(),
            b'F' => long.feed.is_some(),
            letter => letter == e_letter,
        };
        if !differs {
            continue;
        }
        let kept = from..word.start as usize;
        from = word.end() as usize;
        match (word.letter, long.feed, arc) {
            (b'F', Some(feed), _) => {
                // Behind a capital an `e` that follows would be an exponent.
                let letter = bytes.get(word.start as usize).copied().unwrap_or(b'F');
                let put = |room: &mut [u8; ROOM]| put_fixed(room, Before::Letter(letter), feed.value, feed.decimals);
                if !copy_and_put(bytes, kept, out, put) {
                    write_word(out, letter, feed.value, feed.decimals);
                }
                feed_written = true;
            }
            (b'X'..=b'Z', ..) => {
                copy(bytes, kept, out);
                path.write_along(word, &begun, &path.share(1.0), out);
            }
            // The centre is written once, in place of the first word that gave it.
            (b'I' | b'J' | b'K' | b'R', _, Some(arc)) => {
                copy(bytes, kept, out);
                if !centre_written {
                    path.write_centre(arc, &begun, out);
                    centre_written = true;
                } else {
                    while out.last() == Some(&b' ') {
                        out.pop();
                    }
                }
            }
            _ => {
                let put = |room: &mut [u8; ROOM]| put_whole(room, e_letter, last.e.quanta, DECIMALS);
                if !copy_and_put(bytes, kept, out, put) {
                    write_e(e_letter, last.e, out);
                }
            }
        }
    }
    if let Some(feed) = long.feed.filter(|_| !feed_written) {
        let code_end = code_end.max(from);
        copy(bytes, from..code_end, out);
        write_feed(feed, out);
        from = code_end;
    }
    copy(bytes, from..next, out);
}

/// Writes a G word that is rarely met.
#[cold]
fn write_motion(number: f64, out: &mut Vec<u8>) {
    write_word(out, b'G', number, 0);
    out.push(b' ');
}

/// Writes an E word.
pub fn write_e(letter: u8, word: EWord, out: &mut Vec<u8>) {
    write_whole(out, letter, word.quanta, DECIMALS);
}

fn write_feed(feed: FeedWord, out: &mut Vec<u8>) {
    out.extend_from_slice(b" F");
    write_fixed(out, feed.value, feed.decimals);
}

/// Writes the feed of the line, if it has one, as it stands there.
fn write_own_feed(bytes: &[u8], words: &[Word], out: &mut Vec<u8>) {
    if let Some(word) = words.iter().find(|word| word.letter == b'F') {
        out.push(b' ');
        copy(bytes, word.start as usize..word.end() as usize, out);
    }
}

/// Lines that are looked up before the first of them is written. Long after the block was read, what is known of them is
/// far away in memory: look-ups in a row do not wait for each other.
const AT_ONCE: usize = 64;

/// A line that is written as several, with its path.
struct Path<'a> {
    long: &'a LongLine,
    /// For arcs.
    arc: Option<&'a ArcPath>,
    words: &'a [Word],
    /// What its G word says.
    motion: Option<f64>,
    /// Where it starts, behind a byte order mark.
    at: u32,
    /// Where its last word ends.
    code_end: u32,
    /// Where the next line starts.
    next: u32,
}

impl<'a> Path<'a> {
    /// That of a line of a block.
    fn of(text: &'a Edited, long: &'a LongLine) -> Option<Self> {
        let mut lines = text.lines.get(long.line as usize..)?.iter();
        let line = lines.next()?;
        let words = text.words_of(line);
        let at = text.start_of(line.start, long.feed_at);
        Some(Self {
            long,
            arc: long.arc.and_then(|arc| text.arcs.get(arc as usize)),
            words,
            motion: words.iter().find(|word| word.letter == b'G').map(|word| word.value),
            at,
            code_end: words.last().map_or(at, Word::end),
            next: lines.next().map_or(text.bytes.len() as u32, |next| next.start),
        })
    }

    /// Its words for axes.
    #[inline(always)]
    fn axes(&self) -> impl Iterator<Item = &Word> {
        self.words.iter().filter(|word| matches!(word.letter, b'X'..=b'Z') && word.has_number())
    }

    /// A share of the path.
    #[inline(always)]
    fn share(&self, share: f64) -> Share {
        Share { share, point: self.arc.map_or([0.0; 3], |arc| arc.point(share)) }
    }

    /// Puts a piece before the last to the end of the output, up to its line end, in one go: where a word goes is known at
    /// once, while the length of the output would be looked up for each. `false`, and nothing is written, where the piece is
    /// out of the ordinary. `feed`: to go with it.
    #[inline(always)]
    fn put_piece(&self, begun: &Share, end: &Share, e: (u8, EWord), feed: Option<FeedWord>, out: &mut Vec<u8>) -> bool {
        // A motion, four words of half a room at most, and what one more may take.
        const LINE: usize = 3 * ROOM + ROOM / 4;
        if self.arc.is_some() {
            return false;
        }
        let start = out.len();
        out.extend_from_slice(&[b' '; LINE]);
        let room = out.get_mut(start..).and_then(|rest| rest.first_chunk_mut::<LINE>());
        let len = room.and_then(|room| {
            let mut at = match self.motion {
                None => 0,
                Some(1.0) => 3,
                Some(_) => return None,
            };
            room[..2].copy_from_slice(b"G1");
            for word in self.axes() {
                let (quanta, decimals) = self.along(word, begun, end);
                at += put_quanta(room_at(room, at)?, Before::Letter(word.letter), quanta, decimals)?;
                *room.get_mut(at)? = b' ';
                at += 1;
            }
            let (letter, EWord { quanta }) = e;
            at += put_whole(room_at(room, at)?, letter, quanta, DECIMALS)?;
            if let Some(FeedWord { value, decimals }) = feed {
                at += put_fixed(room_at(room, at)?, Before::Spaced(b'F'), value, decimals)?;
            }
            Some(at)
        });
        out.truncate(start + len.unwrap_or(0));
        len.is_some()
    }

    /// Writes such a piece word by word.
    #[inline(never)]
    fn write_piece(
        &self,
        begun: &Share,
        end: &Share,
        (e_letter, e): (u8, EWord),
        feed: Option<FeedWord>,
        out: &mut Vec<u8>,
    ) {
        // A line that repeats the motion without naming it stays such a line.
        match self.motion {
            None => {}
            Some(0.0) => out.extend_from_slice(b"G0 "),
            Some(1.0) => out.extend_from_slice(b"G1 "),
            Some(other) => write_motion(other, out),
        }
        for word in self.axes() {
            self.write_along(word, begun, end, out);
            out.push(b' ');
        }
        if let Some(arc) = self.arc {
            self.write_centre(arc, begun, out);
            out.push(b' ');
        }
        write_e(e_letter, e, out);
        if let Some(feed) = feed {
            write_feed(feed, out);
        }
    }

    /// The number of an axis word for a piece, in quanta, and its decimals.
    ///
    /// Distances are differences of rounded places, so that their sum is the line's own.
    #[inline(always)]
    fn along(&self, word: &Word, begun: &Share, end: &Share) -> (f64, u8) {
        let axis = usize::from(word.letter.wrapping_sub(b'X')).min(2);
        let unit = self.long.unit;
        let decimals = word.decimals.clamp(LEAST_DECIMALS[usize::from(unit > 1.0)], MOST_DECIMALS);
        let scale = power_of_ten(decimals);
        // How far the place at a share of the way is from the end.
        let left = |at: &Share| match self.arc {
            Some(arc) => (arc.to[axis] - at.point[axis]) / unit,
            None => self.long.delta[axis] * (1.0 - at.share) / unit,
        };
        if !self.long.relative {
            let place = if end.share >= 1.0 { word.value } else { word.value - left(end) };
            return (place * scale, decimals);
        }
        // Distances count from the start of the line.
        let whole = left(&self.share(0.0));
        let at = |place: &Share| match place.share >= 1.0 {
            true => word.value,
            false => ((whole - left(place)) * scale).round() / scale,
        };
        ((at(end) - at(begun)) * scale, decimals)
    }

    /// Writes an axis word for a piece.
    fn write_along(&self, word: &Word, begun: &Share, end: &Share, out: &mut Vec<u8>) {
        let (quanta, decimals) = self.along(word, begun, end);
        write_quanta(out, word.letter, quanta, decimals);
    }

    /// Writes the centre of an arc as seen from the start of a piece.
    fn write_centre(&self, arc: &ArcPath, begun: &Share, out: &mut Vec<u8>) {
        let (first, second, _) = arc.plane.axes();
        let from = begun.point;
        for (index, (axis, centre)) in [(first, arc.arc.centre[0]), (second, arc.arc.centre[1])].into_iter().enumerate()
        {
            if index > 0 {
                out.push(b' ');
            }
            write_word(out, b"IJK"[axis], (centre - from[axis]) / self.long.unit, CENTRE_DECIMALS);
        }
    }
}

/// A share of a path.
#[derive(Clone, Copy, Debug)]
struct Share {
    share: f64,
    /// For arcs, the place there, mm.
    point: [f64; 3],
}

/// The place for a word in a longer one.
#[inline(always)]
fn room_at(room: &mut [u8], at: usize) -> Option<&mut [u8; ROOM]> {
    room.get_mut(at..)?.first_chunk_mut()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::Block;

    fn edited(lines: &str, long: LongLine, pieces: &[EPiece]) -> Edited {
        let mut text = Edited::default();
        let mut block = Block { bytes: lines.into(), ..Block::default() };
        block.lex();
        text.take(&mut block, std::iter::empty());
        (text.long, text.pieces) = (vec![long], pieces.to_vec());
        text
    }

    fn written(text: &Edited) -> String {
        let mut out = Vec::new();
        compose(text, b'E', &mut out);
        String::from_utf8(out).unwrap()
    }

    fn composed(lines: &str, long: LongLine, pieces: &[EPiece]) -> String {
        written(&edited(lines, long, pieces))
    }

    fn long(delta: [f64; 3], count: u32) -> LongLine {
        LongLine { line: 0, feed_at: 0, first: 0, count, delta, unit: 1.0, relative: false, arc: None, feed: None }
    }

    /// `e`: in quanta.
    const fn piece(end: f64, e: i64) -> EPiece {
        EPiece { end, e: EWord { quanta: e } }
    }

    const HALVES: [EPiece; 2] = [piece(0.25, 12_500), piece(1.0, -2_000)];

    #[test]
    fn positions_lie_on_the_path_and_the_rest_of_the_line_stays() {
        let got = composed("G1 X20 Y5.5 F1800 E0.8 ; wall\r\nG28\r\n", long([10.0, 0.0, 0.0], 2), &HALVES);
        assert_eq!(got, "G1 X12.5 Y5.5 E0.125 F1800\r\nG1 X20 Y5.5 F1800 E-0.02 ; wall\r\nG28\r\n");
    }

    #[test]
    fn what_names_no_motion_stays_so() {
        let got = composed("X20 Y5.5 E0.8\n", long([10.0, 0.0, 0.0], 2), &HALVES);
        assert_eq!(got, "X12.5 Y5.5 E0.125\nX20 Y5.5 E-0.02\n");
        let got = composed("G0 X20 E0.8\n", long([10.0, 0.0, 0.0], 2), &HALVES);
        assert_eq!(got, "G0 X12.5 E0.125\nG0 X20 E-0.02\n");
    }

    #[test]
    fn a_feed_goes_on_the_first_piece() {
        let feed = Some(FeedWord { value: 600.0, decimals: 1 });
        let line = LongLine { feed, ..long([0.0, 3.0, 0.0], 2) };
        assert_eq!(composed("G1 Y3 E1\n", line, &HALVES), "G1 Y0.75 E0.125 F600\nG1 Y3 E-0.02\n");
        let line = LongLine { feed, ..long([0.0, 3.0, 0.0], 1) };
        assert_eq!(composed("G1 Y3 E1 ;x", line, &HALVES[1..]), "G1 Y3 E-0.02 F600 ;x");
    }

    #[test]
    fn distances_sum_to_the_whole() {
        let line = LongLine { relative: true, ..long([1.0, 0.0, 0.0], 3) };
        let third = |k: f64| piece(k / 3.0, 10_000);
        let got = composed("G1 X1 E1\n", line, &[third(1.0), third(2.0), third(3.0)]);
        assert_eq!(got, "G1 X0.333 E0.1\nG1 X0.334 E0.1\nG1 X0.333 E0.1\n");
    }

    #[test]
    fn inches_are_written_finer() {
        // A third of the way back from X1 over 25.4 mm.
        let line = LongLine { unit: 25.4, ..long([25.4, 0.0, 0.0], 2) };
        let pieces = [piece(1.0 / 3.0, 10_000), piece(1.0, 20_000)];
        assert_eq!(composed("G1 X1 E0.3\n", line, &pieces), "G1 X0.33333 E0.1\nG1 X1 E0.2\n");
    }

    #[test]
    fn an_arc_is_written_as_arcs_of_the_same_circle() {
        use crate::moves::arc::{Arc, Centre, Plane};
        // A quarter of a circle of radius 10 about the origin, from (10, 0) to (0, 10); half of it ends at 7.071.
        let arc = Arc::resolve([10.0, 0.0], [0.0, 10.0], Centre::Radius(10.0), false, 1).unwrap();
        let path = ArcPath { plane: Plane::Xy, arc, from: [10.0, 0.0, 0.2], to: [0.0, 10.0, 0.2] };
        let line = LongLine { arc: Some(0), ..long([-10.0, 10.0, 0.0], 2) };
        let halves = [piece(0.5, 30_000), piece(1.0, 40_000)];
        let composed = |lines| {
            let mut text = edited(lines, line, &halves);
            text.arcs.push(path);
            written(&text)
        };
        let want = "G3 X7.071 Y7.071 I-10 J0 E0.3 F900\nG3 X0 Y10 I-7.07107 J-7.07107 E0.4 F900\n";
        assert_eq!(composed("G3 X0 Y10 R10 E0.7 F900\n"), want);
        let want = "G3 X7.071 Y7.071 I-10 J0 E0.3\nG3 X0 Y10 I-7.07107 J-7.07107 E0.4\n";
        assert_eq!(composed("G3 X0 Y10 I-10 J0 E0.7\n"), want);
    }

    #[test]
    fn edits_around_keep_their_places() {
        let mut text = edited("G1 X4 E1\nG0 X5\n", long([4.0, 0.0, 0.0], 2), &HALVES);
        text.put_text(0, 0, b"M204 S500\n");
        text.put_text(12, 2, b"X9");
        assert_eq!(written(&text), "M204 S500\nG1 X1 E0.125\nG1 X4 E-0.02\nG0 X9\n");
    }
}
