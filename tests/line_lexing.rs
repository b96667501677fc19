//! Lines and words: rows of single lines, real files, and lines made of anything.

use meltwright::line::Line;
use meltwright::line::edit::apply;
use proptest::prelude::*;
use std::fmt::Write;

#[path = "support/corpus.rs"]
mod corpus;
#[path = "support/promises/lines.rs"]
mod lines;

use lines::lexed;

/// One line as text: kind, flags, words (with `/decimals`), `>` end of the words, `;` comment, `*` star.
fn shown(text: &[u8]) -> String {
    let block = lexed(text);
    let line = block.lines.first().expect("a line");
    let mut out = format!("{:?}", line.kind);
    for (flag, name) in [
        (Line::NUMBERED, "numbered"),
        (Line::CHECKSUM, "checksum"),
        (Line::BAD_CHECKSUM, "bad"),
        (Line::JUNK, "junk"),
        (Line::EXPONENT, "exponent"),
    ] {
        if line.has(flag) {
            write!(out, " {name}").expect("written");
        }
    }
    for word in block.words_of(line) {
        write!(out, " {}", char::from(word.letter)).expect("written");
        match (word.has_number(), word.decimals) {
            (false, _) => assert_eq!((word.value, word.len), (0.0, 1)),
            (true, 0) => write!(out, "{}", word.value).expect("written"),
            (true, decimals) => write!(out, "{}/{decimals}", word.value).expect("written"),
        }
    }
    write!(out, " >{}", line.code_end).expect("written");
    if line.comment < line.end {
        write!(out, " ;{}", line.comment).expect("written");
    }
    if line.star < line.end {
        write!(out, " *{}", line.star).expect("written");
    }
    out
}

/// `text` alone, before a line end, and before LF with CRs reads as `expected`.
fn check(text: &str, expected: &str) {
    for end in ["", "\n", "\r\n", "\r\r\n"] {
        let line = format!("{text}{end}");
        assert_eq!(shown(line.as_bytes()), expected, "{line:?}");
    }
}

#[test]
fn blank_and_comment_lines() {
    check(" \t", "Blank >0");
    check("\u{a0} ", "Blank >0");
    check("\u{feff}", "Blank >0");
    check("\u{feff}; text", "Comment >0 ;3");
    check("\u{feff}G28", "Code G28 >6");
    check("; G1 X1 (not read) *5 \0", "Comment >0 ;0");
    check("(text)", "Comment >0 ;0");
    check(" (a)\t(b) ; c", "Comment >0 ;1");
    check("(*(* nested *)*)", "Comment >0 ;0");
    check("(<rotation> (6.12323399574e-17+1j) )", "Comment >0 ;0");
    check("(msg**** text****)", "Comment >0 ;0");
    check("%", "Percent >0");
    check(" % program", "Percent >0");
    assert_eq!(lexed(b"\n\r\n\n").lines.len(), 3);
    assert!(lexed(b"").lines.is_empty());
}

#[test]
fn parentheses_beside_code() {
    check("G1 (a) X1 (b) Y2 ; c", "Code G1 X1 Y2 >16 ;3");
    check("G1 X1 (a (b) c) Y2", "Code G1 X1 Y2 >18 ;6");
    check("G1 X1 (a (b c) Y2", "Code G1 X1 Y2 >17 ;6");
    check("G1 X1 (a ; b", "Code G1 X1 >5 ;6");
    check("G1 X1 ((a) Y2 (b (c) Z3 (d)", "Code G1 X1 Y2 Z3 >23 ;6");
    check("G1 X1 ) Y2", "Code junk G1 X1 >5");
    check("M103(off)", "Code M103 >4 ;4");
}

#[test]
fn words() {
    check("G1 X10.500 Y-.5 Z+2. F007", "Code G1 X10.5/3 Y-0.5/1 Z2 F7 >25");
    check("  g01 x1 e-0", "Code G1 X1 E-0 >12");
    check("N5 G0X0.0000Y0.0000S12000M3", "Code numbered G0 X0/4 Y0/4 S12000 M3 >27");
    check("G28 X Y", "Code G28 X Y >7");
    check("M84 XE", "Code M84 X E >6");
    check("M620 S0A", "Code M620 S0 A >8");
    check("X 10\tY\u{a0}5 ", "Code X10 Y5 >9");
    check("F5.; slow", "Code F5 >3 ;3");
    check("T1;", "Code T1 >2 ;2");
    check("G1\rX1", "Code G1 X1 >5");
    check("M109 S200G1 X0.1 ; first", "Code M109 S200 G1 X0.1/1 >16 ;17");
    check("M970.3 Q0 Q0", "Code M970.3/1 Q0 Q0 >12");
    check("G1 Z+0.5 E-5 ;X-20", "Code G1 Z0.5/1 E-5 >12 ;13");
    check("G1 X9007199254740993", "Code G1 X9007199254740992 >20");
    check("N10.5 G1", "Code N10.5/1 G1 >8");
    check("G1 N5", "Code G1 N5 >5");
    check("N10", "Code numbered >0");
    check("n 10 ; text", "Code numbered >0 ;5");
    check("G1 X1 E0.5 ;\u{e4}", "Code G1 X1 E0.5/1 >10 ;11");
}

#[test]
fn exponents() {
    check("G1 X1 E7.7367638e-05", "Code exponent G1 X1 E0.000077367638/7 >20");
    check("G1 X10E5", "Code G1 X10 E5 >8");
    check("g1x10e5", "Code G1 X10 E5 >7");
    check("G1e5", "Code G1 E5 >4");
    check("G1 E1E-5", "Code G1 E1 E-5 >8");
    check("G1 X1e", "Code G1 X1 E >6");
}

#[test]
fn junk() {
    check("G1 X4.5.6 Y1 ; a", "Code junk G1 X4.5/1 >7 ;13");
    check("G1 X[#1] Y2", "Code junk G1 >2");
    check("G1 X1 Y [#1]", "Code junk G1 X1 >5");
    check("G1 X- Y1", "Code junk G1 >2");
    check("G1 X1 = 5", "Code junk G1 X1 >5");
    check("G1 X1 \"a\" (b) ; c", "Code junk G1 X1 >5 ;14");
    check("G1 X1\0", "Code junk G1 X1 >5");
    check("G1 X1 \u{e4}", "Code junk G1 X1 >5");
    check("G1 X1*", "Code junk G1 X1 >5");
    check("G1 X1*5 Y2", "Code junk G1 X1 >5");
    check("{\"gc\":\"g0x0y0\"}", "Opaque >0");
    check("#<_x> = [5] ; a", "Opaque >0 ;12");
    check("/G1 X1", "Opaque >0");
    check("o<name> sub", "Opaque >0");
    check("O32123 (program)", "Opaque >0");
    check("*5", "Opaque >0");
    check("X#1", "Opaque >0");
    check("12 G1", "Opaque >0");
}

#[test]
fn named_and_text_commands() {
    check("START_PRINT EXTRUDER_TEMP=220 ; a", "Named >0 ;30");
    check("_X=1", "Named >0");
    check("G_1", "Named >0");
    check(" travel 3000 retract 9000", "Named >0");
    check("NEXT 5", "Named >0");
    check("M117 *Preheat*  \t; Preheat", "Text M117 >4");
    check("M117 *5", "Text M117 >4");
    check("m117Hello (world)", "Text M117 >4");
    check("M1002 judge_flag g29_before_print_flag", "Text M1002 >5");
    check("M486 AShape-Box", "Text M486 >4");
    check("M862.3 P \"name\"", "Text M862.3/1 >6");
    check("(a) M117 b", "Text M117 >8");
    check("M117.5 X1", "Code M117.5/1 X1 >9");
    check("M1170 S1", "Code M1170 S1 >8");
    check("G1 X1 M30", "Code G1 X1 M30 >9");
}

/// The first three are published in the question 3118 of the 3D printing forum of Stack Exchange, the
/// next six in the public wiki of self-replicating printers (page on G-code); the rest follow from them.
#[test]
fn checksums() {
    for published in [
        "N0 M106*36",
        "N1 G28*18",
        "N2 M107*39",
        "N3 T0*57",
        "N4 G92 E0*67",
        "N5 G28*22",
        "N6 G1 F1500.0*82",
        "N7 G1 X2.0 Y2.0 F3000.0*85",
        "N8 G1 X3.0 Y3.0*33",
        "N3 T0 *25",
        "N0 M106 *4",
    ] {
        let found = shown(published.as_bytes());
        assert!(found.starts_with("Code numbered checksum "), "{published}: {found}");
        assert!(!found.contains("bad"), "{published}: {found}");
        let wrong = format!("{published}1");
        assert!(shown(wrong.as_bytes()).contains("checksum bad"), "{wrong}");
    }
    check("N3 T0*57 ; a (b)", "Code numbered checksum T0 >5 ;9 *5");
    check("N3 T0 (a)*1 (b)", "Code numbered checksum bad T0 >5 ;6 *9");
    check("G28*0", "Code checksum bad G28 >3 *3");
    check("N1*99999999999", "Code numbered checksum bad >0 *2");
    check("N1 M117 a*b*5 ", "Text numbered checksum bad M117 >7 *11");
    check("N1 M117 a*b", "Text numbered M117 >7");
    check("N1 NAME A=1*7 ; b*1", "Named numbered checksum bad >0 ;14 *11");
    check("N1 G1 X[1]*7", "Code numbered checksum bad junk G1 >5 *10");
    check("N1 #1=2*7", "Opaque numbered checksum bad >0 *7");
}

#[test]
fn long_lines() {
    let gap = format!("G1 X{}1 Y2", " ".repeat(70_000));
    check(&gap, "Code junk G1 >2");
    let digits = format!("G1 X0.{} Y2", "1".repeat(70_000));
    check(&digits, "Code junk G1 >2");
    let many = format!("G1{}", " X1".repeat(70_000));
    let block = lexed(many.as_bytes());
    assert_eq!((block.words.len(), block.lines[0].words), (65535, 65535));
    assert!(block.lines[0].has(Line::JUNK));
    for part in ["(", "((a)", "(a)", "*1", "X ", "N1*1"] {
        lexed(part.repeat(200_000).as_bytes());
    }
}

#[test]
fn real_files() {
    let Some(files) = corpus::files() else { return };
    let mut kinds = [0usize; 7];
    for file in files {
        let text = std::fs::read(&file).expect("a readable file");
        let block = lexed(&text);
        for line in &block.lines {
            kinds[line.kind as usize] += 1;
        }
        let mut out = Vec::new();
        apply(&text, b"", &[], &mut out);
        assert!(out == text, "{}", file.display());
    }
    eprintln!("lines by kind, in the order of LineKind: {kinds:?}");
    assert!(kinds.iter().all(|count| *count > 0), "{kinds:?}");
}

fn piece() -> impl Strategy<Value = Vec<u8>> {
    let known = prop::sample::select(vec![
        "G1",
        "G0",
        "g2",
        "M117",
        "M30",
        "N5",
        "N",
        "T1",
        "X",
        "Y-1.5",
        "E.25",
        "E1e-5",
        "F1200",
        "1",
        "12345678901234567890",
        ".",
        "-",
        "+",
        " ",
        "  ",
        "\t",
        "\r",
        "\n",
        "\r\n",
        "\u{a0}",
        "\u{feff}",
        "(",
        ")",
        "(a)",
        ";",
        "*",
        "*12",
        "%",
        "#1",
        "[",
        "_",
        "a",
        "o",
        "NAME",
        "\0",
        "=",
        "\"",
    ]);
    prop_oneof![
        12 => known.prop_map(|text| text.as_bytes().to_vec()),
        1 => prop::collection::vec(any::<u8>(), 1..4),
    ]
}

fn block_of_anything() -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(piece(), 0..60).prop_map(|pieces| pieces.concat())
}

/// Lines as the short cut likes them, with now and then something else.
fn moves() -> impl Strategy<Value = String> {
    let number = "-?[0-9]{0,4}(\\.[0-9]{0,6})?|-?[0-9]{2,8}\\.[0-9]{0,8}|[0-9]{15,20}|[0-9]{1,3}\\.[0-9]{12,17}";
    let word = (prop::sample::select(vec!["X", "Y", "Z", "E", "F", "I", "e"]), number)
        .prop_map(|(letter, number)| format!("{letter}{number}"));
    let gap = prop::sample::select(vec![" ", " ", " ", "", "  ", "\t"]);
    let words = prop::collection::vec((gap, word), 0..7)
        .prop_map(|words| words.iter().map(|(gap, word)| format!("{gap}{word}")).collect::<String>());
    let end = prop::sample::select(vec!["\n", "\r\n", "\r\r\n", " \n", " ; a\n", ";b\r\n", "*5\n", "(c)\n", ""]);
    // Nearly half of them begin like beads.
    let begin = format!("G[0-4]|G1 X({number}) Y({number})( E({number}))?");
    let begin = prop::string::string_regex(&begin).expect("a pattern");
    let line = (begin, words, end).prop_map(|(command, words, end)| format!("{command}{words}{end}"));
    prop::collection::vec(line, 1..5).prop_map(|lines| lines.concat())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn anything_is_read(text in block_of_anything()) {
        lexed(&text);
    }

    #[test]
    fn any_bytes_are_read(text in prop::collection::vec(any::<u8>(), 0..80)) {
        lexed(&text);
    }

    #[test]
    fn moves_are_read_alike(text in moves()) {
        lexed(text.as_bytes());
    }

    #[test]
    fn a_block_may_be_cut_after_any_line(text in block_of_anything(), pick: prop::sample::Index) {
        let lines = lexed(&text).lines.len();
        prop_assume!(lines > 0);
        lines::cut_before(&text, pick.index(lines));
    }

    #[test]
    fn edits_change_only_what_they_name(text in block_of_anything()) {
        lines::edited(&text);
    }
}
