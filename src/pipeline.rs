//! Wires reading, lexing, resolving, passes and writing, in bounded memory.

use std::io::{Read, Seek, Write};

use crate::error::Result;
use crate::profile::Profile;
use crate::summary::Summary;

/// Which passes run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Passes {
    /// Clamp each move to the peak, the screw and the sustained capacity.
    pub capacity: bool,
}

impl Passes {
    /// No pass: the output is the input, byte for byte.
    pub const NONE: Self = Self { capacity: false };
    /// Every pass.
    pub const ALL: Self = Self { capacity: true };

    /// Whether no pass runs.
    pub const fn is_none(self) -> bool {
        !self.capacity
    }

    /// Names of the passes that run, in the order they run.
    pub fn names(self) -> Vec<&'static str> {
        if self.capacity { vec!["capacity"] } else { Vec::new() }
    }
}

/// How a file is worked on; nothing here changes the result except what the names say.
#[derive(Clone, Debug)]
pub struct Options {
    /// Which passes run. Default: all.
    pub passes: Passes,
    /// Bytes read at a time. Default: 256 KiB. The result does not depend on it.
    pub block_size: usize,
    /// Pass lines through that cannot be read, with a warning, instead of stopping. Default: no.
    pub lenient: bool,
    /// Let a file with this program's marker through unchanged instead of refusing it. Default: no.
    pub again: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self { passes: Passes::ALL, block_size: 256 * 1024, lenient: false, again: false }
    }
}

/// Rewrites `input` to `output` and says what was changed.
///
/// `input` is read from its start; it must not change meanwhile. `progress` is called with the number of bytes
/// worked on so far. The work is spread over the current rayon pool.
///
/// # Errors
/// When the input is not G-code, was rewritten before, holds a motion line that cannot be read (unless
/// `lenient`), gives no volume for E, or when reading or writing fails.
pub fn rewrite<R: Read + Seek, W: Write>(
    input: &mut R,
    output: &mut W,
    profile: &Profile,
    options: &Options,
    progress: &mut dyn FnMut(u64),
) -> Result<Summary> {
    let _ = (input, output, profile, options, progress);
    unimplemented!()
}

/// Reads `input` and says what a rewrite would find and change, without writing anything.
///
/// # Errors
/// As [`rewrite`].
pub fn audit<R: Read + Seek>(
    input: &mut R,
    profile: &Profile,
    options: &Options,
    progress: &mut dyn FnMut(u64),
) -> Result<Summary> {
    rewrite(input, &mut std::io::sink(), profile, options, progress)
}
