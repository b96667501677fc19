//! First line-after-line part: modal state. Blocks become moves.

use super::edits::{Outgoing, line_end};
use crate::error::Result;
use crate::line::edit::{Edit, Put};
use crate::line::{Block, Line, LineKind};
use crate::moves::Move;
use crate::moves::resolve::Resolver;

/// A block whose lines have been resolved.
#[derive(Debug, Default)]
pub struct Resolved {
    /// Its text, to be edited.
    pub outgoing: Outgoing,
    /// Its moves, in order.
    pub moves: Vec<Move>,
    /// Where it starts in the input.
    pub offset: u64,
}

/// Resolves block after block.
#[derive(Debug)]
pub struct Intake {
    /// Reads the lines.
    pub resolver: Resolver,
    /// Lines read.
    pub lines: u64,
    /// A line with a command was seen.
    pub has_commands: bool,
    /// Text of the marker line without a line end, until it is placed.
    marker: Option<Vec<u8>>,
    offset: u64,
    number: u32,
}

impl Intake {
    /// An intake at the start of a file; `marker`: text of the marker line without a line end, if one is written.
    pub fn new(resolver: Resolver, marker: Option<Vec<u8>>) -> Self {
        Self { resolver, lines: 0, has_commands: false, marker, offset: 0, number: 0 }
    }

    /// Resolves blocks one after the other.
    ///
    /// # Errors
    /// As [`Intake::take`].
    pub fn take_all(&mut self, blocks: &mut [Block], resolved: &mut Vec<Resolved>) -> Result<()> {
        resolved.resize_with(blocks.len(), Resolved::default);
        blocks.iter_mut().zip(resolved).try_for_each(|(block, resolved)| self.take(block, resolved))
    }

    /// Resolves the next block into `resolved` and takes its text.
    ///
    /// # Errors
    /// As [`Resolver::resolve`].
    pub fn take(&mut self, block: &mut Block, resolved: &mut Resolved) -> Result<()> {
        block.first_line = self.lines + 1;
        resolved.moves.clear();
        self.resolver.resolve(block, self.number, &mut resolved.moves)?;
        resolved.outgoing = Outgoing::of(block, resolved.moves.len(), self.resolver.splits.drain(..));
        resolved.offset = self.offset;
        if !self.has_commands {
            self.mark(block, &mut resolved.outgoing);
        }
        self.lines += block.lines.len() as u64;
        self.offset += block.bytes.len() as u64;
        self.number = self.number.wrapping_add(1);
        resolved.outgoing.bytes = std::mem::take(&mut block.bytes);
        Ok(())
    }

    /// Puts the marker before the first line with a command, after comments that must stay at the start.
    fn mark(&mut self, block: &Block, outgoing: &mut Outgoing) {
        let is_command = |line: &&Line| matches!(line.kind, LineKind::Code | LineKind::Named | LineKind::Text);
        let Some(line) = block.lines.iter().find(is_command) else { return };
        self.has_commands = true;
        let Some(mut marker) = self.marker.take() else { return };
        marker.extend_from_slice(line_end(block, line));
        let start = line.start as usize;
        let has_byte_order_mark = block.bytes.get(start..).is_some_and(|b| b.starts_with(b"\xef\xbb\xbf"));
        let at = line.start + if has_byte_order_mark { 3 } else { 0 };
        outgoing.edits.push(Edit { at, remove: 0, put: Put::Text(marker.into_boxed_slice()) });
    }
}
