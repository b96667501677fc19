//! The part of the work that goes line after line: modal state, passes, feeds, sums.

use std::collections::VecDeque;

use crate::demand::capacity::Capacity;
use crate::error::Result;
use crate::findings::{Code, Place};
use crate::line::edit::{Edit, Put, checksum_edit};
use crate::line::{Block, Line, LineKind};
use crate::moves::resolve::Resolver;
use crate::moves::split::Split;
use crate::moves::{Kind, Move};
use crate::passes::feed::{FeedEdit, FeedWord, Feeds};
use crate::passes::sustained::Sustained;
use crate::passes::{Limited, Reason, peak};
use crate::summary::tally::Tally;

/// A block whose text goes out once all its moves are settled.
#[derive(Debug, Default)]
pub struct Outgoing {
    /// The text as it came.
    pub bytes: Vec<u8>,
    /// What is written differently.
    pub edits: Vec<Edit>,
    first_line: u64,
    moves: usize,
    settled: usize,
    splits: Vec<SplitLine>,
    checksums: Vec<(u32, Edit)>,
}

/// A line to be split, with what is needed to write it.
#[derive(Debug)]
struct SplitLine {
    line: u32,
    split: Split,
    start: u32,
    /// Where each span's word stands in the block.
    words: Vec<(u32, u16)>,
    line_end: &'static [u8],
}

/// Counts of what was written.
#[derive(Clone, Copy, Debug, Default)]
pub struct Written {
    /// Lines in which a feed was written.
    pub feeds: u64,
    /// Lines added.
    pub lines_added: u64,
    /// Lines written as several.
    pub lines_split: u64,
}

/// Carries everything that depends on the lines before.
#[derive(Debug)]
pub struct Stream {
    /// Reads the lines.
    pub resolver: Resolver,
    /// Adds up.
    pub tally: Tally,
    /// What was written.
    pub written: Written,
    /// Lines read.
    pub lines: u64,
    /// A line with a command was seen.
    pub has_commands: bool,
    capacity: Option<Capacity>,
    sustained: Option<Sustained>,
    feeds: Feeds,
    /// Report demand above capacity as findings instead of as changes.
    report_demand: bool,
    marker: Option<Vec<u8>>,
    offset: u64,
    number: u32,
    /// Blocks that have gone out: the number of the first that waits.
    released: u32,
    waiting: VecDeque<Outgoing>,
    moves: Vec<Move>,
}

/// What a [`Stream`] is set up with.
#[derive(Debug)]
pub struct Setup {
    /// Reads the lines.
    pub resolver: Resolver,
    /// Adds up.
    pub tally: Tally,
    /// The capacity, when the capacity pass runs.
    pub capacity: Option<Capacity>,
    /// Feed in force before the first F word, mm/s.
    pub initial_feed_mm_s: f64,
    /// Report demand above capacity as findings.
    pub report_demand: bool,
    /// Text of the marker line, without a line end.
    pub marker: Option<Vec<u8>>,
}

impl Stream {
    /// A stream at the start of a file.
    pub fn new(setup: Setup) -> Self {
        let sustained = setup
            .capacity
            .as_ref()
            .map(|c| Sustained::new(c.sustained_mm3_s, c.window_s, c.peak_mm3_s.max(c.screw_mm3_s)));
        Self {
            resolver: setup.resolver,
            tally: setup.tally,
            written: Written::default(),
            lines: 0,
            has_commands: false,
            capacity: setup.capacity,
            sustained,
            feeds: Feeds::new(setup.initial_feed_mm_s),
            report_demand: setup.report_demand,
            marker: setup.marker,
            offset: 0,
            number: 0,
            released: 0,
            waiting: VecDeque::new(),
            moves: Vec::new(),
        }
    }

    /// Takes the next block; blocks that are settled by it are added to `ready` in order.
    ///
    /// # Errors
    /// As [`Resolver::resolve`].
    pub fn take(&mut self, block: &mut Block, ready: &mut Vec<Outgoing>) -> Result<()> {
        block.first_line = self.lines + 1;
        self.moves.clear();
        let mut moves = std::mem::take(&mut self.moves);
        self.resolver.resolve(block, self.number, &mut moves)?;
        let mut outgoing = self.outgoing(block, moves.len());
        if !self.has_commands {
            self.mark(block, &mut outgoing);
        }
        self.lines += block.lines.len() as u64;
        let length = block.bytes.len() as u64;
        outgoing.bytes = std::mem::take(&mut block.bytes);
        self.waiting.push_back(outgoing);
        for &step in &moves {
            self.take_move(step);
        }
        self.moves = moves;
        self.offset += length;
        self.number = self.number.wrapping_add(1);
        self.release(ready);
        Ok(())
    }

    /// No more blocks will come.
    pub fn finish(&mut self, ready: &mut Vec<Outgoing>) {
        if let Some(sustained) = &mut self.sustained {
            sustained.finish();
        }
        self.settle_all();
        self.release(ready);
        self.resolver.finish();
    }

    /// What is needed of the block's lines after its words are gone.
    fn outgoing(&mut self, block: &Block, moves: usize) -> Outgoing {
        let splits = self.resolver.splits.drain(..).filter_map(|(line, split)| {
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
        let splits = splits.collect();
        let numbered = block.lines.iter().enumerate().filter(|(_, line)| line.has(Line::CHECKSUM));
        let checksums = numbered.filter_map(|(index, line)| Some((index as u32, checksum_edit(block, line)?)));
        Outgoing { first_line: block.first_line, moves, splits, checksums: checksums.collect(), ..Outgoing::default() }
    }

    /// Puts the marker before the first line with a command, after comments that must stay at the start.
    fn mark(&mut self, block: &Block, outgoing: &mut Outgoing) {
        let is_command = |line: &&Line| matches!(line.kind, LineKind::Code | LineKind::Named | LineKind::Text);
        let Some(line) = block.lines.iter().find(is_command) else { return };
        self.has_commands = true;
        let Some(mut marker) = self.marker.take() else { return };
        marker.extend_from_slice(line_end(block, line));
        let start = line.start as usize;
        let after_mark = if block.bytes.get(start..).is_some_and(|b| b.starts_with(b"\xef\xbb\xbf")) { 3 } else { 0 };
        let put = Put::Text(marker.into_boxed_slice());
        outgoing.edits.push(Edit { at: line.start + after_mark, remove: 0, put });
        self.written.lines_added += 1;
    }

    fn take_move(&mut self, step: Move) {
        let Some(capacity) = &self.capacity else {
            self.settle(&Limited::unlimited(step));
            return;
        };
        let limited = peak::apply(step, capacity);
        let offset = self.offset + u64::from(step.feed_at);
        if let Some(sustained) = &mut self.sustained {
            sustained.push(limited, offset);
        }
        self.settle_all();
    }

    fn settle_all(&mut self) {
        while let Some(limited) = self.sustained.as_mut().and_then(Sustained::pop) {
            self.settle(&limited);
        }
    }

    /// A move's speed is final: sums and text follow.
    fn settle(&mut self, limited: &Limited) {
        let step = &limited.step;
        let (edit, speed) = self.feeds.next(limited);
        let index = step.block.wrapping_sub(self.released) as usize;
        let Some(block) = self.waiting.get_mut(index) else { return };
        block.settled += 1;
        let line = block.first_line + u64::from(step.line);
        self.tally.add(limited, speed, || line);
        if self.report_demand {
            self.report(limited, line);
            return;
        }
        if let Some(block) = self.waiting.get_mut(index) {
            self.written.write(block, step, edit);
        }
    }

    fn report(&mut self, limited: &Limited, line: u64) {
        let Some(reason) = limited.reason else { return };
        let step = &limited.step;
        let flow = step.flow_at(step.speed());
        let what = step.role.name();
        let code = match reason {
            Reason::PeakCapacity => Code::PeakDemand,
            Reason::SustainedCapacity => Code::SustainedDemand,
            Reason::ScrewSpeed => Code::ScrewSpeed,
        };
        self.resolver.findings.add_weighted(code, flow, || Place {
            line,
            layer: u64::from(step.layer),
            z_mm: step.z,
            detail: match step.kind {
                Kind::Bead => format!("{flow:.1} mm³/s, {what}"),
                _ => format!("{flow:.1} mm³/s, no motion"),
            },
        });
    }

    fn release(&mut self, ready: &mut Vec<Outgoing>) {
        while self.waiting.front().is_some_and(|block| block.settled == block.moves) {
            ready.extend(self.waiting.pop_front());
            self.released = self.released.wrapping_add(1);
        }
    }
}

impl Written {
    fn write(&mut self, block: &mut Outgoing, step: &Move, edit: FeedEdit) {
        let before = block.edits.len();
        let word = |FeedWord { value, decimals }: FeedWord, space| Put::Word { space, letter: b'F', value, decimals };
        let split = step.has(Move::SPLIT).then(|| block.splits.iter().find(|s| s.line == step.line)).flatten();
        if let Some(line) = split {
            // The pieces before the last run at the line's speed; an F word added goes on the first of them only.
            let own = || FeedWord { value: step.feed_mm_min / step.unit_mm(), decimals: step.feed_decimals };
            let feed = match edit {
                FeedEdit::Keep => (step.feed_len > 0).then(own),
                FeedEdit::Replace(word) | FeedEdit::Insert(word) | FeedEdit::LineBefore(word) => Some(word),
            };
            let text = line.split.leading_lines(feed.map(|f| (f.value, f.decimals)), line.line_end);
            block.edits.push(Edit { at: line.start, remove: 0, put: Put::Text(text.into_boxed_slice()) });
            let mut words: Vec<Edit> = Vec::new();
            for (span, &(at, len)) in line.split.spans.iter().zip(&line.words).filter(|(span, _)| span.relative) {
                let value = line.split.word_value(span, line.split.pieces);
                let put = Put::Word { space: false, letter: span.letter, value, decimals: span.decimals };
                words.push(Edit { at, remove: u32::from(len), put });
            }
            if let FeedEdit::Replace(feed) = edit {
                words.push(Edit { at: step.feed_at, remove: u32::from(step.feed_len), put: word(feed, false) });
                self.feeds += 1;
            }
            words.sort_by_key(|edit| edit.at);
            block.edits.append(&mut words);
            self.lines_split += 1;
            self.lines_added += u64::from(line.split.pieces - 1);
        } else {
            match edit {
                FeedEdit::Keep => return,
                FeedEdit::Replace(feed) => {
                    let remove = u32::from(step.feed_len);
                    block.edits.push(Edit { at: step.feed_at, remove, put: word(feed, false) });
                    self.feeds += 1;
                }
                FeedEdit::Insert(feed) => {
                    block.edits.push(Edit { at: step.feed_at, remove: 0, put: word(feed, true) });
                    self.feeds += 1;
                }
                FeedEdit::LineBefore(feed) => {
                    let mut text = b"G1 F".to_vec();
                    crate::line::number::write_fixed(&mut text, feed.value, feed.decimals);
                    text.extend_from_slice(line_end_at(&block.bytes, step.feed_at as usize));
                    block.edits.push(Edit { at: step.feed_at, remove: 0, put: Put::Text(text.into_boxed_slice()) });
                    self.lines_added += 1;
                    return;
                }
            }
        }
        if step.has(Move::CHECKSUM)
            && block.edits.len() > before
            && let Ok(at) = block.checksums.binary_search_by_key(&step.line, |entry| entry.0)
        {
            let edit = block.checksums[at].1.clone();
            block.edits.push(edit);
        }
    }
}

/// The line end a line has: CR LF or LF.
fn line_end(block: &Block, line: &Line) -> &'static [u8] {
    line_end_at(&block.bytes, line.end as usize)
}

/// The line end that follows byte `at`.
fn line_end_at(bytes: &[u8], at: usize) -> &'static [u8] {
    let rest = bytes.get(at..).unwrap_or_default();
    match memchr::memchr(b'\n', rest) {
        Some(end) if end > 0 && rest[end - 1] == b'\r' => b"\r\n",
        _ => b"\n",
    }
}
