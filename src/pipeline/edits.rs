//! What is written differently in a block, from the feeds the passes decided on.

use super::compose::{EPiece, LongLine};
use crate::line::edit::{Edit, Put, checksum_edit};
use crate::line::{Block, Line, Word};
use crate::motion::Timing;
use crate::motion::bend::{Bend, Bow};
use crate::moves::arc::ArcPath;
use crate::moves::split::Split;
use crate::moves::{Kind, Move, Side};
use crate::passes::Verdict;
use crate::passes::e_count::{DECIMALS, EWord};
use crate::passes::feed::{FeedEdit, FeedWord};
use crate::passes::lag::accel::Ruling;
use crate::passes::lag::gaps::Marks;
use crate::profile::AccelWords;
use crate::soft::KnownLimits;

/// What becomes of the E of a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ELine {
    /// It stays.
    Keep,
    /// The whole line goes.
    Remove,
    /// The E word goes.
    Strip,
    /// Another number stands there.
    Word(EWord),
    /// The line is written as several; the last so many pieces of the block are its pieces.
    Pieces(u32),
}

/// What was decided on a move, for what it comes to.
#[derive(Clone, Copy, Debug)]
pub struct Decided {
    /// Turns of the screw at rest before it, and stops, s.
    pub rest_s: f64,
    /// Its time with those, s: in the output, or in the file where it is only judged.
    pub seconds: f64,
    /// Speed its feed gives in the output, mm/s.
    pub speed: f64,
    /// New melt pushed with it, mm³.
    pub fed_mm3: f64,
    /// What a refill before it would have pushed out, mm³.
    pub purge_mm3: f64,
}

impl Decided {
    /// Nothing but a time, s.
    pub const fn lasting(seconds: f64) -> Self {
        Self { rest_s: 0.0, seconds, speed: 0.0, fed_mm3: 0.0, purge_mm3: 0.0 }
    }
}

/// A block on its way out.
#[derive(Clone, Debug, Default)]
pub struct Outgoing {
    /// Its text.
    pub text: Edited,
    /// Its moves, in order.
    pub moves: Vec<Move>,
    /// What some of them need beyond themselves.
    pub side: Side,
    /// What their plans need of their paths, whatever their speeds.
    pub bends: Vec<Bend>,
    /// The same of the arcs among them.
    pub bows: Vec<Bow>,
    /// How the moves are executed as the file gives them.
    pub before: Vec<Timing>,
    /// What the part bears in their layers.
    pub known: KnownLimits,
    /// Whether they ask too much on average as they came; only where that is reported.
    pub asked: Vec<Verdict>,
    /// Least time that each takes in the output, s, where that may be less than before.
    pub least: Vec<f64>,
    /// How fast each may be.
    pub verdicts: Vec<Verdict>,
    /// What becomes of the file's own reversals, and where the screw is turned instead.
    pub marks: Vec<Marks>,
    /// How quickly each may change its speed.
    pub rulings: Vec<Ruling>,
    /// How the moves are executed in the output.
    pub after: Vec<Timing>,
    /// The flow to come, for moves before which the screw is charged, mm³/s.
    pub ahead: Vec<f64>,
    /// What was decided on each.
    pub decided: Vec<Decided>,
    /// Lines at which something was found, by their index, as they were found.
    pub noted: Vec<u32>,
    /// Number of its first line, counted from 1.
    pub first_line: u64,
    /// Where it starts in the input.
    pub offset: u64,
}

impl Outgoing {
    /// Nothing of it changes: it is executed as it came.
    pub fn as_it_came(&mut self) {
        let moves = self.moves.len();
        self.verdicts.extend(self.moves.iter().map(Verdict::unlimited));
        self.marks.resize(moves, Marks::NONE);
        self.rulings.resize(moves, Ruling::NONE);
        self.after.clone_from(&self.before);
    }

    /// Makes ready for the next block; the memory is kept, and bends with it, to be written over.
    pub fn clear(&mut self) {
        self.text.clear();
        self.moves.clear();
        self.side.clear();
        self.bows.clear();
        self.before.clear();
        self.known.clear();
        self.asked.clear();
        self.least.clear();
        self.verdicts.clear();
        self.marks.clear();
        self.rulings.clear();
        self.after.clear();
        self.ahead.clear();
        self.decided.clear();
        self.noted.clear();
    }
}

/// A text with what is written differently.
#[derive(Clone, Debug, Default)]
pub struct Edited {
    /// The text as it came.
    pub bytes: Vec<u8>,
    /// Its lines.
    pub lines: Vec<Line>,
    words: Vec<Word>,
    /// What is written differently.
    pub edits: Vec<Edit>,
    /// The ready texts among that.
    pub texts: Vec<u8>,
    /// Lines that are written as several.
    pub long: Vec<LongLine>,
    /// The pieces of those, in order.
    pub pieces: Vec<EPiece>,
    /// The paths of the arcs among those.
    pub arcs: Vec<ArcPath>,
    splits: Vec<SplitLine>,
    checksums: Vec<(u32, Edit)>,
}

/// A line to be split, with what is needed to write it.
#[derive(Clone, Debug)]
struct SplitLine {
    line: u32,
    split: Split,
    start: u32,
    /// Where each span's word stands in the block.
    words: Vec<(u32, u16)>,
    line_end: &'static [u8],
}

impl Edited {
    /// Takes a block's text, lines and words, and notes what cannot be found in them later.
    pub fn take(&mut self, block: &mut Block, splits: impl Iterator<Item = (u32, Split)>) {
        let splits = splits.filter_map(|(line, split)| {
            let place = block.lines.get(line as usize)?;
            let words = block.words_of(place);
            let spans = split.spans.iter();
            let words = spans.map(|span| words.get(usize::from(span.place)).map(|w| (w.start, w.len)));
            Some(SplitLine {
                line,
                start: place.start,
                words: words.collect::<Option<_>>()?,
                line_end: line_end(block, place),
                split,
            })
        });
        self.splits.extend(splits);
        let numbered = block.lines.iter().enumerate().filter(|(_, line)| line.has(Line::CHECKSUM));
        let checksums = numbered.filter_map(|(index, line)| Some((index as u32, checksum_edit(block, line)?)));
        self.checksums.extend(checksums);
        std::mem::swap(&mut self.bytes, &mut block.bytes);
        std::mem::swap(&mut self.lines, &mut block.lines);
        std::mem::swap(&mut self.words, &mut block.words);
    }

    /// The words of one of its lines.
    pub fn words_of(&self, line: &Line) -> &[Word] {
        let first = line.first_word as usize;
        self.words.get(first..first + usize::from(line.words)).unwrap_or_default()
    }

    /// Where the command of a line that starts at `start` begins. `on_it`: a place behind all that does not belong to it.
    #[inline]
    pub fn start_of(&self, start: u32, on_it: u32) -> u32 {
        // A byte order mark stays where it is; within a file it may stand at the start of any line.
        let rest = self.bytes.get(start as usize..).unwrap_or_default();
        if rest.starts_with(BYTE_ORDER_MARK) && on_it >= start + 3 { start + 3 } else { start }
    }

    /// Whether all bytes stay as they are.
    pub fn is_unchanged(&self) -> bool {
        self.edits.is_empty() && self.long.is_empty()
    }

    /// Adds an edit that puts a ready text in the place of `remove` bytes.
    pub fn put_text(&mut self, at: u32, remove: u32, text: &[u8]) {
        let put = Put::Text { start: self.texts.len(), len: text.len() as u32 };
        self.texts.extend_from_slice(text);
        self.edits.push(Edit { at, remove, put });
    }

    /// Makes ready for the next block; the memory is kept, and the text with its lines too, to be written over.
    pub fn clear(&mut self) {
        self.edits.clear();
        self.texts.clear();
        self.long.clear();
        self.pieces.clear();
        self.arcs.clear();
        self.splits.clear();
        self.checksums.clear();
    }
}

/// What stands before a line that was made a comment.
const TAKEN_OUT: &[u8] = b"; taken out: ";
const BYTE_ORDER_MARK: &[u8] = b"\xef\xbb\xbf";

/// Counts of what was written.
#[derive(Clone, Copy, Debug, Default)]
pub struct Written {
    /// Lines in which a feed was written.
    pub feeds: u64,
    /// Lines added.
    pub lines_added: u64,
    /// Lines taken out.
    pub lines_removed: u64,
    /// Turns without motion among them.
    pub e_only_removed: u64,
    /// Lines that switch on the controller's own compensation of lag, made comments.
    pub taken_out: u64,
    /// Reversals along a path whose E was taken out.
    pub stripped: u64,
    /// Their length, mm.
    pub stripped_mm: f64,
    /// Lines written as several.
    pub lines_split: u64,
    /// Beads among the pieces added by splitting.
    pub beads_added: u64,
    /// Turns without motion among them.
    pub e_only_added: u64,
    /// Other moves among them.
    pub other_added: u64,
}

impl Written {
    /// Adds to the block's edits another number for the E of a line that stays in all else.
    #[inline(always)]
    pub fn write_e(block: &mut Edited, step: &Move, word: EWord) {
        let edit = another_e(step, word);
        block.edits.push(edit);
    }

    /// Adds an edit of the E of a line, and its feed, in the order in which they stand there.
    #[inline(always)]
    fn with_feed(&mut self, block: &mut Edited, step: &Move, edit: FeedEdit, of_e: Edit) {
        let of_feed = match edit {
            FeedEdit::Keep => return block.edits.push(of_e),
            FeedEdit::Replace(feed) => another_feed(block, step, feed),
            FeedEdit::Insert(feed) => Edit { at: step.feed_at, remove: 0, put: feed_word(feed) },
            FeedEdit::LineBefore(feed) => {
                self.line_before(block, step, feed);
                return block.edits.push(of_e);
            }
        };
        self.feeds += 1;
        if of_feed.at < of_e.at {
            block.edits.push(of_feed);
            block.edits.push(of_e);
        } else {
            block.edits.push(of_e);
            block.edits.push(of_feed);
        }
    }

    /// Adds to the block's edits what becomes of the line of a move. `ahead`: lines that go before it.
    pub fn write(
        &mut self,
        block: &mut Edited,
        step: &Move,
        edit: FeedEdit,
        e: ELine,
        arc: Option<&ArcPath>,
        ahead: &mut Vec<u8>,
    ) {
        if !ahead.is_empty() {
            self.lines_added += memchr::memchr_iter(b'\n', ahead).count() as u64;
            let at = line_start(block, step);
            block.put_text(at, 0, ahead);
            ahead.clear();
        }
        self.write_line(block, step, edit, e, arc);
    }

    /// The same of a line that nothing goes before.
    pub fn write_line(&mut self, block: &mut Edited, step: &Move, edit: FeedEdit, e: ELine, arc: Option<&ArcPath>) {
        let before = block.edits.len();
        let of_e = match e {
            ELine::Keep => return self.write_feed(block, step, edit),
            ELine::Remove => {
                let at = line_start(block, step);
                let rest = block.bytes.get(at as usize..).unwrap_or_default();
                let remove = memchr::memchr(b'\n', rest).map_or(rest.len(), |end| end + 1) as u32;
                block.put_text(at, remove, b"");
                self.lines_removed += 1;
                self.e_only_removed += u64::from(matches!(step.kind, Kind::EIn | Kind::EOut));
                return;
            }
            ELine::Strip => {
                self.stripped += 1;
                self.stripped_mm += step.length;
                let space = step.e_at > 0 && block.bytes.get(step.e_at as usize - 1) == Some(&b' ');
                let (at, remove) = (step.e_at - u32::from(space), u32::from(step.e_len) + u32::from(space));
                Edit { at, remove, put: Put::Text { start: 0, len: 0 } }
            }
            ELine::Word(word) => another_e(step, word),
            ELine::Pieces(count) => {
                let first = (block.pieces.len() - count as usize) as u32;
                let feed = match edit {
                    FeedEdit::Keep => None,
                    FeedEdit::Replace(word) | FeedEdit::Insert(word) | FeedEdit::LineBefore(word) => {
                        self.feeds += 1;
                        Some(word)
                    }
                };
                block.long.push(LongLine {
                    line: step.line,
                    feed_at: step.feed_at,
                    first,
                    count,
                    delta: step.delta,
                    unit: step.unit_mm(),
                    relative: step.has(Move::RELATIVE),
                    arc: arc.map(|_| block.arcs.len() as u32),
                    feed,
                });
                block.arcs.extend(arc);
                let added = u64::from(count) - 1;
                self.lines_split += 1;
                self.lines_added += added;
                match step.kind {
                    Kind::Bead => self.beads_added += added,
                    Kind::EIn | Kind::EOut => self.e_only_added += added,
                    _ => self.other_added += added,
                }
                return;
            }
        };
        self.with_feed(block, step, edit, of_e);
        self.renew_checksum(block, step, before);
    }

    /// Makes the line of a move a comment.
    pub fn take_out(&mut self, block: &mut Edited, step: &Move) {
        let marked = step.feed_at == 0 && block.bytes.starts_with(BYTE_ORDER_MARK);
        let at = step.feed_at + if marked { BYTE_ORDER_MARK.len() as u32 } else { 0 };
        block.put_text(at, 0, TAKEN_OUT);
        self.taken_out += 1;
    }

    fn line_before(&mut self, block: &mut Edited, step: &Move, feed: FeedWord) {
        let mut text = b"G1 F".to_vec();
        crate::line::number::write_fixed(&mut text, feed.value, feed.decimals);
        text.extend_from_slice(line_end_at(&block.bytes, step.feed_at as usize));
        block.put_text(step.feed_at, 0, &text);
        self.lines_added += 1;
    }

    fn renew_checksum(&mut self, block: &mut Edited, step: &Move, before: usize) {
        if step.has(Move::CHECKSUM)
            && block.edits.len() > before
            && let Ok(at) = block.checksums.binary_search_by_key(&step.line, |entry| entry.0)
        {
            let edit = block.checksums[at].1;
            block.edits.push(edit);
        }
    }

    /// What becomes of a line whose E stays.
    fn write_feed(&mut self, block: &mut Edited, step: &Move, edit: FeedEdit) {
        let before = block.edits.len();
        let split = step.has(Move::SPLIT).then(|| block.splits.iter().find(|s| s.line == step.line)).flatten();
        if let Some(line) = split {
            // The pieces before the last run at the line's speed; an F word added goes on the first of them only.
            let own = || FeedWord { value: step.feed_mm_min / step.unit_mm(), decimals: step.feed_decimals };
            let feed = match edit {
                FeedEdit::Keep => (step.feed_len > 0).then(own),
                FeedEdit::Replace(word) | FeedEdit::Insert(word) | FeedEdit::LineBefore(word) => Some(word),
            };
            let text = line.split.leading_lines(feed.map(|f| (f.value, f.decimals)), line.line_end);
            let (start, added) = (line.start, u64::from(line.split.pieces - 1));
            let mut words: Vec<Edit> = Vec::new();
            for (span, &(at, len)) in line.split.spans.iter().zip(&line.words).filter(|(span, _)| span.relative) {
                let value = line.split.word_value(span, line.split.pieces);
                let put = Put::Word { space: false, letter: span.letter, value, decimals: span.decimals };
                words.push(Edit { at, remove: u32::from(len), put });
            }
            if let FeedEdit::Replace(feed) = edit {
                words.push(another_feed(block, step, feed));
                self.feeds += 1;
            }
            words.sort_by_key(|edit| edit.at);
            block.put_text(start, 0, &text);
            block.edits.append(&mut words);
            self.lines_split += 1;
            self.lines_added += added;
            match step.kind {
                Kind::Bead => self.beads_added += added,
                Kind::EIn | Kind::EOut => self.e_only_added += added,
                _ => self.other_added += added,
            }
        } else {
            match edit {
                FeedEdit::Keep => return,
                FeedEdit::Replace(feed) => {
                    let edit = another_feed(block, step, feed);
                    block.edits.push(edit);
                    self.feeds += 1;
                }
                FeedEdit::Insert(feed) => {
                    block.edits.push(Edit { at: step.feed_at, remove: 0, put: feed_word(feed) });
                    self.feeds += 1;
                }
                FeedEdit::LineBefore(feed) => {
                    self.line_before(block, step, feed);
                    return;
                }
            }
        }
        self.renew_checksum(block, step, before);
    }
}

/// A new F word, with a space before it.
fn feed_word(FeedWord { value, decimals }: FeedWord) -> Put {
    Put::Word { space: true, letter: b'F', value, decimals }
}

/// The E word of a line with another number.
#[inline(always)]
fn another_e(step: &Move, EWord { quanta }: EWord) -> Edit {
    let put = Put::Quanta { quanta, decimals: DECIMALS };
    Edit { at: step.e_at, remove: u32::from(step.e_len), put }
}

/// The F word of a line with another number. Its letter stays: behind a capital an `e` that follows would be an exponent.
fn another_feed(block: &Edited, step: &Move, FeedWord { value, decimals }: FeedWord) -> Edit {
    let letter = block.bytes.get(step.feed_at as usize).copied().unwrap_or(b'F');
    let put = Put::Word { space: false, letter, value, decimals };
    Edit { at: step.feed_at, remove: u32::from(step.feed_len), put }
}

/// Whether the line of an arc names no motion, and another beginning can be given to it.
pub fn repeats_arc(text: &Edited, step: &Move) -> bool {
    let line = text.bytes.get(line_start(text, step) as usize..).unwrap_or_default();
    let names = line.iter().find(|byte| !matches!(byte, b' ' | b'\t')).is_some_and(|first| b"Gg".contains(first));
    !names && step.flags & (Move::NUMBERED | Move::CHECKSUM | Move::FEED_BEFORE) == 0
}

/// Where the line of a move starts. Its text is at hand, while what is known of lines is far away in memory by now.
fn line_start(block: &Edited, step: &Move) -> u32 {
    let before = block.bytes.get(..step.feed_at as usize).unwrap_or_default();
    let start = memchr::memrchr(b'\n', before).map_or(0, |end| end + 1) as u32;
    block.start_of(start, step.feed_at)
}

/// The line end a line has: CR LF or LF.
pub fn line_end(block: &Block, line: &Line) -> &'static [u8] {
    line_end_at(&block.bytes, line.end as usize)
}

/// The line end that follows byte `at`.
pub fn line_end_at(bytes: &[u8], at: usize) -> &'static [u8] {
    let rest = bytes.get(at..).unwrap_or_default();
    match memchr::memchr(b'\n', rest) {
        Some(end) if end > 0 && rest[end - 1] == b'\r' => b"\r\n",
        _ => b"\n",
    }
}
/// The word for an acceleration, as the controller takes it.
pub fn accel_word(words: AccelWords, is_travel: bool) -> &'static str {
    match words {
        AccelWords::AllMoves => "M204 S",
        AccelWords::Beads if is_travel => "M204 T",
        AccelWords::Beads => "M204 P",
    }
}

/// Lines that put accelerations back, of beads and of travels, mm/s², where they are not in force.
pub fn accels_put_back(words: AccelWords, accels: [Option<f64>; 2]) -> Vec<String> {
    if let (AccelWords::AllMoves, [Some(beads), Some(travels)]) = (words, accels) {
        // The one word for all moves has replaced two.
        return vec![format!("M204 P{beads} T{travels}")];
    }
    let each = accels.into_iter().zip([false, true]);
    each.filter_map(|(accel, is_travel)| Some(format!("{}{}", accel_word(words, is_travel), accel?))).collect()
}
