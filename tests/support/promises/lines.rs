//! Lines and words of any bytes.

use meltwright::line::edit::{apply, checksum_edit};
use meltwright::line::lex::{lex, lex_by_grammar};
use meltwright::line::{Block, Line, LineKind, Word};

/// Lexes `text`, both with the short cut and by the grammar alone, and checks everything that holds for
/// any block.
pub fn lexed(text: &[u8]) -> Block {
    let mut block = Block { bytes: text.to_vec(), ..Block::default() };
    block.lex();
    let (mut lines, mut words) = (Vec::new(), Vec::new());
    lex_by_grammar(text, &mut lines, &mut words);
    for (fast, slow) in block.lines.iter().zip(&lines) {
        assert_eq!(fast, slow, "{:?}", String::from_utf8_lossy(block.text_of(slow)));
    }
    assert_eq!(block.lines.len(), lines.len());
    assert!(block.words == words, "words differ: {:?}", String::from_utf8_lossy(text));

    let mut rebuilt = Vec::new();
    let mut word_count = 0;
    for (index, line) in block.lines.iter().enumerate() {
        assert_eq!(line.start as usize, rebuilt.len());
        assert_eq!(line.first_word as usize, word_count);
        word_count += usize::from(line.words);
        rebuilt.extend_from_slice(block.text_of(line));
        let next = block.lines.get(index + 1).map_or(text.len(), |next| next.start as usize);
        let ending = &text[line.end as usize..next];
        match ending.split_last() {
            Some((b'\n', returns)) => assert!(returns.iter().all(|byte| *byte == b'\r')),
            Some(_) => panic!("a line end without LF"),
            None => assert_eq!(next, text.len()),
        }
        rebuilt.extend_from_slice(ending);

        let mut from = line.start;
        for word in block.words_of(line) {
            assert!(word.start >= from && word.len > 0 && word.end() <= line.end);
            assert!(word.letter.is_ascii_uppercase());
            assert_eq!(text[word.start as usize].to_ascii_uppercase(), word.letter);
            from = word.end();
        }
        assert_eq!(line.code_end, from);
        assert!(line.code_end <= line.star && line.star <= line.end && line.comment <= line.end);
        assert_eq!(line.has(Line::CHECKSUM), line.star < line.end);
        assert!(line.has(Line::CHECKSUM) || !line.has(Line::BAD_CHECKSUM));
        assert!(line.comment == line.end || matches!(text[line.comment as usize], b';' | b'('));
    }
    assert_eq!(word_count, block.words.len());
    assert_eq!(rebuilt, text);
    block
}

/// A line as it stands in a block that has so many bytes and words before it.
fn shifted(line: &Line, bytes: u32, words: u32) -> Line {
    Line {
        start: line.start + bytes,
        end: line.end + bytes,
        first_word: line.first_word + words,
        code_end: line.code_end + bytes,
        comment: line.comment + bytes,
        star: line.star + bytes,
        ..*line
    }
}

/// A block cut before its line `index` gives the same lines and words as the whole.
pub fn cut_before(text: &[u8], index: usize) {
    let whole = lexed(text);
    let Some(cut) = whole.lines.get(index).map(|line| line.start) else { return };
    let (before, after) = text.split_at(cut as usize);
    let (mut lines, mut words): (Vec<Line>, Vec<Word>) = (Vec::new(), Vec::new());
    lex(before, &mut lines, &mut words);
    let second = lexed(after);
    let count = words.len() as u32;
    lines.extend(second.lines.iter().map(|line| shifted(line, cut, count)));
    words.extend(second.words.iter().map(|word| Word { start: word.start + cut, ..*word }));
    assert!(lines == whole.lines && words == whole.words, "cut at {cut}: {:?}", String::from_utf8_lossy(text));
}

/// No edits give the same bytes, and edits change nothing but what they name.
pub fn edited(text: &[u8]) {
    let block = lexed(text);
    let mut out = Vec::new();
    apply(text, b"", &[], &mut out);
    assert_eq!(out, text);

    let edits: Vec<_> = block.lines.iter().filter_map(|line| checksum_edit(&block, line)).collect();
    out.clear();
    apply(text, b"", &edits, &mut out);
    let renewed = lexed(&out);
    assert_eq!(renewed.lines.len(), block.lines.len());
    for (new, old) in renewed.lines.iter().zip(&block.lines) {
        assert_eq!((new.kind, new.words), (old.kind, old.words));
        assert_eq!(new.flags, old.flags & !Line::BAD_CHECKSUM);
        if old.kind == LineKind::Text {
            assert_eq!(new.comment, new.end);
        }
    }
}
