//! The sheet of weighings: a small table that any spreadsheet program can edit.

use std::collections::HashSet;

use super::cells::{Cell, Line, Wrong, bare, decode, fault, number, plain_fault};
use super::conditions::{Conditions, FeedMode};
use crate::error::{Error, Result};

/// Most weighings of a sheet, drools included: far more than anybody weighs, and few enough to be judged in a moment.
const MOST_ROWS: usize = 500;

/// Columns of the sheet: name, whether it has to be there, and what stands in it.
pub const SHEET_COLUMNS: [(&str, bool, &str); 8] = [
    ("kind", true, "run: a weighed strand; drool: what came out after stops"),
    ("run", false, "number in the order they were run; without it, the order of the rows"),
    ("rpm", true, "screw speed, rev/min; of a drool, the speed before the stop"),
    ("seconds", true, "how long the screw turned, s; of a drool, how long it was collected"),
    ("stops", false, "of a drool, how many stops were collected together; empty for one"),
    ("tare_g", false, "mass of the cup, g, where it is part of mass_g; empty for none"),
    ("mass_g", true, "mass on the scale, g; a row without it is passed over"),
    ("note", false, "anything"),
];

/// Settings of the sheet: name, whether it has to be there, and what it says.
pub const SHEET_SETTINGS: [(&str, bool, &str); 7] = [
    ("date", true, "day of the weighing, such as 2026-11-20"),
    ("lot", false, "lot of the feedstock; empty if not known"),
    ("temperature_c", true, "temperature of the nozzle in C"),
    ("nozzle_mm", true, "bore of the nozzle in mm"),
    ("feed_mode", true, "gravity (granules fall in) or forced (something pushes them)"),
    ("density_g_cm3", false, "density of the solid feedstock in g/cm3; empty takes the profile's"),
    ("scale_resolution_g", false, "smallest step the scale shows in g"),
];

/// A weighed strand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weighing {
    /// Line of the sheet, counted from 1.
    pub line: u64,
    /// Place in the order of running.
    pub order: f64,
    /// Screw speed, rev/min; above 0.
    pub rpm: f64,
    /// How long the screw turned, s; above 0.
    pub seconds: f64,
    /// Mass without the cup, g; above 0.
    pub mass_g: f64,
}

/// What came out after the screw had stopped.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drool {
    /// Line of the sheet, counted from 1.
    pub line: u64,
    /// Screw speed before the stop, rev/min; above 0.
    pub rpm: f64,
    /// How long it was collected, s; above 0.
    pub seconds: f64,
    /// How many stops were collected together; 1 or more.
    pub stops: f64,
    /// Mass of all of them without the cup, g; 0 or more.
    pub mass_g: f64,
}

/// A sheet that was read; every value is in its range.
///
/// Its file is a table that any spreadsheet program can edit. Rows of settings come first (`date`, `lot`,
/// `temperature_c`, ..: a name and its value; [`SHEET_SETTINGS`]), then one row with the names of the columns
/// ([`SHEET_COLUMNS`]), then one row for each weighing. Columns are separated by commas, semicolons or tabs; with
/// semicolons or tabs, decimals may be written with a comma. A byte order mark, any line ends, `sep=;` and empty cells
/// at the end of a row are what spreadsheets add, and harmless. Rows that start with `#` are left out.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheet {
    /// What was weighed with.
    pub conditions: Conditions,
    /// Density of the solid feedstock, g/cm³, if the sheet states it.
    pub density_g_cm3: Option<f64>,
    /// Smallest step of the scale, g, if the sheet states it.
    pub scale_resolution_g: Option<f64>,
    /// Step in which the masses are written, g: of the one with most decimals; infinite without masses.
    pub written_step_g: f64,
    /// Weighed strands, in the order they were run.
    pub runs: Vec<Weighing>,
    /// Drools.
    pub drools: Vec<Drool>,
    /// Rows without a mass.
    pub unfilled: usize,
}

impl Sheet {
    /// Reads a sheet from the bytes of its file.
    ///
    /// # Errors
    /// [`crate::error::ErrorKind::Sheet`] with the line and what to do, at the first thing that cannot be used.
    pub fn read(bytes: &[u8]) -> Result<Self> {
        let text = decode(bytes)?;
        let lines: Vec<&str> = text.split('\n').collect();
        let (header_at, separator) = find_header(&lines)?;
        let mut settings: [Option<Cell>; 7] = Default::default();
        let mut setting_places: Vec<(u64, &str)> = vec![(0, ""); settings.len()];
        let mut table: Option<Columns> = None;
        let (mut runs, mut drools, mut unfilled) = (Vec::new(), Vec::new(), 0);
        let mut numbers = HashSet::new();
        let mut decimals = None;
        for (index, text) in lines.iter().enumerate() {
            let Some(line) = Line::split(index as u64 + 1, text, separator)? else { continue };
            match &table {
                _ if index == header_at => table = Some(Columns::read(&line)?),
                None => {
                    let (at, value) = setting(&line)?;
                    if let (Some(cell), Some(place)) = (settings.get_mut(at), setting_places.get_mut(at)) {
                        if cell.is_some() {
                            return Err(line.fault(
                                0,
                                &format!("`{}` is given twice", line.text_of(0)),
                                "again",
                                "keep one of the two rows",
                            ));
                        }
                        (*cell, *place) = (Some(value), (line.number, line.text));
                    }
                }
                Some(columns) => {
                    match columns.row(&line, &mut numbers)? {
                        Row::Run(run) => runs.push(run),
                        Row::Drool(drool) => drools.push(drool),
                        Row::Unfilled => unfilled += 1,
                    }
                    decimals = decimals.max(columns.decimals(&line));
                }
            }
            if runs.len() + drools.len() > MOST_ROWS {
                return Err(line.fault(
                    0,
                    &format!("the sheet has more than {MOST_ROWS} weighings"),
                    "one too many",
                    "fit the weighings of one feedstock and one day, each as one row",
                ));
            }
        }
        let numbered = table.as_ref().is_some_and(|columns| columns.run.is_some());
        if numbered && runs.iter().all(|run| run.order > 0.0) {
            runs.sort_by(|a, b| a.order.total_cmp(&b.order));
        }
        for (index, run) in runs.iter_mut().enumerate() {
            run.order = (index + 1) as f64;
        }
        let read = Settings { cells: settings, places: setting_places, commas: separator != b',' };
        Ok(Self {
            conditions: read.conditions()?,
            density_g_cm3: read.number(5, 0.5, 5.0)?,
            scale_resolution_g: read.number(6, 1e-6, 100.0)?,
            written_step_g: decimals.map_or(f64::INFINITY, |decimals| 10_f64.powi(-decimals)),
            runs,
            drools,
            unfilled,
        })
    }
}

impl Sheet {
    /// Step of the scale, g: where the sheet does not say it, the one in which the masses are written.
    pub fn step_g(&self) -> f64 {
        self.scale_resolution_g.unwrap_or(self.written_step_g)
    }
}

/// Finds the row with the names of the columns, and what separates them.
fn find_header(lines: &[&str]) -> Result<(usize, u8)> {
    let mut best: Option<(usize, usize, u8)> = None;
    for (index, text) in lines.iter().enumerate().filter(|(_, text)| !bare(text).starts_with('#')) {
        for separator in *b",;\t" {
            let cells = text.split(char::from(separator)).map(bare);
            let known = cells.filter(|cell| SHEET_COLUMNS.iter().any(|column| column.0 == cell)).count();
            if known > best.map_or(1, |found| found.0) {
                best = Some((known, index, separator));
            }
        }
    }
    best.map(|(_, index, separator)| (index, separator)).ok_or_else(|| {
        plain_fault(
            "no row names the columns of the sheet",
            &format!(
                "put a row with {} above the weighings, or start from a sheet of `meltwright weigh plan`",
                required()
            ),
        )
    })
}

fn required() -> String {
    let names: Vec<&str> = SHEET_COLUMNS.iter().filter(|column| column.1).map(|column| column.0).collect();
    names.join(", ")
}

/// Number of a setting and its value.
fn setting(line: &Line<'_>) -> Result<(usize, Cell)> {
    let name = bare(line.text_of(0));
    let Some(at) = SHEET_SETTINGS.iter().position(|known| known.0 == name) else {
        let names: Vec<&str> = SHEET_SETTINGS.iter().map(|known| known.0).collect();
        return Err(line.fault(
            0,
            "there is no such setting",
            "not known",
            &format!("the settings are {}; put # before rows of your own", names.join(", ")),
        ));
    };
    let third = line.text_of(2);
    if !third.is_empty() && third.bytes().all(|byte| byte.is_ascii_digit()) {
        return Err(line.fault(
            2,
            &format!("`{name}` has two numbers"),
            "a decimal comma?",
            "commas separate the columns; write a decimal point",
        ));
    }
    let end = line.text.len();
    Ok((at, line.cells.get(1).cloned().unwrap_or(Cell { text: String::new(), span: end..end })))
}

/// The settings with the lines they stand in.
struct Settings<'t> {
    cells: [Option<Cell>; 7],
    places: Vec<(u64, &'t str)>,
    commas: bool,
}

impl Settings<'_> {
    fn fault(&self, at: usize, wrong: &Wrong) -> Error {
        let (number, text) = self.places.get(at).copied().unwrap_or((1, ""));
        let span = self.cells.get(at).and_then(Option::as_ref).map_or(0..0, |cell| cell.span.clone());
        fault(number, text, span, &wrong.what, wrong.label, &wrong.help)
    }

    /// The text of a setting; `None` if it is missing or empty.
    fn text(&self, at: usize) -> Option<&str> {
        self.cells.get(at).and_then(Option::as_ref).map(|cell| cell.text.as_str()).filter(|text| !text.is_empty())
    }

    fn name(at: usize) -> &'static str {
        SHEET_SETTINGS.get(at).map_or("", |setting| setting.0)
    }

    fn missing(&self, at: usize) -> Error {
        let (name, _, about) = SHEET_SETTINGS.get(at).copied().unwrap_or(("", true, ""));
        let what = format!("the sheet does not say `{name}`");
        if self.cells.get(at).is_some_and(Option::is_some) {
            return self.fault(at, &Wrong { what, label: "empty", help: format!("fill it in: {about}") });
        }
        plain_fault(&what, &format!("put a row `{name}` with its value above the table: {about}"))
    }

    fn number(&self, at: usize, least: f64, most: f64) -> Result<Option<f64>> {
        let Some(text) = self.text(at) else { return Ok(None) };
        number(text, Self::name(at), least..most, self.commas).map_err(|wrong| {
            let help = "correct the setting; the unit stands in its name";
            self.fault(
                at,
                &Wrong { help: if wrong.label == "decimal comma" { wrong.help } else { help.to_owned() }, ..wrong },
            )
        })
    }

    fn conditions(&self) -> Result<Conditions> {
        let refuse =
            |at, what: String, label, help: &str| self.fault(at, &Wrong { what, label, help: help.to_owned() });
        let date = self.text(0).ok_or_else(|| self.missing(0))?;
        let date = day(date).ok_or_else(|| {
            refuse(
                0,
                "the date is not understood".to_owned(),
                "no such day",
                "write year, month and day as in 2026-11-20; in a spreadsheet, format the cell as text",
            )
        })?;
        let lot = self.text(1).map(str::to_owned);
        if lot.as_ref().is_some_and(|lot| !is_lot(lot)) {
            return Err(refuse(
                1,
                "the lot has a letter that notes of a profile need".to_owned(),
                "semicolon or equals sign",
                "write the lot without semicolons and equals signs",
            ));
        }
        let temperature_c = self.number(2, 20.0, 500.0)?.ok_or_else(|| self.missing(2))?;
        let nozzle_mm = self.number(3, 0.1, 10.0)?.ok_or_else(|| self.missing(3))?;
        let mode = self.text(4).ok_or_else(|| self.missing(4))?.to_lowercase();
        let feed_mode = FeedMode::ALL.iter().find(|(word, _)| *word == mode).ok_or_else(|| {
            refuse(
                4,
                "the feed mode must be gravity or forced".to_owned(),
                "neither",
                "write gravity if granules fall in by themselves, forced if something pushes them",
            )
        })?;
        Ok(Conditions { date, lot, temperature_c, nozzle_mm, feed_mode: feed_mode.1 })
    }
}

/// `2026-11-20` or `20.11.2026`, as year-month-day; `None` if there is no such day or its order cannot be known.
fn day(text: &str) -> Option<String> {
    let number = |part: &str| part.parse::<u32>().ok().filter(|_| part.bytes().all(|byte| byte.is_ascii_digit()));
    let (parts, iso): (Vec<&str>, bool) =
        if text.contains('-') { (text.split('-').collect(), true) } else { (text.split('.').collect(), false) };
    let [first, month, last] = parts.as_slice() else { return None };
    let (year, day) = if iso { (number(first)?, number(last)?) } else { (number(last)?, number(first)?) };
    let month = number(month)?;
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let days = match month {
        2 => 28 + u32::from(leap),
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => return None,
    };
    ((1900..=2200).contains(&year) && (1..=days).contains(&day)).then(|| format!("{year:04}-{month:02}-{day:02}"))
}

/// Where each column stands.
struct Columns {
    kind: usize,
    run: Option<usize>,
    rpm: usize,
    seconds: usize,
    stops: Option<usize>,
    tare: Option<usize>,
    mass: usize,
    note: Option<usize>,
    width: usize,
}

/// What one row is.
enum Row {
    Run(Weighing),
    Drool(Drool),
    Unfilled,
}

impl Columns {
    fn read(line: &Line<'_>) -> Result<Self> {
        let mut places: [Option<usize>; 8] = [None; 8];
        for (index, cell) in line.cells.iter().enumerate().filter(|(_, cell)| !cell.text.is_empty()) {
            let name = bare(&cell.text);
            let known = SHEET_COLUMNS.iter().position(|column| column.0 == name);
            let Some(place) = known.and_then(|at| places.get_mut(at)) else {
                let names: Vec<&str> = SHEET_COLUMNS.iter().map(|column| column.0).collect();
                return Err(line.fault(
                    index,
                    "there is no such column",
                    "not known",
                    &format!("the columns are {}; remarks go into note", names.join(", ")),
                ));
            };
            if place.replace(index).is_some() {
                return Err(line.fault(
                    index,
                    &format!("the column `{name}` is there twice"),
                    "again",
                    "keep one of the two",
                ));
            }
        }
        let missing: Vec<String> = SHEET_COLUMNS
            .iter()
            .zip(&places)
            .filter(|(column, place)| column.1 && place.is_none())
            .map(|(column, _)| format!("`{}` ({})", column.0, column.2))
            .collect();
        let [Some(kind), run, Some(rpm), Some(seconds), stops, tare, Some(mass), note] = places else {
            let what = if missing.len() == 1 { "a column is missing" } else { "columns are missing" };
            let whole = 0..line.text.len();
            return Err(fault(
                line.number,
                line.text,
                whole,
                what,
                "the columns",
                &format!("add {}", missing.join(" and ")),
            ));
        };
        Ok(Self { kind, run, rpm, seconds, stops, tare, mass, note, width: line.cells.len() })
    }

    /// Decimals with which the mass of a row is written; `None` if it has none.
    fn decimals(&self, line: &Line<'_>) -> Option<i32> {
        let text = line.text_of(self.mass);
        let behind = text.split_once(['.', ',']).map_or(0, |(_, behind)| behind.len());
        (!text.is_empty()).then(|| i32::try_from(behind).unwrap_or(i32::MAX))
    }

    fn row(&self, line: &Line<'_>, numbers: &mut HashSet<u64>) -> Result<Row> {
        if let Some((index, _)) = line.cells.iter().enumerate().skip(self.width).find(|(_, cell)| !cell.text.is_empty())
        {
            return Err(line.fault(
                index,
                "this row has more cells than there are columns",
                "one too many",
                "write decimals with a point, or save the sheet with semicolons between the columns",
            ));
        }
        let kind = bare(line.text_of(self.kind));
        if !matches!(kind.as_str(), "run" | "drool") {
            return Err(line.fault(
                self.kind,
                "the kind of a row must be run or drool",
                "neither",
                "write run for a weighed strand, drool for what came out after stops; put # before rows of your own",
            ));
        }
        let Some(mass) = line.number(Some(self.mass), "mass_g", 0.0..1e5)? else {
            return Ok(Row::Unfilled);
        };
        // Whole grams with digits alone in the note behind them are most likely one number.
        let digits = |at: usize| !line.text_of(at).is_empty() && line.text_of(at).bytes().all(|b| b.is_ascii_digit());
        if let Some(note) = self.note.filter(|note| *note == self.mass + 1 && digits(*note) && digits(self.mass)) {
            return Err(line.fault(
                note,
                "the note is a number, and the mass has no decimals",
                "a decimal comma?",
                "commas separate the columns; write a decimal point, and a word beside numbers in notes",
            ));
        }
        let rpm = line.needed(self.rpm, "rpm", 1e-3..1e4)?;
        let seconds = line.needed(self.seconds, "seconds", 1e-3..86_400.0)?;
        let tare = line.number(self.tare, "tare_g", 0.0..1e5)?.unwrap_or(0.0);
        let mass_g = mass - tare;
        if mass_g < 0.0 {
            return Err(line.fault(self.mass, "the mass is below that of the cup", "less than tare_g", "mass_g is the mass on the scale, cup and melt together; leave tare_g empty if the scale was set to zero"));
        }
        let order = line.number(self.run, "run", 1.0..1e6)?;
        if let (Some(order), Some(at)) = (order, self.run) {
            if order.fract() != 0.0 {
                return Err(line.fault(
                    at,
                    "`run` must be a whole number",
                    "not whole",
                    "number the runs 1, 2, 3 in the order they were run",
                ));
            }
            // In range and whole, as just checked.
            if !numbers.insert(order as u64) {
                return Err(line.fault(
                    at,
                    "this number of a run is there twice",
                    "again",
                    "number the runs 1, 2, 3 in the order they were run",
                ));
            }
        }
        if kind == "drool" {
            let stops = line.number(self.stops, "stops", 1.0..1e4)?.unwrap_or(1.0);
            if let Some(at) = self.stops.filter(|_| stops.fract() != 0.0) {
                return Err(line.fault(at, "`stops` must be a whole number", "not whole", "count the stops collected"));
            }
            return Ok(Row::Drool(Drool { line: line.number, rpm, seconds, stops, mass_g }));
        }
        if let Some(at) = self.stops.filter(|at| line.text_of(*at).bytes().any(|byte| byte != b'0')) {
            return Err(line.fault(
                at,
                "a run has no stops",
                "only drools have",
                "leave it empty, or write drool as the kind of what came out after stops",
            ));
        }
        if mass_g == 0.0 {
            return Err(line.fault(
                self.mass,
                "nothing was weighed in this run",
                "zero",
                "if the screw gave nothing at this speed, put # before the row and stay below that speed",
            ));
        }
        Ok(Row::Run(Weighing { line: line.number, order: order.unwrap_or(0.0), rpm, seconds, mass_g }))
    }
}

/// Whether the notes of a profile can name this lot: semicolons and equals signs part them.
pub(super) fn is_lot(text: &str) -> bool {
    !text.contains([';', '=']) && !text.chars().any(char::is_control)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SHEET: &str = "date,2026-11-20\nlot,2024-117\ntemperature_c,205\nnozzle_mm,1.2\nfeed_mode,gravity\n\
        density_g_cm3,1.12,from the data sheet\nscale_resolution_g,0.01\n\nkind,rpm,seconds,mass_g\n\
        run,30,120,11.25\nrun,60,60,11.5\ndrool,60,20,0.4\nrun,90,60,\n";

    fn read(text: &str) -> Sheet {
        Sheet::read(text.as_bytes()).expect("a sound sheet")
    }

    #[test]
    fn a_plain_sheet() {
        let sheet = read(SHEET);
        assert_eq!(
            sheet.conditions.to_string(),
            "date=2026-11-20; lot=2024-117; temperature_c=205; nozzle_mm=1.2; feed_mode=gravity"
        );
        assert_eq!((sheet.density_g_cm3, sheet.scale_resolution_g, sheet.unfilled), (Some(1.12), Some(0.01), 1));
        assert!((sheet.written_step_g - 0.01).abs() < 1e-12, "{}", sheet.written_step_g);
        assert_eq!(sheet.runs.len(), 2);
        assert_eq!(sheet.runs[1], Weighing { line: 11, order: 2.0, rpm: 60.0, seconds: 60.0, mass_g: 11.5 });
        assert_eq!(sheet.drools, [Drool { line: 12, rpm: 60.0, seconds: 20.0, stops: 1.0, mass_g: 0.4 }]);
    }

    #[test]
    fn what_spreadsheets_make_of_it_reads_the_same() {
        let plain = read(SHEET);
        let variants = [
            SHEET.replace('\n', "\r\n"),
            SHEET.replace('\n', "\r"),
            format!("\u{feff}{SHEET}"),
            SHEET.replace(',', ";").replace('.', ","),
            SHEET.replace(',', "\t").replace('.', ","),
            SHEET.replace(',', ";"),
            SHEET.replace("2026-11-20", "20.11.2026"),
            SHEET.replace("\n", ",,,,\n"),
            SHEET.replace("kind,rpm", "\"Kind\",\"RPM\"").replace("run,30", "\"run\",\"30\""),
        ];
        for variant in variants {
            assert_eq!(read(&variant), plain, "{variant}");
        }
        assert_eq!(read(&format!("sep=;\n{}", SHEET.replace(',', ";"))).runs.len(), 2);
    }

    #[test]
    fn letters_of_older_spreadsheets() {
        let bytes: Vec<u8> =
            SHEET.replace("2024-117", "B~117").bytes().map(|b| if b == b'~' { 0xfc } else { b }).collect();
        assert_eq!(Sheet::read(&bytes).expect("a sound sheet").conditions.lot.as_deref(), Some("Bü117"));
    }

    #[test]
    fn order_cups_and_stops() {
        let text = SHEET.replace(
            "kind,rpm,seconds,mass_g\nrun,30,120,11.25\nrun,60,60,11.5\ndrool,60,20,0.4\n",
            "run,kind,rpm,seconds,stops,tare_g,mass_g,note\n2,run,30,120,,5,16.25,\"first, said he\"\n1,run,60,60,,,11.5,\n3,drool,60,20,5,1,3,\n#4,run,1,1,,,1,\n",
        );
        let sheet = read(&text.replace("run,90,60,\n", ""));
        let runs: Vec<_> = sheet.runs.iter().map(|run| (run.order, run.rpm, run.mass_g)).collect();
        assert_eq!(runs, [(1.0, 60.0, 11.5), (2.0, 30.0, 11.25)]);
        assert_eq!((sheet.drools[0].stops, sheet.drools[0].mass_g), (5.0, 2.0));
    }

    /// The sheet of a plan has an empty note behind each mass, so a decimal comma makes one cell too many of no text.
    #[test]
    fn a_decimal_comma_is_no_note() {
        let head = "date,2026-11-20\ntemperature_c,210\nnozzle_mm,1\nfeed_mode,gravity\n\
            kind,run,rpm,seconds,stops,tare_g,mass_g,note\n";
        let said = |row: &str| Sheet::read(format!("{head}{row}\n").as_bytes()).map_err(|error| error.to_string());
        for row in ["run,1,24,1200,,,11,96,", "drool,3,48,15,10,,0,19,", "run,1,24,1200,,,11,96"] {
            assert!(said(row).unwrap_err().contains("the note is a number"), "{row}");
        }
        for row in
            ["run,1,24,1200,,,11.96,", "run,1,24,1200,,,11,cup 3", "run,1,24,1200,,,11.5,3", "run,1,24,1200,,,11,"]
        {
            assert!(said(row).is_ok(), "{row}: {:?}", said(row));
        }
        for (row, what) in [
            ("drool,3,48,15,1.5,,0.2,", "`stops` must be a whole number"),
            ("run,1,24,1200,3,,11.5,", "a run has no stops"),
            ("run,0,24,1200,,,11.5,", "`run` must lie between 1 and 1000000"),
        ] {
            assert!(said(row).unwrap_err().contains(what), "{row}: {:?}", said(row));
        }
    }

    #[test]
    fn days() {
        for (text, known) in [("2026-11-20", "2026-11-20"), ("1.3.2026", "2026-03-01"), ("2024-2-29", "2024-02-29")] {
            assert_eq!(day(text).as_deref(), Some(known));
        }
        for text in ["2026-02-29", "2026-13-01", "11/20/2026", "20.11.26", "today", "-1-1-2026", "2026-11"] {
            assert_eq!(day(text), None, "{text}");
        }
    }

    proptest! {
        #[test]
        fn nothing_makes_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200), at in 0_usize..400) {
            let _ = Sheet::read(&bytes);
            // Noise in the middle of a sound sheet goes further in.
            let mut sheet = SHEET.as_bytes().to_vec();
            let at = at.min(sheet.len());
            sheet.splice(at..at, bytes.iter().copied().take(4));
            if let Err(error) = Sheet::read(&sheet) {
                prop_assert!(!error.to_string().is_empty() && error.kind().help().is_some());
            }
        }
    }
}
