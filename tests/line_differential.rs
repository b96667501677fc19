//! The lexer against a general-purpose parser: on lines that both take, the same letters with the same
//! numbers in the same order.
//!
//! Where the two differ by design, so that such lines are left out:
//! - letters without a number, text commands, checksums, exponents, expressions and nested parentheses:
//!   the other parser reports them or reads another language;
//! - command numbers with more than one decimal: it keeps one;
//! - its values are `f32`: compared with 1e-6 of the value.

use gcode::{Code, Value};
use meltwright::line::{Block, Line, LineKind};
use proptest::prelude::*;

#[path = "support/corpus.rs"]
mod corpus;

/// The words as the other parser sees them, in the order of the text; `None` when it reports anything.
fn others(text: &str) -> Option<Vec<(char, f64)>> {
    let program = gcode::parse(text).ok()?;
    let [block] = program.blocks.as_slice() else {
        return None;
    };
    let mut found = Vec::new();
    for code in &block.codes {
        let (letter, number, span, args) = match code {
            Code::General(code) => ('G', code.number, code.span, &code.args),
            Code::Miscellaneous(code) => ('M', code.number, code.span, &code.args),
            Code::ToolChange(code) => ('T', code.number, code.span, &code.args),
            _ => return None,
        };
        let minor = number.minor().map_or(0, u32::from);
        found.push((span.start, letter, f64::from(number.major()) + f64::from(minor) / 10.0));
        for arg in args {
            found.push((arg.span.start, arg.letter, literal(&arg.value)?));
        }
    }
    for word in &block.word_addresses {
        found.push((word.span.start, word.letter, literal(&word.value)?));
    }
    found.sort_by_key(|(at, ..)| *at);
    Some(found.into_iter().map(|(_, letter, value)| (letter.to_ascii_uppercase(), value)).collect())
}

fn literal(value: &Value) -> Option<f64> {
    match value {
        Value::Literal(value) => Some(f64::from(*value)),
        _ => None,
    }
}

/// Compares all lines of `text`; how many were compared, of how many lines with words.
fn compare(text: &[u8]) -> (usize, usize) {
    let mut block = Block { bytes: text.to_vec(), ..Block::default() };
    block.lex();
    let (mut compared, mut all) = (0, 0);
    for line in &block.lines {
        let words = block.words_of(line);
        let left_out = Line::CHECKSUM | Line::JUNK | Line::EXPONENT;
        if line.kind != LineKind::Code || words.is_empty() || line.has(left_out) {
            continue;
        }
        all += 1;
        let Ok(spelled) = str::from_utf8(block.text_of(line)) else {
            continue;
        };
        let Some(others) = others(spelled) else {
            continue;
        };
        if words.iter().any(|word| !word.has_number() || (b"GMT".contains(&word.letter) && word.decimals > 1)) {
            continue;
        }
        let same = words.len() == others.len()
            && words.iter().zip(&others).all(|(word, (letter, value))| {
                char::from(word.letter) == *letter && (word.value - value).abs() <= 1e-6 * word.value.abs()
            });
        assert!(same, "{spelled:?}: {words:?} against {others:?}");
        compared += 1;
    }
    (compared, all)
}

#[test]
fn real_files() {
    let Some(files) = corpus::files() else { return };
    let (mut compared, mut all) = (0, 0);
    for file in files {
        let text = std::fs::read(&file).expect("a readable file");
        let counts = compare(&text);
        compared += counts.0;
        all += counts.1;
    }
    eprintln!("{compared} of {all} lines with words compared");
    assert!(compared * 10 > all * 9, "only {compared} of {all} lines compared");
}

proptest! {
    #[test]
    fn made_lines(
        command in "[GM][2-9][0-9]?|G[0-3]",
        words in prop::collection::vec("[XYZEFIJKPRS]-?([0-9]{1,4}(\\.[0-9]{1,5})?|\\.[0-9]{1,5})", 1..7),
        comment in prop::sample::select(vec!["", " ; text", " (text)"]),
    ) {
        let line = format!("{command} {}{comment}\n", words.join(" "));
        let (compared, all) = compare(line.as_bytes());
        prop_assert_eq!(compared, all);
    }
}
