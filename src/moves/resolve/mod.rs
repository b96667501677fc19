//! From the lines of a block to moves.
//!
//! For each line the words are sorted, the whole line is checked against the state, and only then the state is
//! changed: a line that cannot be read leaves everything as it was.

mod checks;
mod excess;
mod kept;
mod lag;
mod modal;
mod motion;
mod places;
mod rules;
mod run;

use kept::Kept;
pub(super) use motion::new_melt;
use places::Places;
pub use rules::{LagTakenOut, Rules, output_e_volume_mm3, sliced_e_volume_mm3};

use super::controller::{Found, Watch};
use super::fan::Fan;
use super::heat::Heat;
use super::layers::Layers;
use super::named::{self, Named};
use super::notes::{self, Note};
use super::settings::FileSettings;
use super::split::Split;
use super::state::State;
use super::track::Anchor;
use super::words::{Command, Words};
use super::{Kind, Move, Role, Side};
use crate::error::{Error, ErrorKind, Excerpt, Result};
use crate::findings::{Code, Findings, Place};
use crate::line::{Block, Line, LineKind, Word};
use crate::profile::LimitWords;

/// Start of the comment that marks a rewritten file.
pub const MARKER: &[u8] = b"; rewritten by meltwright";
/// Start of the comment that marks a purge test, which no pass has changed.
pub const TEST_MARKER: &[u8] = b"; purge test by meltwright";
/// What stands before the fingerprint of the profile in the first.
pub const MARKER_PROFILE: &str = ", profile ";
/// What stands before the volume of one unit of E, mm³, in both.
pub const MARKER_E: &str = ", 1 E = ";
/// What stands in a marker where a unit of E is a turn of the screw, whose output goes by a curve.
pub const MARKER_REV: &str = ", E in turns";
/// What stands in a marker where E leads the flow along the path.
pub const MARKER_LEADS: &str = ", E leads";
/// What stands in a marker where the screw turns at rest between runs of beads.
pub const MARKER_TURNS: &str = ", E at rest";
/// Largest coordinate that is believed, mm: a kilometre.
const MAX_COORDINATE_MM: f64 = 1e6;

/// The line being resolved.
#[derive(Clone, Copy)]
struct At<'a> {
    block: &'a Block,
    line: &'a Line,
    index: usize,
}

impl<'a> At<'a> {
    fn words(self) -> &'a [Word] {
        self.block.words_of(self.line)
    }

    fn text(self) -> &'a [u8] {
        self.block.text_of(self.line)
    }

    /// Number of the line in the input, counted from 1.
    fn number(self) -> u64 {
        self.block.first_line + self.index as u64
    }

    /// The line with bytes `start..end` marked.
    fn excerpt(self, start: usize, end: usize, label: &str) -> Excerpt {
        Excerpt::new(self.number(), self.text(), start, end, label)
    }

    /// The line with all its words marked.
    fn all_words(self) -> Excerpt {
        self.excerpt(0, (self.line.code_end - self.line.start) as usize, "")
    }

    fn malformed(self, what: &str) -> Error {
        Error::new(ErrorKind::Malformed { what: what.to_owned() }).at(self.all_words())
    }
}

/// So much text without a move is told by one that does nothing, bytes.
const IDLE_BYTES: u32 = 1024;
/// What a line takes in memory beside its text, bytes.
const LINE_BYTES: u32 = 32;

/// Turns lines into moves; carries the modal state from block to block.
#[derive(Clone, Debug)]
pub struct Resolver {
    rules: Rules,
    state: State,
    words: Words,
    /// Moves of the block being resolved.
    moves: Vec<Move>,
    layers: Layers,
    role: Role,
    is_screw: bool,
    /// Text without a move so far, see [`Resolver::idle`], bytes.
    idle_bytes: u32,
    /// Factor on E by tool, where the file sets one.
    flow_by_tool: Vec<(u32, f64)>,
    /// States of the machine that the file has kept.
    kept: Kept,
    /// Places and origins that it has set.
    places: Places,
    /// Where each tool left off with E.
    e_by_tool: Vec<(u32, f64)>,
    /// After a tool change: where the tool itself left off with E, see [`Resolver::e_start`].
    own_e: Option<f64>,
    /// Volume that has left the nozzle so far, mm³.
    laid: f64,
    /// Volume drawn back and not yet refilled, mm³.
    drawn_back: f64,
    accept_marked: bool,
    /// Plain lines take the short way; false in tests of it.
    reads_plain: bool,
    /// What the controller makes of the lines.
    watch: Watch,
    heat: Heat,
    fan: Fan,
    /// Where `M101` first switched the extruder on, if anywhere.
    switched_on: Option<Place>,
    /// Lines of the block last resolved, by index, at which something was found that is shown.
    pub noted: Vec<u32>,
    /// What was found on the way.
    pub findings: Findings,
    /// Lines split in the block last resolved, by line index.
    pub splits: Vec<(u32, Split)>,
    /// What the moves of the block last resolved need beyond themselves.
    pub side: Side,
}

impl Resolver {
    /// A resolver at the start of a file. `accept_marked`: do not refuse a file with the marker of an earlier run.
    pub fn new(rules: Rules, settings: &FileSettings, accept_marked: bool) -> Self {
        let state = State::new(rules.initial_feed_mm_s);
        let is_screw = rules.tools.contains(&state.tool);
        Self {
            state,
            watch: rules.watch.clone(),
            heat: rules.heat.clone(),
            fan: rules.fan.clone(),
            rules,
            words: Words::default(),
            moves: Vec::new(),
            layers: Layers::new(settings.marks_layers, settings.layer_height_mm),
            role: Role::Unknown,
            is_screw,
            idle_bytes: 0,
            flow_by_tool: Vec::new(),
            kept: Kept::default(),
            places: Places::default(),
            e_by_tool: Vec::new(),
            own_e: None,
            laid: 0.0,
            drawn_back: 0.0,
            switched_on: None,
            accept_marked,
            reads_plain: true,
            noted: Vec::new(),
            findings: Findings::default(),
            splits: Vec::new(),
            side: Side::default(),
        }
    }

    /// Layers begun so far.
    pub fn layer_count(&self) -> u32 {
        self.layers.count()
    }

    /// Volume that has left the nozzle so far, mm³: beads, and extrusion without motion as far as it is no refill.
    pub fn volume(&self) -> f64 {
        self.laid
    }

    /// Resolves a block; its moves are added to `out`.
    ///
    /// # Errors
    /// A motion line that cannot be read (unless lenient), an earlier run's marker, E without a known volume.
    pub fn resolve(&mut self, block: &Block, out: &mut Vec<Move>) -> Result<()> {
        self.splits.clear();
        self.noted.clear();
        self.side.clear();
        // Taken out for the time of the block: the lines are resolved with both at hand.
        let mut words = std::mem::take(&mut self.words);
        self.moves = std::mem::take(out);
        self.anchor();
        let foreign = self.watch.foreign_lines(&block.bytes, &block.lines);
        let resolved = self.lines(block, &foreign, &mut words);
        self.words = words;
        *out = std::mem::take(&mut self.moves);
        self.look_at_end(block);
        resolved
    }

    /// Resolves the lines of a block; `foreign`: those that are no text, by index.
    fn lines(&mut self, block: &Block, foreign: &[usize], words: &mut Words) -> Result<()> {
        let mut next = 0;
        loop {
            if foreign.is_empty() {
                next += self.run(block, next);
            }
            let Some(line) = block.lines.get(next) else { return Ok(()) };
            let at = At { block, line, index: next };
            if foreign.binary_search(&next).is_ok() {
                self.found(Code::ForeignBytes, at, || "not UTF-8 text".to_owned());
            }
            self.line(words, at)?;
            next += 1;
        }
    }

    /// Resolves a line; it adds at most one move.
    fn line(&mut self, words: &mut Words, at: At<'_>) -> Result<()> {
        if at.line.flags & (Line::BAD_CHECKSUM | Line::EXPONENT | Line::LOWER_CASE) != 0
            || at.line.code_end - at.line.start > self.watch.longest_line
        {
            self.look_at_line(at);
        }
        let before = self.moves.len();
        match at.line.kind {
            LineKind::Code => {
                let done = self.code_line(words, at);
                if self.let_through(done, at)? && self.moves.len() > before {
                    return Ok(());
                }
            }
            LineKind::Comment if !self.accept_marked && at.text().starts_with(MARKER) => {
                return Err(Error::new(ErrorKind::AlreadyRewritten).at(at.excerpt(0, MARKER.len(), "")));
            }
            LineKind::Comment => self.note(at, true),
            LineKind::Named => {
                let done = self.refuse_conditions(at);
                if self.let_through(done, at)? {
                    self.named(at)?;
                }
            }
            LineKind::Text => self.text(at),
            LineKind::Opaque => {
                let done = self.refuse_conditions(at);
                self.let_through(done, at)?;
            }
            LineKind::Blank | LineKind::Percent => {}
        }
        self.idle(at);
        Ok(())
    }

    /// Whether a line was sound. In a lenient run one that is not is passed through, unless its E would then count in a unit
    /// that it is not written in.
    #[inline]
    fn let_through(&mut self, done: Result<()>, at: At<'_>) -> Result<bool> {
        let Err(error) = done else { return Ok(true) };
        if !self.rules.lenient || !is_about_one_line(&error) {
            return Err(error);
        }
        let code = at.text().split(|byte| *byte == b';').next().unwrap_or_default();
        let may_turn = at.line.kind == LineKind::Code && self.rules.has_own_e_unit;
        if may_turn && code.iter().any(|byte| byte.eq_ignore_ascii_case(&self.rules.axis)) {
            let what = "this line cannot be read, and its E would be taken in the unit of the output";
            return Err(Error::new(ErrorKind::UnitStays { what }).at(at.all_words()));
        }
        let what = error.kind().to_string();
        self.found(Code::UnreadableLine, at, || what);
        Ok(false)
    }

    /// Refuses what decides only while the file runs which of its lines count, and how often.
    fn refuse_conditions(&self, at: At<'_>) -> Result<()> {
        let first = at.text().trim_ascii().split(|byte| !byte.is_ascii_alphabetic()).next().unwrap_or_default();
        let decides = [&b"if"[..], b"elif", b"else", b"while"].iter().any(|word| first.eq_ignore_ascii_case(word));
        if !decides || self.rules.limit_words != LimitWords::PerMinute {
            return Ok(());
        }
        let what = "which lines count, and how often, is decided only while the file runs".to_owned();
        let help = "export it without conditions and loops".to_owned();
        Err(Error::new(ErrorKind::Unsupported { what, help }).at(at.all_words()))
    }

    /// Counts text without a move. Moves wait for those that follow, and all text with them, so from time to time one
    /// that does nothing says how far the file has come.
    #[inline]
    fn idle(&mut self, at: At<'_>) {
        self.idle_bytes += LINE_BYTES + (at.line.end - at.line.start);
        if self.idle_bytes > IDLE_BYTES {
            self.idle_bytes = 0;
            self.command(Kind::Feed, at);
        }
    }

    fn code_line(&mut self, words: &mut Words, at: At<'_>) -> Result<()> {
        if at.line.comment >= at.line.end {
            return self.code(words, at);
        }
        if self.watch.spoilt_by_comment(at.block.bytes.get(at.line.comment as usize)) && at.line.words > 0 {
            self.found(Code::Parentheses, at, || "comment in parentheses".to_owned());
        }
        // A role behind a move is that of this move alone.
        let role = self.role;
        self.note(at, false);
        let done = self.code(words, at);
        self.role = role;
        done
    }

    #[cold]
    fn look_at_line(&mut self, at: At<'_>) {
        if at.line.has(Line::BAD_CHECKSUM) {
            self.found(Code::Checksum, at, || "checksum does not match".to_owned());
        }
        self.watched(at, |watch, found| watch.line(&at.block.bytes, at.line, at.words(), found));
    }

    /// Looks at the end of the block, where only the last of the file may lack a line end.
    fn look_at_end(&mut self, block: &Block) {
        if let Some(line) = block.lines.last().filter(|line| self.watch.drops_last(&block.bytes, line)) {
            let at = At { block, line, index: block.lines.len() - 1 };
            self.found(Code::NoFinalLineEnd, at, || "last line".to_owned());
        }
    }

    #[cold]
    fn look_at_spelling(&mut self, first: &Word, at: At<'_>) {
        self.watched(at, |watch, found| watch.spelling(&at.block.bytes, first, found));
    }

    /// Lets the watch look at a line, and reports what it finds.
    fn watched(&mut self, at: At<'_>, look: impl FnOnce(&mut Watch, &mut Vec<Found>)) {
        let mut found = Vec::new();
        look(&mut self.watch, &mut found);
        for Found { code, detail } in found {
            self.found(code, at, || detail);
        }
    }

    #[cold]
    fn found(&mut self, code: Code, at: At<'_>, detail: impl FnOnce() -> String) {
        self.found_weighted(code, 0.0, at, detail);
    }

    #[cold]
    fn found_weighted(&mut self, code: Code, weight: f64, at: At<'_>, detail: impl FnOnce() -> String) {
        let place = self.place(at, String::new());
        let noted = &mut self.noted;
        self.findings.add_weighted(code, weight, || {
            noted.push(at.index as u32);
            Place { detail: detail(), ..place }
        });
    }

    fn place(&self, at: At<'_>, detail: String) -> Place {
        let (layer, z_mm) = (u64::from(self.layers.count()), self.state.position[2]);
        Place { line: at.number(), layer, z_mm, time_s: None, detail }
    }

    /// Adds what can only be said at the end of the file.
    pub fn finish(&mut self) {
        self.watch.counted().for_each(|(code, count)| self.findings.add_count(code, count));
        self.fan.finish(self.laid, self.layers.count(), &mut self.findings);
        if self.laid > 0.0 {
            return;
        }
        match self.switched_on.take() {
            Some(place) => self.findings.add(Code::SwitchedExtruder, || place),
            None => self.findings.add_for_file(Code::NoExtrusion),
        }
    }

    fn note(&mut self, at: At<'_>, alone: bool) {
        let comment = at.block.bytes.get(at.line.comment as usize..at.line.end as usize).unwrap_or_default();
        match notes::read(comment, alone) {
            Some(Note::LayerBegins) => self.layers.mark(),
            Some(Note::Height(height) | Note::RunHeight(height)) => {
                self.layers.state_height(height);
                self.side.heights.push((self.moves.len(), height));
            }
            Some(Note::Role(role) | Note::RoleOfLine(role)) => self.role = role,
            None => {}
        }
    }

    fn named(&mut self, at: At<'_>) -> Result<()> {
        let text = at.text().split(|byte| *byte == b';').next().unwrap_or_default();
        let length = u32::try_from(text.len()).unwrap_or(u32::MAX);
        let text = text.trim_ascii();
        let is_counted = at.line.flags & (Line::NUMBERED | Line::CHECKSUM) != 0;
        let text = if is_counted { named::uncounted(text) } else { text };
        if self.takes_out_named(text, at) {
            return Ok(());
        }
        let follows_names = self.watch.follows_names();
        if follows_names && let Some(keeping) = named::keeping(text) {
            self.keep_or_put_back(keeping, at);
            return Ok(());
        }
        if follows_names && let Some(tool) = named::selected_tool(text) {
            self.heat.macro_ran();
            self.tool_line(f64::from(tool), at);
            return Ok(());
        }
        if follows_names && self.rules.has_own_e_unit && named::sets_e_steps(text) {
            self.found(Code::EStepsInFile, at, || String::from_utf8_lossy(text).into_owned());
        }
        self.state.limits.next_line();
        let before = self.state.limits;
        let named = named::follow(text, self.rules.limit_words, &mut self.state.limits);
        self.watched(at, |watch, found| watch.named(text, length, named != Named::Neutral, found));
        if named != Named::Neutral || named::sets_fan(text) {
            self.fan.named();
        }
        if named != Named::Neutral {
            // What the controller skips sets no heat.
            if follows_names {
                self.heat.macro_ran();
            }
            self.command(if named == Named::Pauses { Kind::Pause } else { Kind::FeedUser }, at);
        } else if self.state.limits != before || self.state.limits.sets_accel != [false; 2] {
            self.limits_changed(at);
        }
        Ok(())
    }

    fn text(&mut self, at: At<'_>) {
        if let [word] = at.words() {
            self.watched(at, |watch, found| watch.text_command(word, found));
        }
        let [Word { letter: b'M', value, .. }] = at.words() else { return };
        // A macro file may move, a pause waits, the program ends; a message does none of it.
        if *value == 98.0 {
            self.heat.macro_ran();
            self.fan.named();
            self.command(Kind::FeedUser, at);
        } else if matches!(*value, 0.0 | 1.0) {
            self.command(Kind::Pause, at);
        } else if *value == 30.0 {
            self.command(Kind::End, at);
        }
    }

    fn code(&mut self, words: &mut Words, at: At<'_>) -> Result<()> {
        let found = at.words();
        let Some((first, rest)) = found.split_first() else { return Ok(()) };
        if first.len > 2 && first.value < 10.0 {
            self.look_at_spelling(first, at);
        }
        if self.reads_plain
            && let Some(done) = self.plain_line(first, rest, at)
        {
            return done;
        }
        words.fill(found);
        match first.letter {
            b'M' | b'T' if self.watch.takes_several() && words.commands().iter().any(|c| c.letter == b'G') => {
                let what = "a G command stands behind another command on one line, where it is not followed".to_owned();
                let help = "put it on a line of its own".to_owned();
                Err(Error::new(ErrorKind::Unsupported { what, help }).at(at.all_words()))
            }
            b'G' if self.watch.takes_several() && counts_behind_motion(words) => {
                let what = "another command stands behind a motion on one line, where it is not followed";
                let help = "put it on a line of its own".to_owned();
                // Passed over, its E would keep the old unit.
                let kind = match self.rules.has_own_e_unit {
                    true => ErrorKind::UnitStays { what },
                    false => ErrorKind::Unsupported { what: what.to_owned(), help },
                };
                Err(Error::new(kind).at(at.all_words()))
            }
            b'M' => self.m_command(words, first, at),
            b'T' => {
                self.tool_line(first.value, at);
                self.heat.tool();
                Ok(())
            }
            _ => self.g_line(words, at),
        }
    }

    /// The line has set limits of motion.
    fn limits_changed(&mut self, at: At<'_>) {
        self.side.limits.push(self.state.limits);
        self.command(Kind::Limits, at);
    }

    /// The position has been set, or is to be known here.
    fn anchor(&mut self) {
        let State { position, offset, known, offset_known, .. } = self.state;
        let known = known == [true; 3] && offset_known == [true; 3];
        self.side.anchors.push(Anchor { index: self.moves.len(), position, offset, known });
    }

    /// A motion line has sent axes to stated places, `given`, that were not known; `machine`: in coordinates of the
    /// machine.
    #[cold]
    fn learn(&mut self, given: [bool; 3], machine: bool) {
        let State { absolute, known, offset_known, .. } = &mut self.state;
        let before = *known;
        for ((known, offset_known), given) in known.iter_mut().zip(offset_known).zip(given) {
            *known |= given && (machine || (*absolute && *offset_known));
        }
        if *known != before {
            self.anchor();
        }
    }

    /// The line is a command without a path of its own.
    fn command(&mut self, kind: Kind, at: At<'_>) {
        let step = Move { feed_at: at.line.start, ..self.blank(kind, at) };
        self.moves.push(step);
    }

    /// A move of a line that does nothing, with the state's feed.
    #[inline(always)]
    fn blank(&self, kind: Kind, at: At<'_>) -> Move {
        Move {
            kind,
            role: self.role,
            flags: if self.is_screw { Move::SCREW } else { 0 }
                | if self.state.unit_mm == 1.0 { 0 } else { Move::INCH }
                | if self.state.absolute { 0 } else { Move::RELATIVE }
                | if self.state.e_is_relative() { Move::E_RELATIVE } else { 0 }
                | if at.line.has(Line::CHECKSUM) { Move::CHECKSUM } else { 0 }
                | if at.line.has(Line::NUMBERED) { Move::NUMBERED } else { 0 },
            feed_decimals: self.state.feed_decimals,
            line: at.index as u32,
            feed_at: 0,
            feed_len: 0,
            e_at: 0,
            e_len: 0,
            e_decimals: 0,
            e_count: self.state.e,
            flow_factor: self.state.flow_factor,
            layer: self.layers.count(),
            delta: [0.0; 3],
            length: 0.0,
            e: 0.0,
            volume: 0.0,
            melt: 0.0,
            feed_mm_min: self.state.feed_mm_min,
            speed_factor: self.state.speed_factor,
            speed: self.state.speed_mm_s,
            wait_s: 0.0,
            z: self.state.position[2],
        }
    }
}

/// Whether only the line itself is at fault, so that a lenient run can go on behind it.
fn is_about_one_line(error: &Error) -> bool {
    matches!(error.kind(), ErrorKind::Malformed { .. } | ErrorKind::Unsupported { .. })
}

/// Whether behind a motion on the same line stands what a controller that takes several commands carries out as well: a G
/// command, another tool, or what E counts in.
fn counts_behind_motion(words: &Words) -> bool {
    let commands = words.commands();
    let motion = commands.iter().position(|c| c.letter == b'G' && matches!(c.tenths, 0 | 10 | 20 | 30));
    let behind = motion.and_then(|at| commands.get(at + 1..)).unwrap_or_default();
    let counts = |c: &Command| matches!((c.letter, c.tenths), (b'G', _) | (b'M', 820 | 830 | 2000 | 2210));
    motion.is_some() && words.mentions(b'T') || behind.iter().any(counts)
}
