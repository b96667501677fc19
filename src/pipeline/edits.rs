//! What is written differently in a block, from the feeds the passes decided on.

use crate::line::edit::{Edit, Put, checksum_edit};
use crate::line::{Block, Line};
use crate::moves::split::Split;
use crate::moves::{Kind, Move};
use crate::passes::feed::{FeedEdit, FeedWord};

/// A block on its way out.
#[derive(Debug, Default)]
pub struct Outgoing {
    /// Its text.
    pub text: Edited,
    /// Its moves, in order.
    pub moves: Vec<Move>,
    /// How many of them are settled.
    pub settled: usize,
    /// Number of its first line, counted from 1.
    pub first_line: u64,
    /// Where it starts in the input.
    pub offset: u64,
}

/// A text with what is written differently.
#[derive(Debug, Default)]
pub struct Edited {
    /// The text as it came.
    pub bytes: Vec<u8>,
    /// What is written differently.
    pub edits: Vec<Edit>,
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

impl Edited {
    /// Keeps of a block's lines what is needed after its words are gone, and takes its text.
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
    }

    /// Makes ready for the next block; the memory is kept.
    pub fn clear(&mut self) {
        self.bytes.clear();
        self.edits.clear();
        self.splits.clear();
        self.checksums.clear();
    }
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
    /// Beads among the pieces added by splitting.
    pub beads_added: u64,
    /// Turns without motion among them.
    pub e_only_added: u64,
    /// Other moves among them.
    pub other_added: u64,
}

impl Written {
    /// Adds to the block's edits what becomes of the line of a move.
    pub fn write(&mut self, block: &mut Edited, step: &Move, edit: FeedEdit) {
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
            let added = u64::from(line.split.pieces - 1);
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
pub fn line_end(block: &Block, line: &Line) -> &'static [u8] {
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
