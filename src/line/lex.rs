//! placeholder
use super::{Line, Word};
/// placeholder
pub fn lex(_bytes: &[u8], _lines: &mut Vec<Line>, _words: &mut Vec<Word>) {}
