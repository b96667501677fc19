//! Lines, cells and numbers of a sheet, each with its place for messages.

use std::ops::Range;

use crate::error::{Error, ErrorKind, Excerpt, Result, is_utf16};

/// Longest sheet that is read, bytes: some thousand rows.
const LONGEST: usize = 1 << 20;

/// A cell with the bytes of its line it came from.
#[derive(Clone, Debug)]
pub(super) struct Cell {
    pub text: String,
    pub span: Range<usize>,
}

/// A line of the sheet.
pub(super) struct Line<'t> {
    pub number: u64,
    pub text: &'t str,
    pub cells: Vec<Cell>,
    /// Decimals may have a comma: the columns are separated by something else.
    commas: bool,
}

/// What is wrong with a cell, before it is known where it stands.
pub(super) struct Wrong {
    pub what: String,
    pub label: &'static str,
    pub help: String,
}

/// The text of a file: UTF-8 with or without a byte order mark, else the letters of western Europe; `\n` line ends.
pub(super) fn decode(bytes: &[u8]) -> Result<String> {
    let refuse = |what: &str, help: &str| Err(plain_fault(what, help));
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    if bytes.starts_with(b"PK") || bytes.starts_with(b"\xd0\xcf\x11\xe0") {
        return refuse(
            "this is a workbook of a spreadsheet program, not a CSV file",
            "save the sheet as CSV and use that file",
        );
    }
    if is_utf16(bytes) {
        return refuse(
            "this is UTF-16 text, and a sheet is UTF-8",
            "save the sheet as CSV, with the character set UTF-8",
        );
    }
    if bytes.contains(&0) {
        return refuse("this is not plain text in UTF-8", "save the sheet as CSV, with the character set UTF-8");
    }
    if bytes.len() > LONGEST {
        return refuse("the sheet is longer than 1 MiB", "a sheet of weighings has some dozen rows; check the path");
    }
    if bytes.iter().all(u8::is_ascii_whitespace) {
        return refuse("the sheet is empty", "write one with `meltwright weigh plan` and fill it in");
    }
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        // Older spreadsheets write one byte a letter; only names and notes have such letters.
        Err(_) => bytes.iter().map(|byte| char::from(*byte)).collect(),
    };
    Ok(text.replace("\r\n", "\n").replace('\r', "\n"))
}

/// A name as it is compared: without quotes and blanks, in lower case.
pub(super) fn bare(cell: &str) -> String {
    cell.trim().trim_matches('"').trim().to_lowercase()
}

impl<'t> Line<'t> {
    /// The cells of a line; `None` for an empty one and for what is left out.
    pub fn split(number: u64, text: &'t str, separator: u8) -> Result<Option<Self>> {
        let start = bare(text);
        if start.starts_with('#') || start.starts_with("sep=") {
            return Ok(None);
        }
        let whole = |what: &str, help: &str| fault(number, text, 0..text.len(), what, "this row", help);
        if text.matches('"').count() % 2 == 1 {
            return Err(whole(
                "a quoted cell has no end in this row",
                "take the line break or the quotation mark out of the cell",
            ));
        }
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(separator)
            .from_reader(text.as_bytes());
        let mut record = csv::ByteRecord::new();
        let read = reader.read_byte_record(&mut record);
        read.map_err(|_| whole("this row cannot be read", "save the sheet again as CSV"))?;
        let quoted = text.contains('"');
        let mut from = 0;
        let cells = record.iter().enumerate().map(|(index, field)| {
            let content = String::from_utf8_lossy(field);
            let trimmed = content.trim();
            let lead = content.len() - content.trim_start().len();
            // Without quotes a cell stands in the line as it is, with one separator before each but the first.
            let start = match record.range(index) {
                Some(range) if !quoted => range.start + index + lead,
                _ => text.get(from..).and_then(|rest| rest.find(trimmed)).map_or(from, |at| from + at),
            };
            from = (start + trimmed.len()).min(text.len());
            Cell { text: trimmed.to_owned(), span: start..start + trimmed.len() }
        });
        let cells: Vec<Cell> = cells.collect();
        let empty = cells.iter().all(|cell| cell.text.is_empty());
        Ok((!empty).then_some(Self { number, text, cells, commas: separator != b',' }))
    }

    pub fn text_of(&self, at: usize) -> &str {
        self.cells.get(at).map_or("", |cell| &cell.text)
    }

    pub fn fault(&self, at: usize, what: &str, label: &'static str, help: &str) -> Error {
        let span = self.cells.get(at).map_or(self.text.len()..self.text.len(), |cell| cell.span.clone());
        fault(self.number, self.text, span, what, label, help)
    }

    /// A number in a cell; `None` if it is empty.
    pub fn number(&self, at: Option<usize>, name: &str, range: Range<f64>) -> Result<Option<f64>> {
        let Some(at) = at else { return Ok(None) };
        number(self.text_of(at), name, range, self.commas)
            .map_err(|wrong| self.fault(at, &wrong.what, wrong.label, &wrong.help))
    }

    /// A number that has to be there.
    pub fn needed(&self, at: usize, name: &str, range: Range<f64>) -> Result<f64> {
        self.number(Some(at), name, range)?.ok_or_else(|| {
            self.fault(
                at,
                &format!("`{name}` is empty in a row that has a mass"),
                "no number",
                "fill it in, or put # before the row to leave it out",
            )
        })
    }
}

/// Reads a number and holds it against its range, both ends included.
pub(super) fn number(text: &str, name: &str, range: Range<f64>, commas: bool) -> Result<Option<f64>, Wrong> {
    if text.is_empty() {
        return Ok(None);
    }
    let wrong = |what: String, label, help: &str| Wrong { what, label, help: help.to_owned() };
    let plain = text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'+' | b'-' | b'.' | b','));
    let marks = text.bytes().filter(|byte| matches!(byte, b'.' | b',')).count();
    if plain && text.contains(',') && !commas {
        let help = "write a decimal point, or save the sheet with semicolons between the columns";
        return Err(wrong(format!("`{text}` has a comma, but commas separate the columns"), "decimal comma", help));
    }
    let value = if plain && marks <= 1 { text.replace(',', ".").parse::<f64>().ok() } else { None };
    let Some(value) = value.filter(|value| value.is_finite()) else {
        let help = "write a bare number without unit and without thousands separators; the unit stands in the name";
        return Err(wrong(format!("`{name}` is not a number"), "not a number", help));
    };
    let (least, most) = (range.start, range.end);
    if value < least || value > most {
        let (what, label) = if value < 0.0 {
            (format!("`{name}` must not be below zero"), "below zero")
        } else if value == 0.0 && least < 0.01 {
            (format!("`{name}` must be above zero"), "zero")
        } else {
            (format!("`{name}` must lie between {least} and {most}"), "out of range")
        };
        let help = "correct it, or put # before the row to leave it out";
        return Err(wrong(what, label, help));
    }
    Ok(Some(value))
}

pub(super) fn plain_fault(what: &str, help: &str) -> Error {
    Error::new(ErrorKind::Sheet { what: what.to_owned(), help: help.to_owned() })
}

pub(super) fn fault(number: u64, text: &str, span: Range<usize>, what: &str, label: &str, help: &str) -> Error {
    plain_fault(what, help).at(Excerpt::new(number, text.as_bytes(), span.start, span.end, label))
}
