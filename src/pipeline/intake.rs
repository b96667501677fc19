//! First line-after-line part: modal state. Blocks become moves.

use super::edits::{Edited, Outgoing, line_end};
use super::planning::Planning;
use crate::error::{Error, ErrorKind, Result};
use crate::line::{Block, Line, LineKind};
use crate::moves::resolve::Resolver;

/// Resolves block after block.
#[derive(Clone, Debug)]
pub struct Intake {
    /// Reads the lines.
    pub resolver: Resolver,
    planning: Planning,
    /// Lines read.
    pub lines: u64,
    /// A line with a command was seen.
    pub has_commands: bool,
    /// Text of the marker line without a line end, until it is placed.
    marker: Option<Vec<u8>>,
    offset: u64,
}

impl Intake {
    /// An intake at the start of a file; `marker`: text of the marker line without a line end, if one is written.
    pub fn new(resolver: Resolver, planning: Planning, marker: Option<Vec<u8>>) -> Self {
        Self { resolver, planning, lines: 0, has_commands: false, marker, offset: 0 }
    }

    /// Resolves the next block. `outgoing`: one that has gone out, for its memory; `resolved`: gets the blocks that are
    /// planned.
    ///
    /// # Errors
    /// As [`Resolver::resolve`].
    pub fn take(&mut self, block: &mut Block, mut outgoing: Outgoing, resolved: &mut Vec<Outgoing>) -> Result<()> {
        block.first_line = self.lines + 1;
        outgoing.first_line = block.first_line;
        outgoing.offset = self.offset;
        outgoing.clear();
        self.resolver.resolve(block, &mut outgoing.moves)?;
        if !self.has_commands {
            self.mark(block, &mut outgoing.text);
        }
        self.lines += block.lines.len() as u64;
        self.offset += block.bytes.len() as u64;
        std::mem::swap(&mut outgoing.side, &mut self.resolver.side);
        std::mem::swap(&mut outgoing.noted, &mut self.resolver.noted);
        outgoing.text.take(block, self.resolver.splits.drain(..));
        self.planning.take(outgoing, resolved);
        Ok(())
    }

    /// Volume that has left the nozzle, mm³: beads, and extrusion without motion as far as it is no refill.
    pub fn laid_mm3(&self) -> f64 {
        self.planning.laid_mm3().unwrap_or_else(|| self.resolver.volume())
    }

    /// No more blocks will come: all that waits for the planner is added to `resolved`.
    pub fn finish(&mut self, resolved: &mut Vec<Outgoing>) {
        self.planning.finish(resolved);
    }

    /// Puts the marker before the first line with a command, after comments that must stay at the start.
    fn mark(&mut self, block: &Block, text: &mut Edited) {
        let Some(line) = block.lines.iter().find(|line| is_command(block, line)) else { return };
        self.has_commands = true;
        let Some(mut marker) = self.marker.take() else { return };
        marker.extend_from_slice(line_end(block, line));
        let start = line.start as usize;
        let has_byte_order_mark = block.bytes.get(start..).is_some_and(|b| b.starts_with(b"\xef\xbb\xbf"));
        let at = line.start + if has_byte_order_mark { 3 } else { 0 };
        text.put_text(at, 0, &marker);
    }
}

/// Whether a line is a command, rather than prose that happens to look like one.
pub(super) fn is_command(block: &Block, line: &Line) -> bool {
    match line.kind {
        LineKind::Text => true,
        LineKind::Code => block.words_of(line).iter().any(|word| word.has_number() && b"GMT".contains(&word.letter)),
        LineKind::Named => {
            let text = block.text_of(line).trim_ascii();
            let name = text.split(u8::is_ascii_whitespace).next().unwrap_or_default();
            !name.iter().any(u8::is_ascii_lowercase)
        }
        LineKind::Blank | LineKind::Comment | LineKind::Percent | LineKind::Opaque => false,
    }
}

/// A file of prose or comments.
pub(super) fn no_commands() -> Error {
    Error::new(ErrorKind::NotGcode {
        what: "there is no G-code command in this file".to_owned(),
        help: "give the plain G-code file the slicing program exports".to_owned(),
    })
}
