//! Changes to a block of text: what is not named here is copied byte for byte.

/// One change at one place of a block. Edits of a block are sorted by `at` and do not overlap.
#[derive(Clone, Debug, PartialEq)]
pub struct Edit {
    /// Offset in the block where the change begins.
    pub at: u32,
    /// How many bytes are replaced (0 for an insertion).
    pub remove: u32,
    /// What is written instead.
    pub put: Put,
}

/// What an [`Edit`] writes.
#[derive(Clone, Debug, PartialEq)]
pub enum Put {
    /// A word: optional leading space, letter, number in fixed point with this many decimals.
    Word {
        /// Whether a space is written first.
        space: bool,
        /// The letter, as it is to be written.
        letter: u8,
        /// The number.
        value: f64,
        /// Digits after the point; trailing zeros are not written.
        decimals: u8,
    },
    /// The checksum of the output line so far: from its first byte up to the `*`, XOR, in decimal.
    Checksum,
    /// Ready text.
    Text(Box<[u8]>),
}

/// Writes `bytes` with `edits` applied to the end of `out`.
pub fn apply(_bytes: &[u8], _edits: &[Edit], _out: &mut Vec<u8>) {}
