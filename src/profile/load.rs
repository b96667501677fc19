//! Lays the sources of a profile over each other: defaults, controller preset, file, `--set`.
//!
//! Later sources win, key by key; each value remembers where it came from. All faults of a file and of the command
//! line are collected, so that one run shows them all.
//!
//! # Adding a key
//!
//! 1. Add the field to its struct in `mod.rs`, with unit and range in its comment.
//! 2. Add one row to the table in `keys.rs`: name, form, range check, meaning. Reading, writing, `--set`, the
//!    nearest-word help and the fingerprint follow from it. A new kind of value needs a form in `form.rs`.
//! 3. Give it a value in `default.toml` (or, for a controller rule, in every preset), with a comment for the user.
//!    An optional value may stay unset; show it commented out.
//! 4. If it can contradict another key, add the pair to `check.rs`.
//!
//! A new section is a new struct, a field of [`Profile`] and a new block of the table.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::Path;
use std::str::FromStr;

use toml::de::{DeTable, DeValue};

use super::fault::{Complaint, Faults, Refusal, Source, Where, nearest, quote};
use super::form::{Form, Node, Text, Word, comma_help, looks_like_comma_decimal, number_before_unit, wrong_type};
use super::keys::{KEYS, Key, blank};
use super::{Origin, Profile, Provenance, check, presets};
use crate::error::{Error, ErrorKind, ProfileFault, Result};

/// The embedded default profile.
pub(super) const DEFAULT: &str = include_str!("default.toml");

/// Longest text that is still taken for a profile, bytes.
pub(super) const LONGEST: usize = 256 * 1024;

/// One `--set section.key=value`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Assignment {
    /// Full name of the key, not yet known to exist.
    pub key: String,
    /// The value: TOML, or a bare word taken as text.
    pub value_text: String,
}

impl FromStr for Assignment {
    type Err = Error;

    /// Splits `section.key=value`. Whether key and value are good is said by [`Profile::load_with`].
    fn from_str(text: &str) -> Result<Self> {
        let usage = |what: String| {
            let help = "write section.key=value, for example --set screw.melt_lag_s=0.4".to_owned();
            Error::new(ErrorKind::Usage { what, help })
        };
        let Some((key, value)) = text.split_once('=') else {
            return Err(usage(format!("`{}` is not an assignment", quote(text))));
        };
        let (key, value_text) = (key.trim().to_owned(), value.trim().to_owned());
        if key.is_empty() {
            return Err(usage(format!("`{}` names no key", quote(text))));
        }
        if value_text.is_empty() {
            return Err(usage(format!("`{}` gives no value", quote(text))));
        }
        Ok(Self { key, value_text })
    }
}

impl Profile {
    /// Reads a profile; keys it leaves out come from its preset and the defaults. `name` is shown in messages.
    ///
    /// # Errors
    /// [`ErrorKind::Profile`] with every fault of the text.
    pub fn load(text: &str, name: impl AsRef<Path>) -> Result<Self> {
        Self::load_with(text, name, &[])
    }

    /// As [`Profile::load`], with assignments from the command line laid over it.
    ///
    /// # Errors
    /// [`ErrorKind::Profile`] with every fault of the text and of the assignments.
    pub fn load_with(text: &str, name: impl AsRef<Path>, assignments: &[Assignment]) -> Result<Self> {
        match assemble(text, assignments) {
            (profile, faults) if faults.is_empty() => Ok(profile),
            (_, faults) => Err(Error::new(ErrorKind::Profile(faults)).in_file(name.as_ref())),
        }
    }

    /// The defaults alone; every value is assumed.
    pub fn embedded() -> Self {
        assemble("", &[]).0
    }

    /// The defaults with assignments from the command line laid over them.
    ///
    /// # Errors
    /// [`ErrorKind::Profile`] with every fault of the assignments.
    pub fn embedded_with(assignments: &[Assignment]) -> Result<Self> {
        match assemble("", assignments) {
            (profile, faults) if faults.is_empty() => Ok(profile),
            (_, faults) => Err(Error::new(ErrorKind::Profile(faults))),
        }
    }
}

/// Lays all sources over each other.
fn assemble(text: &str, assignments: &[Assignment]) -> (Profile, Vec<ProfileFault>) {
    if text.len() > LONGEST {
        let what = format!("the profile is longer than {} KiB", LONGEST / 1024);
        let help = Some("this does not look like a profile; `profile new` writes one to start from".to_owned());
        return (Profile::embedded(), vec![ProfileFault { what, excerpt: None, label: String::new(), help }]);
    }
    if is_json(text) {
        let what = "this is JSON, and a profile is TOML".to_owned();
        let help = Some(
            "`profile new` writes one to start from; records and accounts of this program are no profiles".to_owned(),
        );
        return (Profile::embedded(), vec![ProfileFault { what, excerpt: None, label: String::new(), help }]);
    }
    let (blanked, lost) = blank_lost_lines(text);
    let file = Document::parse_blanked(text, &blanked, lost);
    let defaults = Document::parse(DEFAULT);
    let build = |rules| Layers::build(&defaults, &Document::parse(rules), &file, assignments);
    // The preset lies beneath the file that names it, so it has to be known before the layers are built.
    let preset = build("").profile.controller.preset.value;
    let layers = build(presets::rules(preset));
    (layers.profile, layers.faults.into_vec())
}

/// Whether a text begins as JSON does and TOML never does: with an object, or a list of objects.
fn is_json(text: &str) -> bool {
    let text = text.trim_start_matches('\u{feff}').trim_start();
    text.strip_prefix('[').unwrap_or(text).trim_start().starts_with('{')
}

/// A parsed text; parts that could be read are kept even where others could not.
struct Document<'t> {
    source: Source<'t>,
    table: DeTable<'t>,
    errors: Vec<toml::de::Error>,
    /// Lines that could not be read.
    broken: BTreeSet<usize>,
    /// Start of the first section header that could not be read: what follows may belong to any section.
    trusted: usize,
}

impl<'t> Document<'t> {
    /// Parses a text of the program itself.
    fn parse(text: &'t str) -> Self {
        Self::parse_blanked(text, text, Vec::new())
    }

    /// Parses `blanked`, a text in which the lines of `lost` were overwritten by spaces; quotes from `text`.
    fn parse_blanked(text: &'t str, blanked: &'t str, lost: Vec<toml::de::Error>) -> Self {
        let source = Source::new(text);
        let (table, mut errors) = DeTable::parse_recoverable(blanked);
        errors.extend(lost);
        let table = table.into_inner();
        let mut broken = BTreeSet::new();
        let mut trusted = usize::MAX;
        for span in errors.iter().filter_map(toml::de::Error::span) {
            let index = source.line_of(span.start);
            broken.insert(index);
            let (start, line) = source.line(index);
            if line.trim_start().starts_with('[') {
                trusted = trusted.min(start);
            }
        }
        Self { source, table, errors, broken, trusted }
    }

    /// Whether anything sensible can be said about the part of the text that `span` covers.
    fn readable(&self, span: Range<usize>) -> bool {
        span.start < self.trusted
            && self.broken.range(self.source.line_of(span.start)..=self.source.line_of(span.end)).next().is_none()
    }

    /// One refusal a broken line, in plain words where the slip is a common one.
    fn refusals(&self) -> Vec<Refusal> {
        let mut told = BTreeSet::new();
        let mut refusals = Vec::new();
        for error in &self.errors {
            let span = error.span().unwrap_or(0..0);
            let index = self.source.line_of(span.start);
            if told.insert(index) {
                let (start, line) = self.source.line(index);
                refusals.push(syntax_refusal(error.message(), span, start, line));
            }
        }
        refusals
    }
}

/// What the TOML reader says of a line without `=`.
const NO_EQUALS: &str = "key with no value";

/// Overwrites lines without `=` by spaces. The reader would give up at the first; so it goes on, at the same
/// offsets. Also returns what it said of each.
fn blank_lost_lines(text: &str) -> (String, Vec<toml::de::Error>) {
    let source = Source::new(text);
    let mut blanked = text.to_owned();
    let mut lost = Vec::new();
    while lost.len() < Faults::MOST {
        let (_, errors) = DeTable::parse_recoverable(&blanked);
        let Some(error) = errors.into_iter().find(|error| error.message().starts_with(NO_EQUALS)) else {
            break;
        };
        let (start, line) = source.line(source.line_of(error.span().map_or(0, |span| span.start)));
        let range = start..start + line.len();
        if blanked.get(range.clone()).is_none_or(|line| line.trim().is_empty()) {
            break;
        }
        blanked.replace_range(range, &" ".repeat(line.len()));
        lost.push(error);
    }
    (blanked, lost)
}

/// Words a reader of the profile understands for an error of the TOML reader.
fn syntax_refusal(message: &str, span: Range<usize>, start: usize, line: &str) -> Refusal {
    let (what, why) = message.split_once(", expected ").unwrap_or((message, ""));
    if what == "duplicate key" {
        let complaint = Complaint::new("this is set twice", "already set above").help("keep one of the two");
        return complaint.at(span);
    }
    if let Some((name, value)) = line.split_once('=') {
        // The mark covers the value up to a comment, rather than the point where reading gave up.
        let value = value.split('#').next().unwrap_or(value);
        let from = start + name.len() + 1 + (value.len() - value.trim_start().len());
        let value = value.trim();
        let marked = from..from + value.len();
        if let Some((at, decimal)) = comma_decimal_in(value) {
            let marked = from + at..from + at + decimal.len();
            return Complaint::new("this is not a number", "a decimal with a comma")
                .help(comma_help(decimal))
                .at(marked);
        }
        if value.is_empty() {
            return Complaint::new("this key has no value", "value missing").at(span);
        }
        if what.starts_with("string values must be quoted") {
            if let Some(number) = number_before_unit(value) {
                let complaint = Complaint::new("this is neither a number nor text in quotes", "a number with a unit");
                let help =
                    format!("write {number} alone, in the unit of the key; text is written \"{}\"", quote(value));
                return complaint.help(help).at(marked);
            }
            let complaint = Complaint::new("text must stand in quotes", "not a number, true or false");
            return complaint.help(format!("write \"{}\"", quote(value))).at(marked);
        }
    }
    let help = "a profile is TOML: [section], then key = value, one a line; text in quotes, comments behind #";
    if what == NO_EQUALS {
        return Complaint::new("this line has no `=`", "`=` and a value missing").help(help).at(span);
    }
    let label = match why {
        "" => String::new(),
        "nothing" => "not expected here".to_owned(),
        "`\"`" | "`'`" => "the closing quotes are missing".to_owned(),
        why => format!("expected {why}"),
    };
    Complaint::new(format!("this cannot be read: {}", quote(what)), label).help(help).at(span)
}

/// The first decimal with a comma, and where it starts, in a value that is a bare one or has its provenance
/// beside it.
fn comma_decimal_in(value: &str) -> Option<(usize, &str)> {
    if value.starts_with(['[', '"', '\'']) {
        return None;
    }
    let mut at = 0;
    for part in value.split_inclusive([' ', '=', '{', '}']) {
        let decimal = part.trim_end_matches([' ', '=', '{', '}', ',']);
        if looks_like_comma_decimal(decimal) {
            return Some((at, decimal));
        }
        at += part.len();
    }
    None
}

/// Where a value was set by the user.
enum Place {
    /// Bytes of the file.
    File(Range<usize>),
    /// Index of an assignment.
    Assignment(usize),
}

/// The layers laid so far.
struct Layers {
    profile: Profile,
    faults: Faults,
    /// Where the values of each key were set last, for faults that come out only when all is read.
    places: BTreeMap<&'static str, Place>,
    /// Keys with a refused value: the value in force is not the one the user meant.
    refused: BTreeSet<&'static str>,
}

impl Layers {
    /// Lays defaults, `rules` of the preset, file and assignments over each other.
    fn build(defaults: &Document<'_>, rules: &Document<'_>, file: &Document<'_>, assignments: &[Assignment]) -> Self {
        let mut layers =
            Self { profile: blank(), faults: Faults::default(), places: BTreeMap::new(), refused: BTreeSet::new() };
        layers.document(defaults, Origin::Default);
        layers.document(rules, Origin::Preset);
        layers.document(file, Origin::Profile);
        for (index, assignment) in assignments.iter().enumerate() {
            layers.assignment(assignment, index);
        }
        layers.contradictions(file, assignments);
        layers
    }

    /// Lays one text over what is there.
    fn document(&mut self, document: &Document<'_>, origin: Origin) {
        let place = Where::File(&document.source);
        for refusal in document.refusals() {
            self.faults.add(place, refusal);
        }
        for (section, node) in &document.table {
            let name: &str = section.get_ref();
            match node.get_ref() {
                // Each of its keys is asked whether it could be read: the section may stand there a second time.
                DeValue::Table(table) if is_section(name) => self.section(document, name, table, origin),
                _ if document.readable(section.span()) => {
                    self.faults.add(place, not_a_section(name, node).at(section.span()));
                }
                _ => {}
            }
        }
    }

    /// Lays one section over what is there.
    fn section(&mut self, document: &Document<'_>, section: &str, table: &DeTable<'_>, origin: Origin) {
        let place = Where::File(&document.source);
        let mut fields: BTreeMap<&str, &Key> = BTreeMap::new();
        // In the order of the text, so that of two keys for one field the second is told to go.
        let mut rows: Vec<_> = table.iter().collect();
        rows.sort_by_key(|(key, _)| key.span().start);
        for (name, node) in rows {
            if !document.readable(name.span()) || !document.readable(node.span()) {
                continue;
            }
            let full = format!("{section}.{}", name.get_ref());
            let Some(key) = Key::find(&full) else {
                self.faults.add(place, unknown_key(&full).at(name.span()));
                continue;
            };
            if let Some(other) = fields.insert(key.field, key) {
                let what = format!("{} and {} exclude each other", other.name, key.name);
                let complaint = Complaint::new(what, "the second way to say the same").help("keep one of the two");
                self.faults.add(place, complaint.at(name.span()));
                continue;
            }
            match self.value(key, node, origin) {
                Ok(()) => {
                    if origin == Origin::Profile {
                        self.places.insert(key.name, Place::File(node.span()));
                    }
                }
                Err(refusals) => {
                    self.refused.insert(key.name);
                    refusals.into_iter().for_each(|refusal| self.faults.add(place, refusal));
                }
            }
        }
    }

    /// Lays one assignment over what is there.
    fn assignment(&mut self, assignment: &Assignment, index: usize) {
        let Assignment { key: name, value_text } = assignment;
        let typed = format!("{name}={value_text}");
        let place = Where::Assignment(&typed, index);
        let Some(key) = Key::find(name) else {
            self.faults.add(place, unknown_key(name).at(0..0));
            return;
        };
        let mut outcome = match DeValue::parse(value_text) {
            Ok(node) => self.value(key, &node, Origin::CommandLine),
            Err(error) => Err(vec![syntax_refusal(error.message(), 0..0, 0, &typed)]),
        };
        // Shells eat quotes, so what is no TOML value, or one of the wrong type, may be meant as text.
        if outcome.is_err() && !value_text.starts_with(['"', '\'', '[', '{']) {
            let bare = Node::new(0..0, DeValue::String(value_text.as_str().into()));
            outcome = match (self.value(key, &bare, Origin::CommandLine), DeValue::parse(value_text)) {
                // The value was TOML: what is wrong with it as such says more.
                (Err(_), Ok(_)) => outcome,
                (as_text, _) => as_text,
            };
        }
        match outcome {
            Ok(()) => {
                self.places.insert(key.name, Place::Assignment(index));
            }
            Err(refusals) => {
                self.refused.insert(key.name);
                refusals.into_iter().for_each(|refusal| self.faults.add(place, refusal));
            }
        }
    }

    /// Reads a value, bare or with its provenance, and stores it.
    fn value(&mut self, key: &Key, node: &Node<'_>, origin: Origin) -> Result<(), Vec<Refusal>> {
        let parts = match node.get_ref() {
            DeValue::Table(table) if !key.is_table || STATED.iter().any(|name| table.contains_key(*name)) => {
                Parts::read(key, node, table)?
            }
            _ => Parts { value: node, provenance: Provenance::Assumed, note: None },
        };
        (key.set)(&mut self.profile, parts.value, parts.provenance, origin)
            .map_err(|refusal| vec![named(key, refusal)])?;
        // A note belongs to the value it was written beside, not to the one that replaces it.
        self.profile.notes.retain(|name, _| Key::find(name).is_none_or(|noted| noted.field != key.field));
        if let Some(note) = parts.note {
            self.profile.notes.insert(key.name, note);
        }
        Ok(())
    }

    /// Adds a fault for each pair of values that contradict each other.
    fn contradictions(&mut self, file: &Document<'_>, assignments: &[Assignment]) {
        for check::Contradiction { keys, complaint } in check::contradictions(&self.profile) {
            if keys.iter().any(|key| self.refused.contains(key)) {
                continue;
            }
            let places = keys.iter().filter_map(|key| self.places.get(key));
            let last = places.max_by_key(|place| match place {
                Place::File(span) => (0, span.start),
                Place::Assignment(index) => (1, *index),
            });
            match last {
                Some(Place::File(span)) => self.faults.add(Where::File(&file.source), complaint.at(span.clone())),
                Some(Place::Assignment(index)) => {
                    let typed = assignments.get(*index).map(|set| format!("{}={}", set.key, set.value_text));
                    let place = Where::Assignment(typed.as_deref().unwrap_or(""), *index);
                    self.faults.add(place, complaint.at(0..0));
                }
                None => self.faults.add(Where::File(&file.source), complaint.at(0..0)),
            }
        }
    }
}

/// Keys of a value with its provenance.
const STATED: [&str; 3] = ["value", "provenance", "note"];

/// A value taken apart, or a bare one.
struct Parts<'n, 't> {
    value: &'n Node<'t>,
    provenance: Provenance,
    note: Option<String>,
}

impl<'n, 't> Parts<'n, 't> {
    /// Takes `{ value = .., provenance = "..", note = ".." }` apart; provenance and note may be left out.
    fn read(key: &Key, node: &Node<'_>, table: &'n DeTable<'t>) -> Result<Self, Vec<Refusal>> {
        let mut refusals = Vec::new();
        for (name, _) in table.iter().filter(|(name, _)| !STATED.contains(&name.get_ref().as_ref())) {
            let label = match nearest(name.get_ref(), STATED.into_iter()) {
                Some(known) => format!("did you mean `{known}`?"),
                None => "expected `value`, `provenance` or `note`".to_owned(),
            };
            let what = format!("{} has no `{}`", key.name, quote(name.get_ref()));
            refusals.push(Complaint::new(what, label).at(name.span()));
        }
        let provenance = table.get("provenance").map_or(Ok(Provenance::Assumed), Word::read);
        let note = table.get("note").map(Text::read).transpose();
        let value = table.get("value").ok_or_else(|| {
            let help = format!("{}; write it bare or as {{ value = .., provenance = \"measured\" }}", key.about);
            Complaint::new("must have a `value`", "no `value` here").help(help).at(node.span())
        });
        match (value, provenance, note) {
            (Ok(value), Ok(provenance), Ok(note)) if refusals.is_empty() => {
                return Ok(Self { value, provenance, note });
            }
            (value, provenance, note) => {
                let inner = |part: &str, refusal: Refusal| {
                    let Refusal { span, complaint: Complaint { what, label, help } } = refusal;
                    let what = format!("{} of {} {what}", part, key.name);
                    Complaint { what, label, help }.at(span)
                };
                refusals.extend(value.err().map(|refusal| named(key, refusal)));
                refusals.extend(provenance.err().map(|refusal| inner("provenance", refusal)));
                refusals.extend(note.err().map(|refusal| inner("note", refusal)));
            }
        }
        Err(refusals)
    }
}

/// Puts the name of the key in front, and its meaning behind where there is no better help.
fn named(key: &Key, refusal: Refusal) -> Refusal {
    let Refusal { span, complaint: Complaint { what, label, help } } = refusal;
    let help = Some(help.unwrap_or_else(|| key.about.to_owned()));
    Complaint { what: format!("{} {what}", key.name), label, help }.at(span)
}

/// Names of the sections, in order.
fn sections() -> impl Iterator<Item = &'static str> + Clone {
    let starts = |index: &usize| {
        let section = |key: Option<&Key>| key.map(|key| key.parts().0);
        *index == 0 || section(KEYS.get(index - 1)) != section(KEYS.get(*index))
    };
    (0..KEYS.len()).filter(starts).filter_map(|index| KEYS.get(index)).map(|key| key.parts().0)
}

fn is_section(name: &str) -> bool {
    KEYS.iter().any(|key| key.name.strip_prefix(name).is_some_and(|rest| rest.starts_with('.')))
}

/// The sections as a list for messages.
fn section_list() -> String {
    sections().map(|section| format!("[{section}]")).collect::<Vec<_>>().join(", ")
}

/// A top-level name that cannot be used as a section.
fn not_a_section(name: &str, node: &Node<'_>) -> Complaint {
    if is_section(name) {
        let help = format!("write [{name}] once, and its keys below it");
        return wrong_type("a section", node).complaint.named(name).help(help);
    }
    let shown = quote(name);
    if let Some(key) = KEYS.iter().find(|key| key.parts().1 == name) {
        let what = format!("`{shown}` stands outside of its section");
        return Complaint::new(what, format!("belongs below [{}]", key.parts().0));
    }
    let kind = if matches!(node.get_ref(), DeValue::Table(_)) { "section" } else { "key" };
    let label = match nearest(name, sections()) {
        Some(section) => format!("did you mean [{section}]?"),
        None => format!("not a {kind} of a profile"),
    };
    Complaint::new(format!("unknown {kind} `{shown}`"), label).help(format!("the sections are {}", section_list()))
}

/// A key that does not exist, with the one that was most likely meant.
fn unknown_key(full: &str) -> Complaint {
    let shown = quote(full);
    let Some((section, name)) = full.split_once('.') else {
        let complaint = Complaint::new(format!("unknown key `{shown}`"), "no section");
        return match KEYS.iter().find(|key| key.parts().1 == full) {
            Some(key) => complaint.help(format!("did you mean `{}`?", key.name)),
            None => complaint.help(format!("write section.key; the sections are {}", section_list())),
        };
    };
    let unknown = |label: String| Complaint::new(format!("unknown key `{shown}`"), label);
    let within = KEYS.iter().map(|key| key.parts()).filter(move |(of, _)| *of == section);
    if let Some(key) = KEYS.iter().find(|key| key.parts().1 == name) {
        return unknown(format!("did you mean `{}`?", key.name));
    }
    if let Some(known) = nearest(name, within.clone().map(|(_, known)| known)) {
        return unknown(format!("did you mean `{section}.{known}`?"));
    }
    if let Some(meant) = nearest(section, sections()).filter(|meant| *meant != section) {
        let names = KEYS.iter().map(|key| key.parts()).filter(|(of, _)| *of == meant).map(|(_, known)| known);
        if let Some(known) = nearest(name, names) {
            return unknown(format!("did you mean `{meant}.{known}`?"));
        }
    }
    let known: Vec<&str> = within.map(|(_, known)| known).collect();
    if known.is_empty() {
        return unknown("no such section".to_owned()).help(format!("the sections are {}", section_list()));
    }
    unknown("no such key".to_owned()).help(format!("the keys of [{section}] are {}", known.join(", ")))
}

impl Complaint {
    /// Puts a name in front of what is wrong.
    pub(super) fn named(mut self, name: &str) -> Self {
        self.what = format!("{name} {}", self.what);
        self
    }
}
