//! The same file spelled otherwise gets the same account: line ends, case, white space, comments, empty lines, zeros and
//! the order of words have no meaning.

#[path = "support/corpus.rs"]
mod corpus;

use std::io::Cursor;
use std::path::Path;

use meltwright::line::{Block, LineKind, Word};
use meltwright::pipeline::{self, Options};
use meltwright::profile::{Assignment, Profile};
use serde_json::Value;

/// Spells one line anew: its words, and the text behind them up to its end.
type Respell = fn(&[Spelled<'_>], &str) -> String;

/// A word: its letter, and its number as written.
#[derive(Clone, Copy)]
struct Spelled<'a> {
    letter: &'a str,
    number: &'a str,
}

const WAYS: [(&str, Respell); 9] = [
    ("CR before the line end", |words, rest| format!("{}{}\r\n", spaced(words, " "), rest.trim_end_matches('\r'))),
    ("lower case", |words, rest| format!("{}{rest}\n", spaced(words, " ").to_ascii_lowercase())),
    ("no spaces", |words, rest| format!("{}{rest}\n", spaced(words, ""))),
    ("tabs and spaces", |words, rest| format!("  {}\t{rest}\n", spaced(words, " \t "))),
    ("comments", |words, rest| {
        let more = if rest.contains(';') { "" } else { " ; beside the pad" };
        format!("{}{}{more}\n", spaced(words, " "), rest.trim_end_matches('\r'))
    }),
    ("empty lines", |words, rest| format!("{}{rest}\n\n \t\n", spaced(words, " "))),
    ("long comments between", |words, rest| format!("{}{rest}\n; {}\n", spaced(words, " "), "-".repeat(300))),
    ("more zeros", |words, rest| {
        let padded: Vec<String> = words.iter().map(padded).collect();
        format!("{}{rest}\n", padded.join(" "))
    }),
    ("another order", |words, rest| {
        let mut words = words.to_vec();
        if let [Spelled { letter: "G", number: "0" | "1" | "2" | "3" }, others @ ..] = words.as_mut_slice() {
            others.reverse();
        }
        format!("{}{rest}\n", spaced(&words, " "))
    }),
];

fn spaced(words: &[Spelled<'_>], between: &str) -> String {
    let words: Vec<String> = words.iter().map(|word| format!("{}{}", word.letter, word.number)).collect();
    words.join(between)
}

fn padded(Spelled { letter, number }: &Spelled<'_>) -> String {
    let (sign, size) = match number.strip_prefix(['-', '+']) {
        Some(size) => (&number[..1], size),
        None => ("", *number),
    };
    match *letter {
        "G" | "M" | "T" => format!("{letter}{number}"),
        _ if number.is_empty() => (*letter).to_owned(),
        _ if size.contains('.') => format!("{letter}{sign}0{size}0"),
        _ => format!("{letter}{sign}0{size}.0"),
    }
}

/// The text with its lines of plain words spelled in another way.
fn respelled(text: &str, way: Respell) -> String {
    let mut block = Block { bytes: text.as_bytes().to_vec(), first_line: 1, ..Block::default() };
    block.lex();
    let mut out = String::new();
    for (line, whole) in block.lines.iter().zip(text.split_inclusive('\n')) {
        let words = block.words_of(line);
        // What reads the text itself, as notes and numbered lines do, stays.
        if line.kind != LineKind::Code || line.flags != 0 || words.is_empty() || whole.contains('(') {
            out.push_str(whole);
            continue;
        }
        let at = |from: u32, to: u32| &text[from as usize..to as usize];
        let spelled = |word: &Word| Spelled {
            letter: at(word.start, word.start + 1),
            number: at(word.start + 1, word.end()).trim_start(),
        };
        let words: Vec<_> = words.iter().map(spelled).collect();
        out.push_str(&way(&words, whole[(line.code_end - line.start) as usize..].trim_end_matches('\n')));
    }
    out
}

/// What a rewrite says of a text, without what tells where in it something stands and how it is spelled.
fn account(text: &str, profile: &Profile) -> Value {
    let options = Options { hash: false, ..Options::default() };
    let summary = pipeline::rewrite(&mut Cursor::new(text), &mut std::io::sink(), profile, &options, &mut |_| {})
        .expect("an account");
    let mut account = serde_json::to_value(summary).expect("a value");
    strip(&mut account);
    account
}

fn strip(value: &mut Value) {
    match value {
        Value::Object(map) => {
            map.retain(|key, _| {
                !matches!(key.as_str(), "provenance" | "findings" | "line" | "lines") && !key.ends_with("_line")
            });
            map.values_mut().for_each(strip);
        }
        Value::Array(list) => list.iter_mut().for_each(strip),
        _ => {}
    }
}

fn assert_same_account(name: &str, text: &str) {
    for preset in ["host", "board"] {
        let settings = [format!("controller.preset={preset}"), "screw.virtual_diameter_mm=1.75".to_owned()];
        let settings: Vec<Assignment> = settings.iter().map(|text| text.parse().expect("an assignment")).collect();
        let profile = Profile::embedded_with(&settings).expect("a sound profile");
        let expected = account(text, &profile);
        for (way, respell) in WAYS {
            let other = respelled(text, respell);
            assert_ne!(other, text, "{name}: nothing is spelled otherwise with {way}");
            let found = account(&other, &profile);
            assert!(
                found == expected,
                "{name}, {preset}: another account with {way}: {}",
                difference(&expected, &found, "")
            );
        }
    }
}

/// The first place at which two values differ.
fn difference(expected: &Value, found: &Value, at: &str) -> String {
    let inner = match (expected, found) {
        (Value::Object(a), Value::Object(b)) => a
            .iter()
            .find(|(key, value)| b.get(*key) != Some(value))
            .map(|(key, value)| (value, b.get(key), key.clone())),
        (Value::Array(a), Value::Array(b)) => {
            a.iter().enumerate().find(|(k, v)| b.get(*k) != Some(v)).map(|(k, v)| (v, b.get(k), k.to_string()))
        }
        _ => None,
    };
    match inner {
        Some((expected, found, key)) => difference(expected, found.unwrap_or(&Value::Null), &format!("{at}/{key}")),
        None => format!("{at}: {found}, expected {expected}"),
    }
}

#[test]
fn the_demo_spelled_otherwise() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/demo/casting_pads.gcode");
    assert_same_account("demo", &std::fs::read_to_string(path).expect("the demo"));
}

/// Among them arcs with moves of a few motor steps between them, two tools, and reversals by the controller.
#[test]
fn real_files_spelled_otherwise() {
    let Some(files) = corpus::files() else { return };
    let wanted =
        ["multi-filament-rel-e-arcs-01.gcode", "abs-e-plain-01.gcode", "firmware-retract-dwell-many-decimals-01.gcode"];
    let mut seen = 0;
    for path in files {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        if wanted.contains(&name.as_str()) {
            seen += 1;
            let text = std::fs::read(&path).unwrap_or_else(|error| panic!("{name}: {error}"));
            assert_same_account(&name, &String::from_utf8_lossy(&text));
        }
    }
    assert_eq!(seen, wanted.len(), "files are missing from the collection");
}
