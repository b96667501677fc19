//! Recognises, from the first bytes, what is not plain G-code text.
//!
//! A refusal names what the input seems to be and how to get plain text out of it. Anything doubtful passes:
//! the lexer copes with odd bytes.

use crate::error::{Error, ErrorKind, Result, is_utf16};

/// How many bytes from the start of a file are worth looking at.
///
/// 64 KiB holds several lines of any real file, so that a missing line feed says something.
pub const HEAD: usize = 64 * 1024;

const UNPACK: &str = "unpack it first and pass the G-code file inside";
const SLICE: &str = "slice the model first and pass the exported G-code";
const NOT_TEXT: &str = "pass the plain text G-code that the slicing program exported";

/// First bytes of a format, its name, and the remedy.
struct Magic {
    at: usize,
    bytes: &'static [u8],
    what: &'static str,
    help: &'static str,
}

const fn magic(bytes: &'static [u8], what: &'static str, help: &'static str) -> Magic {
    Magic { at: 0, bytes, what, help }
}

/// Formats that their first bytes give away. None of these can start a G-code file.
const MAGICS: &[Magic] = &[
    magic(
        b"GCDE",
        "binary G-code",
        "export plain text G-code: switch off the binary form in the slicing program's printer settings",
    ),
    magic(b"PK\x03\x04", "a zip archive or a 3MF project", UNPACK),
    magic(b"PK\x05\x06", "an empty zip archive", UNPACK),
    magic(b"PK\x07\x08", "a split zip archive", UNPACK),
    magic(b"\x1f\x8b", "a gzip file", UNPACK),
    magic(b"\xfd7zXZ\0", "an xz file", UNPACK),
    magic(b"\x28\xb5\x2f\xfd", "a zstd file", UNPACK),
    magic(b"7z\xbc\xaf\x27\x1c", "a 7z archive", UNPACK),
    magic(b"Rar!\x1a\x07", "a rar archive", UNPACK),
    magic(b"BZh", "a bzip2 file", UNPACK),
    magic(b"\x04\x22\x4d\x18", "an lz4 file", UNPACK),
    Magic { at: 257, bytes: b"ustar", what: "a tar archive", help: UNPACK },
    magic(b"%PDF", "a PDF document", NOT_TEXT),
    magic(b"\x89PNG\r\n\x1a\n", "a PNG image", NOT_TEXT),
    magic(b"\xff\xd8\xff", "a JPEG image", NOT_TEXT),
    magic(b"GIF8", "a GIF image", NOT_TEXT),
    magic(b"\x7fELF", "a program for Unix", NOT_TEXT),
    magic(b"\xcf\xfa\xed\xfe", "a program", NOT_TEXT),
    magic(b"\xca\xfe\xba\xbe", "a program", NOT_TEXT),
    magic(b"<?xml", "an XML document", NOT_TEXT),
    magic(b"<!DOCTYPE", "a web page", NOT_TEXT),
    magic(b"<!doctype", "a web page", NOT_TEXT),
    magic(b"<html", "a web page", NOT_TEXT),
];

/// Refuses what is not plain G-code text; `head` is the start of the input, at most [`HEAD`] bytes of it.
///
/// # Errors
/// [`ErrorKind::NotGcode`] with what it seems to be and the remedy.
pub fn sniff(head: &[u8]) -> Result<()> {
    if head.is_empty() {
        return refuse("the file is empty", "export the G-code again");
    }
    for magic in MAGICS {
        let at = head.get(magic.at..).unwrap_or_default();
        if at.starts_with(magic.bytes) {
            return seems(magic.what, magic.help);
        }
    }
    if head.starts_with(b"MZ") && head.iter().take(64).any(|&b| b == 0) {
        return seems("a program for Windows", NOT_TEXT);
    }
    if !head.is_empty() && head.iter().all(|&b| b == 0) {
        return refuse(
            "the file begins with nothing but NUL bytes",
            "its content was lost, as when the power fails; export it again",
        );
    }
    if is_text_stl(head) || is_binary_stl(head) {
        return seems("an STL model", SLICE);
    }
    if is_utf16(head) {
        return seems("UTF-16 text", "save the file as UTF-8 or plain ASCII text and try again");
    }
    if is_mostly_control(head) {
        return refuse("the file is binary, not text", NOT_TEXT);
    }
    if head.contains(&b'\r') && !head.contains(&b'\n') {
        return refuse(
            "the lines of this file end in bare carriage returns",
            "save it with line feeds (or carriage return and line feed) at the line ends; \
             most controllers would take it for one long line",
        );
    }
    Ok(())
}

fn seems(what: &str, help: &str) -> Result<()> {
    refuse(&format!("this is {what}, not plain text G-code"), help)
}

fn refuse(what: &str, help: &str) -> Result<()> {
    Err(Error::new(ErrorKind::NotGcode { what: what.to_owned(), help: help.to_owned() }))
}

fn is_text_stl(head: &[u8]) -> bool {
    let start = &head[..head.len().min(1024)];
    start.starts_with(b"solid") && start.windows(b"facet".len()).any(|window| window == b"facet")
}

/// A binary STL has no magic: 80 free bytes, a count of triangles, then 50 bytes each that end in two zeros.
fn is_binary_stl(head: &[u8]) -> bool {
    const HEADER: usize = 80;
    let Some((count, triangles)) = head.get(HEADER..).and_then(|rest| rest.split_first_chunk::<4>()) else {
        return false;
    };
    let mut whole = triangles.chunks_exact(50).peekable();
    // More triangles than 2^24 make a file of 840 MB; their count would look like text.
    u32::from_le_bytes(*count) < 1 << 24
        && whole.peek().is_some()
        && whole.all(|triangle| {
            triangle.ends_with(&[0, 0])
                && triangle
                    .chunks_exact(4)
                    .take(12)
                    .all(|number| number.first_chunk::<4>().is_some_and(|bytes| f32::from_le_bytes(*bytes).is_finite()))
        })
}

/// Half of it control bytes; or, as in compressed data, some of them among many bytes beyond ASCII.
///
/// Evenly spread bytes hold 11 % control bytes and 50 % beyond ASCII. Text of any language and encoding holds
/// next to no control bytes, so that 5 % is far from both.
fn is_mostly_control(head: &[u8]) -> bool {
    const ENOUGH: usize = 256;
    let control =
        head.iter().filter(|b| b.is_ascii_control() && !matches!(b, b'\t' | b'\n' | b'\r' | 0x0b | 0x0c)).count();
    let beyond = head.iter().filter(|b| !b.is_ascii()).count();
    control * 2 > head.len() || (head.len() >= ENOUGH && control * 20 > head.len() && beyond * 5 > head.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn what(head: &[u8]) -> String {
        match sniff(head) {
            Ok(()) => "passes".to_owned(),
            Err(error) => {
                let help = error.kind().help().unwrap_or_default();
                assert!(!help.is_empty(), "no remedy for {error}");
                error.to_string()
            }
        }
    }

    fn binary_stl() -> Vec<u8> {
        let mut bytes = vec![b' '; 80];
        bytes.extend(2_u32.to_le_bytes());
        for _ in 0..2 {
            for number in [0.0_f32, 0.0, 1.0, 0., 0., 0., 10., 0., 0., 0., 10., 0.] {
                bytes.extend(number.to_le_bytes());
            }
            bytes.extend([0, 0]);
        }
        bytes
    }

    fn spread_bytes() -> Vec<u8> {
        let mut state = 1_u32;
        (0..4096)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 24) as u8
            })
            .collect()
    }

    #[test]
    fn refuses_what_is_not_plain_text() {
        let mut tar = vec![0; 512];
        tar[..9].copy_from_slice(b"pad.gcode");
        tar[257..262].copy_from_slice(b"ustar");
        let utf16: Vec<u8> = "G1 X10 Y10\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
        let table: &[(&[u8], &str)] = &[
            (b"", "empty"),
            (b"GCDE\x01\0\0\0", "binary G-code"),
            (b"PK\x03\x04rest", "zip archive"),
            (b"PK\x05\x06", "zip archive"),
            (b"\x1f\x8b\x08", "gzip"),
            (b"\xfd7zXZ\0", "xz file"),
            (b"\x28\xb5\x2f\xfd", "zstd"),
            (b"7z\xbc\xaf\x27\x1c", "7z"),
            (b"Rar!\x1a\x07", "rar"),
            (b"BZh91AY", "bzip2"),
            (b"\x04\x22\x4d\x18", "lz4"),
            (&tar, "tar"),
            (b"%PDF-1.7", "PDF"),
            (b"\x89PNG\r\n\x1a\n", "PNG"),
            (b"\xff\xd8\xff\xe0", "JPEG"),
            (b"GIF89a", "GIF"),
            (b"\x7fELF", "program"),
            (b"MZ\x90\0\x03", "program"),
            (b"\xcf\xfa\xed\xfe", "program"),
            (b"<?xml version='1.0'?>", "XML"),
            (b"<!DOCTYPE html>", "web page"),
            (b"<html>", "web page"),
            (b"solid pad\n facet normal 0 0 1\n", "STL"),
            (&binary_stl(), "STL"),
            (&[0; 4096], "NUL bytes"),
            (b"\xff\xfeG\x001\0", "UTF-16"),
            (b"\xfe\xff\0G\x001", "UTF-16"),
            (&utf16, "UTF-16"),
            (b"G28\rG1 X1\r", "carriage returns"),
            (b"\x01\x02\x03\x04G1", "binary"),
            (&spread_bytes(), "binary"),
        ];
        for (head, expected) in table {
            let found = what(head);
            assert!(
                found.contains(expected),
                "{:?} gave {found:?}, expected {expected:?}",
                String::from_utf8_lossy(head)
            );
        }
    }

    #[test]
    fn passes_text_with_odd_bytes() {
        let mut latin = b"; d\xfcse 3 mm, \xb0C\n".repeat(40);
        latin.extend_from_slice(b"G1 X1\0\0 Y2\x07 E1\n");
        let other = "; сопло 3 мм 喷嘴\nG1 X1 E1\n".repeat(30);
        let long = [b"; ".as_slice(), &[b'x'; HEAD]].concat();
        let table: &[&[u8]] = &[
            b"G28\n",
            b"G28",
            b"\n\n\n",
            b";\xff\n",
            b"\xef\xbb\xbfG28\r\nG1 X1\r\n",
            b"G28\rG1 X1\n",
            b"G1 X1 E1\n\0\0\0\n",
            b"MZ in a note\n",
            b"solid pad for casting\nG28\n",
            b"N1 G28*18\n",
            &latin,
            other.as_bytes(),
            &long[..HEAD],
        ];
        for head in table {
            assert_eq!(what(head), "passes", "{:?}", String::from_utf8_lossy(head));
        }
    }
}
