//! Whole lines in blocks of bounded size.

use std::io::Read;

use crate::error::{Error, ErrorKind, Result};

/// Longest line that is read, bytes. Settings dumps reach tens of thousands; what is longer is not G-code.
const MAX_LINE: usize = 16 << 20;

/// Most lines of a block: what becomes of a line takes ten times the memory of a short one.
const MOST_LINES: usize = 2048;

/// Cuts a stream into blocks of whole lines.
#[derive(Debug)]
pub struct BlockReader<R> {
    reader: R,
    block_size: usize,
    /// What was read and is not given out: the start of a line, and before it lines that the last block had no room for.
    tail: Vec<u8>,
    /// There are enough of them for another block.
    has_block: bool,
}

impl<R: Read> BlockReader<R> {
    /// Reads about `block_size` bytes at a time.
    pub fn new(reader: R, block_size: usize) -> Self {
        Self { reader, block_size: block_size.max(1), tail: Vec::new(), has_block: false }
    }

    /// Fills `block` with the next whole lines; `false` at the end of the stream.
    ///
    /// Only the last block may lack its final line end. A line longer than a block makes the block longer.
    ///
    /// # Errors
    /// When reading fails, or a line is longer than 16 MiB.
    pub fn next(&mut self, block: &mut Vec<u8>) -> Result<bool> {
        // What an earlier block has left in the memory is overwritten, not zeroed first.
        let mut end = self.tail.len();
        overwrite(block, &self.tail);
        self.tail.clear();
        if self.has_block {
            self.cut(block, end);
            return Ok(true);
        }
        loop {
            let before = end;
            block.resize(block.len().max(before + self.block_size), 0);
            end += self.fill(block.get_mut(before..before + self.block_size).unwrap_or_default())?;
            if end == before {
                block.truncate(end);
                return Ok(end > 0);
            }
            let fresh = block.get(before..end).unwrap_or_default();
            if memchr::memrchr(b'\n', fresh).is_some() {
                self.cut(block, end);
                return Ok(true);
            }
            if end > MAX_LINE {
                return Err(Error::new(ErrorKind::NotGcode {
                    what: format!("a line is longer than {} MiB: this is not G-code text", MAX_LINE >> 20),
                    help: "give the plain G-code file the slicing program exports".to_owned(),
                }));
            }
        }
    }

    /// Ends a block that holds `end` bytes behind its last whole line, or before there are too many lines.
    fn cut(&mut self, block: &mut Vec<u8>, end: usize) {
        let text = block.get(..end).unwrap_or_default();
        let lines = memchr::memchr_iter(b'\n', text).count();
        let last = match lines > MOST_LINES {
            true => line_end(text, MOST_LINES),
            false => memchr::memrchr(b'\n', text),
        };
        // Fewer go with what is read next, so that blocks are of one size.
        self.has_block = lines >= 2 * MOST_LINES;
        let whole = last.map_or(end, |at| at + 1);
        self.tail.extend_from_slice(text.get(whole..).unwrap_or_default());
        block.truncate(whole);
    }

    /// Reads until `part` is full or the stream ends; returns how much was read.
    fn fill(&mut self, part: &mut [u8]) -> Result<usize> {
        let mut filled = 0;
        while let Some(rest) = part.get_mut(filled..).filter(|rest| !rest.is_empty()) {
            match self.reader.read(rest) {
                Ok(0) => break,
                Ok(read) => filled += read,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                Err(error) => return Err(Error::io("read the file", error)),
            }
        }
        Ok(filled)
    }
}

/// Where the line with a number, counted from 1, ends in a text.
fn line_end(text: &[u8], number: usize) -> Option<usize> {
    /// Lines are counted this many bytes at a time, which is quicker than to find each.
    const PART: usize = 2048;
    let mut before = 0;
    for (index, part) in text.chunks(PART).enumerate() {
        let lines = memchr::memchr_iter(b'\n', part).count();
        if before + lines >= number {
            let within = memchr::memchr_iter(b'\n', part).nth(number.checked_sub(before + 1)?)?;
            return Some(index * PART + within);
        }
        before += lines;
    }
    None
}

/// Writes `text` over what `block` holds at its start, and behind that if it is longer.
fn overwrite(block: &mut Vec<u8>, text: &[u8]) {
    let common = text.len().min(block.len());
    block[..common].copy_from_slice(&text[..common]);
    block.extend_from_slice(&text[common..]);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_hold_whole_lines_whatever_their_size() {
        let text = b"G1 X1\n\n; a longer comment line\r\nG1 X2\nno end";
        for size in [1, 2, 7, 64, 1 << 20] {
            let mut reader = BlockReader::new(&text[..], size);
            let (mut block, mut all, mut blocks) = (Vec::new(), Vec::new(), 0);
            while reader.next(&mut block).unwrap() {
                assert!(block.ends_with(b"\n") || all.len() + block.len() == text.len(), "size {size}");
                all.extend_from_slice(&block);
                blocks += 1;
            }
            assert_eq!(all, text, "size {size}");
            assert!(blocks >= if size == 1 { 5 } else { 1 });
        }
    }

    #[test]
    fn many_short_lines_are_several_blocks() {
        let mut text = "G1\n".repeat(3 * MOST_LINES + 5);
        text.push_str("no end");
        let mut reader = BlockReader::new(text.as_bytes(), 1 << 20);
        let (mut block, mut all, mut lines) = (b"old".repeat(9), Vec::new(), Vec::new());
        while reader.next(&mut block).unwrap() {
            lines.push(block.split(|byte| *byte == b'\n').count() - 1);
            all.extend_from_slice(&block);
        }
        assert_eq!(all, text.as_bytes());
        assert_eq!(lines, [MOST_LINES, MOST_LINES, MOST_LINES, 5]);
    }

    #[test]
    fn lines_without_room_go_with_those_that_are_read_next() {
        let text = "G1 X10 Y10 E1\n".repeat(10 * MOST_LINES);
        let mut reader = BlockReader::new(text.as_bytes(), 14 * (MOST_LINES + MOST_LINES / 8));
        let (mut block, mut blocks) = (Vec::new(), 0);
        while reader.next(&mut block).unwrap() {
            assert_eq!(block.len(), 14 * MOST_LINES, "block {blocks}");
            blocks += 1;
        }
        assert_eq!(blocks, 10);
    }

    #[test]
    fn a_line_ends_where_its_line_feed_is() {
        let text = "G1\n".repeat(5000) + "; longer\nG1";
        for number in [1, 2, 682, 683, 684, 2048, 5000] {
            assert_eq!(line_end(text.as_bytes(), number), Some(3 * number - 1), "{number}");
        }
        assert_eq!(line_end(text.as_bytes(), 5001), Some(text.len() - 3));
        assert_eq!(line_end(text.as_bytes(), 5002), None);
    }

    #[test]
    fn an_endless_line_is_refused() {
        let mut reader = BlockReader::new(std::io::repeat(b'a'), 1 << 20);
        let error = reader.next(&mut Vec::new()).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::NotGcode { .. }));
    }
}
