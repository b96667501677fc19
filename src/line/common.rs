//! What the grammar and its short cut share.

use super::Word;

/// M commands whose rest is text.
const TEXT_COMMANDS: [f64; 22] = [
    117.0, 118.0, 486.0, 1002.0, 0.0, 1.0, 16.0, 23.0, 28.0, 30.0, 32.0, 33.0, 36.0, 70.0, 98.0, 115.0, 550.0, 551.0,
    552.0, 587.0, 862.3, 928.0,
];

/// `text` without the CRs at its end.
pub(super) fn without_returns(text: &[u8]) -> &[u8] {
    let mut text = text;
    while let Some((b'\r', before)) = text.split_last() {
        text = before;
    }
    text
}

/// Whether the rest of a line is text behind this first word.
pub(super) fn is_text_command(word: &Word) -> bool {
    word.letter == b'M' && word.has_number() && TEXT_COMMANDS.contains(&word.value)
}
