//! A look at the start and the end of a file before the stream begins: settings stand there.

use std::io::{Read, Seek, SeekFrom};

use crate::error::{Error, Result};
use crate::moves::resolve::{MARKER, MARKER_E, MARKER_LEADS, MARKER_PROFILE, MARKER_REV, MARKER_TURNS, TEST_MARKER};
use crate::moves::settings::{FileSettings, Lead};
use crate::source::block::BlockReader;
use crate::source::{HEAD, sniff};

/// Bytes looked at from each end. Pictures and settings dumps at the start reach some hundred kB.
const REACH: u64 = 1 << 20;

/// What the look gave.
#[derive(Clone, Debug, Default)]
pub struct Prescan {
    /// Settings stated in comments.
    pub settings: FileSettings,
    /// Length of the file in bytes.
    pub length: u64,
    /// Lines with a number seen, less those with a G command and none.
    numbered: i64,
}

impl Prescan {
    /// Bytes to read at a time, where `most` are allowed: of a small file a part. There memory that is used for the first
    /// time costs more than anything, and a file of few blocks leaves threads without work.
    pub fn block_size(&self, most: usize) -> usize {
        const PARTS: u64 = 64;
        const LEAST: usize = 8 * 1024;
        usize::try_from(self.length / PARTS).unwrap_or(most).max(LEAST).min(most)
    }

    /// Looks at some lines.
    fn look(&mut self, text: &[u8]) {
        self.settings.read(text);
        self.numbered += text.first().map_or(0, number_at_start);
        self.numbered +=
            memchr::memchr_iter(b'\n', text).filter_map(|at| text.get(at + 1)).map(number_at_start).sum::<i64>();
        // A purge test may have been rewritten: the later statement counts.
        for (marker, marks_output) in [(TEST_MARKER, false), (MARKER, true)] {
            let Some(line) = line_with(marker, text) else { continue };
            self.settings.is_rewritten |= marks_output;
            if marks_output {
                self.settings.written_with = fingerprint(line);
                self.settings.lead = lead(line);
                self.settings.counts_turns = says(line, MARKER_REV);
            }
            self.settings.stated_e_mm3 = e_volume(line).or(self.settings.stated_e_mm3);
        }
    }
}

/// Looks at both ends of `input`, and leaves it at its start.
///
/// # Errors
/// When reading or seeking fails, or the start is not plain G-code text.
pub fn prescan<R: Read + Seek>(input: &mut R) -> Result<Prescan> {
    let failed = |error| Error::io("read the file", error);
    let length = input.seek(SeekFrom::End(0)).map_err(failed)?;
    let mut found = Prescan { length, ..Prescan::default() };
    let mut text = Vec::new();
    input.seek(SeekFrom::Start(0)).map_err(failed)?;
    input.by_ref().take(HEAD as u64).read_to_end(&mut text).map_err(failed)?;
    sniff(&text)?;
    // Both ends of a file that they cover are read as one.
    let reach = if length <= 2 * REACH { length } else { REACH };
    let tail = length - reach;
    for start in if tail == 0 { vec![0] } else { vec![0, tail] } {
        input.seek(SeekFrom::Start(start)).map_err(failed)?;
        // In parts, so that little memory is used for the first time.
        let mut reader = BlockReader::new(input.by_ref().take(reach), HEAD);
        while reader.next(&mut text)? {
            found.look(&text);
        }
    }
    found.settings.is_numbered = found.numbered > 0;
    input.seek(SeekFrom::Start(0)).map_err(failed)?;
    Ok(found)
}

/// What the first letter of a line tells of numbers: one more with, one more without, or neither.
fn number_at_start(first: &u8) -> i64 {
    match first {
        b'N' | b'n' => 1,
        b'G' | b'g' => -1,
        _ => 0,
    }
}

/// The first line that begins with `marker`.
fn line_with<'a>(marker: &[u8], text: &'a [u8]) -> Option<&'a [u8]> {
    let is_line = |at: &usize| *at == 0 || matches!(text.get(at - 1), Some(b'\n' | 0xbf));
    let at = memchr::memmem::find_iter(text, marker).find(is_line)?;
    text.get(at..)?.split(|byte| *byte == b'\n').next()
}

/// How a marker says that the lag is made up for.
fn lead(line: &[u8]) -> Lead {
    match says(line, MARKER_LEADS) {
        true => Lead::AlongPath,
        false if says(line, MARKER_TURNS) => Lead::AtRest,
        false => Lead::None,
    }
}

/// Fingerprint of a profile that a marker states.
fn fingerprint(line: &[u8]) -> Option<String> {
    let line = std::str::from_utf8(line).ok()?;
    let (_, rest) = line.split_once(MARKER_PROFILE)?;
    rest.split(|c: char| !c.is_ascii_alphanumeric()).next().filter(|word| !word.is_empty()).map(str::to_owned)
}

fn says(line: &[u8], words: &str) -> bool {
    memchr::memmem::find(line, words.as_bytes()).is_some()
}

/// Volume of one unit of E that a marker states, mm³.
fn e_volume(line: &[u8]) -> Option<f64> {
    let line = std::str::from_utf8(line).ok()?;
    let (_, rest) = line.split_once(MARKER_E)?;
    rest.split_ascii_whitespace().next()?.parse().ok().filter(|volume: &f64| volume.is_finite() && *volume > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_files_are_read_in_small_blocks() {
        let size = |length, most| Prescan { length, ..Prescan::default() }.block_size(most);
        assert_eq!([size(640_000, 65_536), size(0, 65_536), size(1 << 40, 65_536)], [10_000, 8192, 65_536]);
        assert_eq!(size(640_000, 100), 100);
    }
}
