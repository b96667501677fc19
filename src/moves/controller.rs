//! What the controller in force refuses, skips or reads differently from what is meant.
//!
//! The rules are data of the profile. The ordinary straight move passes three comparisons: [`Watch::longest_line`],
//! [`Watch::pending`] and [`Watch::largest_e`]; all else hangs on rare commands, on flags of the lexer or on whole
//! blocks. Sources: public source of the controllers and measurements, as gathered with the presets of the profile.

use super::Kind;
use super::known::is_known;
use super::named;
use super::setup::Setup;
use super::words::{Command, Words};
use crate::findings::Code;
use crate::line::{Line, LineKind, Word};
use crate::profile::{ArcForm, Controller, DwellWords, Exponent};

/// Room kept on a line for an F word, characters: a space, the letter, and at most 999999.9.
const FEED_ROOM: u32 = 10;

/// Something found in a line.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// Kind of finding.
    pub code: Code,
    /// What stands there, in a few words.
    pub detail: String,
}

impl Found {
    pub(super) fn new(code: Code, detail: impl Into<String>) -> Self {
        Self { code, detail: detail.into() }
    }
}

/// The rules of the controller, and what of the lines so far they depend on.
#[derive(Clone, Debug)]
pub struct Watch {
    /// Most characters from the start of a line to the end of its last word.
    pub longest_line: u32,
    /// Up to this length a line has room for an F word.
    pub roomy_line: u32,
    /// What the next moves have to be looked at for, see the constants.
    pub pending: u8,
    /// Absolute E beyond this is reported, mm; infinite where it need not be.
    pub largest_e: f64,
    /// The controller is to make up for the lag of the melt: what switches that off is reported as well.
    pub counts_on_lag: bool,
    refused: Vec<Command>,
    skipped: Vec<Command>,
    optional: Vec<Command>,
    own: Vec<Command>,
    /// What the file sets up before its beads.
    setup: Setup,
    /// Listed commands met so far, each with its finding and how often it was met again.
    seen: Vec<(Command, Code, u64)>,
    max_absolute_e: f64,
    exponent: Exponent,
    arcs: ArcForm,
    dwell: DwellWords,
    named: bool,
    leading_zeros: bool,
    lower_case: bool,
    several: bool,
    modal: bool,
    parentheses: bool,
    zero_feed: bool,
    zero_settings: bool,
    lone_accel_words: bool,
    max_smoothing_s: Option<f64>,
    needs_homing: bool,
    motors_off_unhomes: bool,
    min_extrude_c: Option<f64>,
    /// The nozzle was set warm enough for extrusion before.
    was_warm: bool,
    set_c: f64,
    final_line_end: bool,
    utf8: bool,
}

impl Watch {
    /// No axis has been homed.
    const NOT_HOMED: u8 = 1;
    /// The axes were homed, and the motors were switched off since.
    const MOTORS_OFF: u8 = 2;
    /// The nozzle is set too cold for extrusion.
    const COLD: u8 = 4;
    /// Something is not set up yet, or was set up anew.
    const SETUP: u8 = 8;

    /// Takes the rules from the profile.
    pub fn new(controller: &Controller, setup: Setup, counts_on_lag: bool) -> Self {
        let names = |list: &[String]| list.iter().filter_map(|name| command_named(name)).collect();
        let longest_line = controller.max_line_characters.value.map_or(u32::MAX, |v| v as u32);
        let max_absolute_e = controller.max_absolute_e.value.unwrap_or(f64::INFINITY);
        Self {
            longest_line,
            roomy_line: longest_line.saturating_sub(FEED_ROOM),
            pending: Self::NOT_HOMED | if setup.is_pending() { Self::SETUP } else { 0 },
            largest_e: max_absolute_e,
            counts_on_lag,
            refused: names(&controller.refused_commands.value),
            skipped: names(&controller.skipped_commands.value),
            optional: names(&controller.optional_commands.value),
            own: names(&controller.own_commands.value),
            setup,
            seen: Vec::new(),
            max_absolute_e,
            exponent: controller.exponent.value,
            arcs: controller.arcs.value,
            dwell: controller.dwell.value,
            named: controller.named_commands.value,
            leading_zeros: controller.leading_zeros.value,
            lower_case: controller.lower_case.value,
            several: controller.several_commands.value,
            modal: controller.modal_lines.value,
            parentheses: controller.parentheses.value,
            zero_feed: controller.zero_feed.value,
            zero_settings: controller.zero_settings.value,
            lone_accel_words: controller.lone_accel_words.value,
            max_smoothing_s: controller.max_lag_smoothing_s.value,
            needs_homing: controller.needs_homing.value,
            motors_off_unhomes: controller.motors_off_unhomes.value,
            min_extrude_c: controller.min_extrude_temperature_c.value,
            was_warm: false,
            set_c: 0.0,
            final_line_end: controller.needs_final_line_end.value,
            utf8: controller.needs_utf8.value,
        }
    }

    /// Looks at a line that is long, or that the lexer flagged for an exponent or lower case. `bytes`: the block.
    pub fn line(&self, bytes: &[u8], line: &Line, words: &[Word], found: &mut Vec<Found>) {
        self.length(line.code_end - line.start, found);
        if line.kind != LineKind::Code {
            return;
        }
        if line.has(Line::LOWER_CASE) && !self.lower_case {
            let text = words.first().map_or(&[][..], |word| text_of(bytes, word));
            found.push(Found::new(Code::CommandSpelling, lossy(text)));
        }
        if line.has(Line::EXPONENT) && self.exponent != Exponent::Number {
            let texts = words.iter().map(|word| text_of(bytes, word));
            // The letter of a word may itself be an `e`.
            let mut parts = texts.filter_map(|text| {
                let at = 1 + text.get(1..)?.iter().position(|byte| *byte == b'e')?;
                Some((text, text.split_at_checked(at)?))
            });
            if let Some((text, (head, tail))) = parts.next() {
                let read_as = match self.exponent {
                    Exponent::Word => lossy(tail).to_ascii_uppercase(),
                    _ => lossy(head),
                };
                found.push(Found::new(Code::Exponent, format!("{}, read as {read_as}", lossy(text))));
            }
        }
    }

    /// Judges the length of a line's code.
    fn length(&self, length: u32, found: &mut Vec<Found>) {
        if length > self.longest_line {
            let most = self.longest_line;
            found.push(Found::new(Code::LineTooLong, format!("{length} characters, at most {most}")));
        }
    }

    /// Looks at a command word that is longer than a letter and its digits.
    #[cold]
    pub fn spelling(&self, bytes: &[u8], word: &Word, found: &mut Vec<Found>) {
        if let ([b'G' | b'g' | b'M' | b'm', b'0', b'0'..=b'9', ..], false) = (text_of(bytes, word), self.leading_zeros)
        {
            found.push(Found::new(Code::CommandSpelling, lossy(text_of(bytes, word))));
        }
    }

    /// Whether a comment that begins with `first` spoils the words before it.
    pub fn spoilt_by_comment(&self, first: Option<&u8>) -> bool {
        first == Some(&b'(') && !self.parentheses
    }

    /// Whether a feed that cannot be used is refused rather than ignored.
    pub fn refuses_feed(&self, value: f64) -> bool {
        !self.zero_feed && value <= 0.0
    }

    /// Looks at a line of G commands other than one straight move, or without a command.
    pub fn g_commands(&mut self, words: &Words, found: &mut Vec<Found>) {
        if words.commands().is_empty() && !self.modal {
            found.push(Found::new(Code::ModalLine, "no command"));
        }
        let mut count = 0;
        for command in words.commands().iter().filter(|command| command.letter == b'G') {
            count += 1;
            self.listed(*command, found);
            self.setup.g_command(*command, found);
            match command.tenths {
                40 if self.dwell == DwellWords::POnly => {
                    if let (Some(s), None) = (words.get(b'S').filter(|s| *s > 0.0), words.get(b'P')) {
                        found.push(Found::new(Code::DwellForm, format!("G4 S{s}")));
                    }
                }
                280 => self.homed(),
                // Homing of older dialects; and a position stated by hand where that is enough.
                1610 | 1620 => self.homed(),
                920 if !self.needs_homing && words.has_any(b"XYZ") => self.homed(),
                _ => {}
            }
        }
        self.look_at_setup();
        if count > 1 && !self.several {
            let names: Vec<String> = words.commands().iter().map(|command| name_of(*command)).collect();
            found.push(Found::new(Code::SeveralCommands, names.join(" ")));
        }
    }

    /// What the controller does not follow in an arc, if anything. `relative`: positions are.
    pub fn odd_in_arc(&self, words: &Words, relative: bool) -> Option<&'static str> {
        match self.arcs {
            ArcForm::CentreAbsolute if words.mentions(b'R') => Some("radius"),
            ArcForm::CentreAbsolute if relative => Some("relative positions"),
            ArcForm::CentreAbsolute | ArcForm::Any => None,
        }
    }

    /// Whether the controller acts on a command at all, as far as is known.
    pub fn follows(&self, command: Command) -> bool {
        !self.skipped.contains(&command)
    }

    /// Whether it is a command of somebody's own.
    pub fn is_own(&self, command: Command) -> bool {
        self.own.contains(&command)
    }

    /// Whether it acts on commands written as names.
    pub fn follows_names(&self) -> bool {
        self.named
    }

    /// Whether the controller takes several commands on one line.
    pub fn takes_several(&self) -> bool {
        self.several
    }

    /// Looks at an M command. `tool`: the active one.
    pub fn m_command(&mut self, command: Command, words: &Words, tool: u32, found: &mut Vec<Found>) {
        let value = |letter| words.get(letter);
        let known = self.follows(command);
        self.setup.m_command(command, words);
        self.look_at_setup();
        let (mut lag, mut told) = (None, false);
        match command.tenths {
            2040 if known => self.accelerations(words, found),
            2200 | 2210 if known => {
                if let Some(s) = value(b'S').filter(|s| *s <= 0.0 && !self.zero_settings) {
                    found.push(Found::new(Code::SettingRefused, format!("{} S{s}", name_of(command))));
                }
            }
            180 | 840 if self.motors_off_unhomes && self.pending & Self::NOT_HOMED == 0 => {
                self.pending |= Self::MOTORS_OFF;
            }
            1040 | 1090 if value(b'T').is_none_or(|t| t == f64::from(tool)) => {
                if let Some(set) = value(b'S').or_else(|| value(b'R')) {
                    self.temperature(set);
                }
            }
            2000 => {
                if let Some(d) = value(b'D').filter(|d| *d > 0.0 && !known && value(b'S') != Some(0.0)) {
                    found.push(Found::new(Code::VolumetricSkipped, format!("M200 D{d}")));
                    told = true;
                }
            }
            // Sets the least temperature, or lets the extruder turn at any.
            3020 if known => {
                if let Some(least) = value(b'S') {
                    self.min_extrude_c = self.min_extrude_c.map(|_| least);
                }
                if value(b'P').is_some_and(|p| p > 0.0) {
                    self.min_extrude_c = None;
                    self.pending &= !Self::COLD;
                }
            }
            9000 => lag = value(b'K').map(|k| ('K', k)),
            5720 => lag = value(b'S').map(|s| ('S', s)),
            _ => {}
        }
        if let Some((letter, constant)) = lag.filter(|lag| known && (lag.1 > 0.0 || self.counts_on_lag)) {
            found.push(Found::new(Code::LagFeature, lag_command(command, letter, constant)));
        }
        if !told {
            self.listed(command, found);
        }
    }

    /// Looks at a command that stands before text (`M0 message`).
    pub fn text_command(&mut self, word: &Word, found: &mut Vec<Found>) {
        self.listed(Command::new(word.letter, word.value), found);
        if word.value == 98.0 {
            self.may_have_homed();
        }
    }

    /// Looks at a named command; `length`: characters before its comment, `may_move`: it may be a macro.
    pub fn named(&mut self, text: &[u8], length: u32, may_move: bool, found: &mut Vec<Found>) {
        // What it skips does nothing.
        if may_move && self.named {
            self.may_have_homed();
        }
        let name = text.split(u8::is_ascii_whitespace).next().unwrap_or_default();
        if !self.named {
            // Names in lower case are more likely prose.
            if !name.iter().any(u8::is_ascii_lowercase) {
                found.push(Found::new(Code::NamedSkipped, lossy(name)));
            }
            return;
        }
        self.length(length, found);
        let Some(filter) = named::lag_filter(text) else { return };
        if let Some(lag) = filter.lag_s.filter(|lag| *lag > 0.0 || self.counts_on_lag) {
            found.push(Found::new(Code::LagFeature, lag_name(lag, text)));
        }
        if let (Some(smoothing), Some(most)) = (filter.smoothing_s, self.max_smoothing_s)
            && smoothing > most
        {
            found.push(Found::new(Code::SettingRefused, format!("smoothing of {smoothing} s, at most {most} s")));
        }
    }

    /// Looks at a move while something is pending. `turns`: a screw turns during it.
    pub fn step(&mut self, kind: Kind, length: f64, z: f64, turns: bool, found: &mut Vec<Found>) {
        // A lift before homing is good practice where it is let through.
        if length > 0.0 && (self.needs_homing || self.pending & Self::MOTORS_OFF != 0 || kind == Kind::Bead) {
            if self.pending & Self::MOTORS_OFF != 0 {
                found.push(Found::new(Code::MotorsOff, "first move after the motors were switched off"));
            } else if self.pending & Self::NOT_HOMED != 0 {
                let (code, what) =
                    if self.needs_homing { (Code::NotHomed, "first move") } else { (Code::HomeMissing, "first bead") };
                found.push(Found::new(code, what));
            }
            self.pending &= !(Self::MOTORS_OFF | Self::NOT_HOMED);
        }
        // A nozzle that was warm still is when the end code draws back with the heater off.
        if self.pending & Self::COLD != 0 && turns && (kind == Kind::Bead || !self.was_warm) {
            self.pending &= !Self::COLD;
            let (set, least) = (self.set_c, self.min_extrude_c.unwrap_or(0.0));
            found.push(Found::new(Code::ColdExtrusion, format!("set to {set} °C, at least {least} °C")));
        }
        if self.pending & Self::SETUP != 0 {
            self.setup.step(kind, length, z, turns, found);
            self.look_at_setup();
        }
    }

    fn look_at_setup(&mut self) {
        self.pending &= !Self::SETUP;
        self.pending |= if self.setup.is_pending() { Self::SETUP } else { 0 };
    }

    /// Absolute E is beyond [`Watch::largest_e`]; it is told once until E is set back.
    pub fn large_e(&mut self, e: f64, found: &mut Vec<Found>) {
        self.largest_e = f64::INFINITY;
        found.push(Found::new(Code::LargeE, format!("E {e:.0}, at most {}", self.max_absolute_e)));
    }

    /// E was set to a value.
    pub fn e_was_set(&mut self) {
        self.largest_e = self.max_absolute_e;
    }

    /// Bytes that end the print: index of each line with such bytes in a block.
    pub fn foreign_lines(&self, bytes: &[u8], lines: &[Line]) -> Vec<usize> {
        if !self.utf8 || is_text(bytes) {
            return Vec::new();
        }
        let foreign = |line: &Line| !is_text(bytes.get(line.start as usize..line.end as usize).unwrap_or_default());
        lines.iter().enumerate().filter(|(_, line)| foreign(line)).map(|(index, _)| index).collect()
    }

    /// Whether the last line of a block is dropped for want of a line end.
    pub fn drops_last(&self, bytes: &[u8], last: &Line) -> bool {
        let runs = matches!(last.kind, LineKind::Code | LineKind::Named | LineKind::Text);
        self.final_line_end && runs && bytes.last() != Some(&b'\n')
    }

    /// Looks the command up in the lists. Each is shown once and then only counted: arcs may be among them.
    fn listed(&mut self, command: Command, found: &mut Vec<Found>) {
        if let Some((_, _, repeats)) = self.seen.iter_mut().find(|seen| seen.0 == command) {
            *repeats += 1;
            return;
        }
        let code = if self.refused.contains(&command) {
            Code::CommandRefused
        } else if self.skipped.contains(&command) {
            Code::CommandSkipped
        } else if self.optional.contains(&command) {
            Code::CommandOptional
        } else if is_known(command) || self.is_own(command) {
            return;
        } else {
            Code::UnknownCommand
        };
        self.seen.push((command, code, 0));
        found.push(Found::new(code, name_of(command)));
    }

    /// Findings that were counted without a place: kind and number.
    pub fn counted(&self) -> impl Iterator<Item = (Code, u64)> {
        self.seen.iter().map(|(_, code, repeats)| (*code, *repeats))
    }

    fn accelerations(&self, words: &Words, found: &mut Vec<Found>) {
        let [s, p, t] = [b'S', b'P', b'T'].map(|letter| words.get(letter));
        if s.is_none() && p.is_some() != t.is_some() && !self.lone_accel_words {
            let word = if p.is_some() { 'P' } else { 'T' };
            found.push(Found::new(Code::AccelIgnored, format!("M204 {word}{}", p.or(t).unwrap_or(0.0))));
            return;
        }
        // With S, the other words are something else.
        let used = if s.is_some() { [s, None] } else { [p, t] };
        if let Some(value) = used.into_iter().flatten().find(|value| *value <= 0.0 && !self.zero_settings) {
            found.push(Found::new(Code::SettingRefused, format!("M204 acceleration {value} mm/s²")));
        }
    }

    fn temperature(&mut self, set: f64) {
        let Some(least) = self.min_extrude_c else { return };
        self.pending &= !Self::COLD;
        if set >= least {
            self.was_warm = true;
        } else if set > 0.0 || !self.was_warm {
            self.set_c = set;
            self.pending |= Self::COLD;
        }
    }

    fn homed(&mut self) {
        self.pending &= !(Self::NOT_HOMED | Self::MOTORS_OFF);
    }

    /// A macro ran: it may home, and heat.
    fn may_have_homed(&mut self) {
        self.pending &= Self::SETUP;
        self.was_warm = true;
    }
}

/// `G20` as a command; `None` for anything else.
fn command_named(name: &str) -> Option<Command> {
    let (letter, number) = name.split_at_checked(1)?;
    Some(Command::new(*letter.as_bytes().first()?, f64::from(number.parse::<u32>().ok()?)))
}

/// What is told of a command that sets the controller's own compensation of lag.
pub fn lag_command(command: Command, letter: char, constant: f64) -> String {
    format!("{} {letter}{constant}", name_of(command))
}

/// The same of a named one; `text`: without its comment.
pub fn lag_name(lag_s: f64, text: &[u8]) -> String {
    let name = text.split(u8::is_ascii_whitespace).next().unwrap_or_default();
    format!("{lag_s} s, {}", lossy(name))
}

fn name_of(command: Command) -> String {
    format!("{}{}", char::from(command.letter), f64::from(command.tenths) / 10.0)
}

fn is_text(bytes: &[u8]) -> bool {
    // Nearly always ASCII, which is found out twice as fast.
    memchr::memchr(0, bytes).is_none() && (bytes.is_ascii() || std::str::from_utf8(bytes).is_ok())
}

fn text_of<'a>(bytes: &'a [u8], word: &Word) -> &'a [u8] {
    bytes.get(word.start as usize..word.end() as usize).unwrap_or_default()
}

fn lossy(text: &[u8]) -> String {
    /// Names of commands can be as long as a line.
    const LONGEST: usize = 40;
    String::from_utf8_lossy(text.get(..LONGEST).unwrap_or(text)).into_owned()
}
