//! From the lines of a block to moves.
//!
//! For each line the words are sorted, the whole line is checked against the state, and only then the state is
//! changed: a line that cannot be read leaves everything as it was.

use super::arc::{Arc, Centre, Plane};
use super::layers::Layers;
use super::notes::{self, Note};
use super::settings::FileSettings;
use super::split::{Span, Split};
use super::state::{Motion, State};
use super::words::{Command, Words};
use super::{Kind, Move, Role};
use crate::error::{Error, ErrorKind, Excerpt, Result};
use crate::findings::{Code, Findings, Place};
use crate::line::{Block, Line, LineKind, Word};
use crate::profile::{DwellWords, EUnit, Excess, Output, Profile};

/// Words that a motion line acts on.
const MOTION_LETTERS: &[u8] = b"XYZIJKRFE";
/// Largest coordinate that is believed, mm: a kilometre.
const MAX_COORDINATE_MM: f64 = 1e6;
/// An end further than this from its circle is reported, mm.
const ARC_END_MM: f64 = 0.05;
/// Start of the comment that marks a rewritten file.
pub const MARKER: &[u8] = b"; rewritten by meltwright";

/// What the resolver takes from the profile and the file's settings.
#[derive(Clone, Debug)]
pub struct Rules {
    /// Feed in force before the first F word, mm/s.
    pub initial_feed_mm_s: f64,
    /// Volume of one unit of E, mm³; `None` when nothing tells.
    pub e_volume_mm3: Option<f64>,
    /// Letter of the extruder axis.
    pub axis: u8,
    /// Tools that are a screw.
    pub tools: Vec<u32>,
    /// Words of `G4`.
    pub dwell: DwellWords,
    /// Most E in a line without motion.
    pub max_e_only: Option<f64>,
    /// Most E in any line.
    pub max_e_per_line: Option<f64>,
    /// What to do with more.
    pub excess_e: Excess,
    /// Largest bead area, mm².
    pub max_bead_area_mm2: Option<f64>,
    /// `G90` also makes E absolute.
    pub g90_sets_e: bool,
    /// Pass lines through that cannot be read.
    pub lenient: bool,
}

impl Rules {
    /// Gathers the rules; the strand diameter comes from the profile, else from the file.
    pub fn new(profile: &Profile, settings: &FileSettings, lenient: bool) -> Self {
        let screw = &profile.screw;
        let tool = screw.tools.value.first().copied().unwrap_or(0);
        let controller = &profile.controller;
        let nozzle = profile.nozzle.diameter_mm.value;
        let strand = |d: f64| std::f64::consts::FRAC_PI_4 * d * d;
        Self {
            initial_feed_mm_s: controller.initial_feed_mm_s.value,
            e_volume_mm3: match screw.e_unit.value {
                EUnit::Mm3 => Some(1.0),
                EUnit::ScrewTurns => Some(match &screw.output.value {
                    Output::Constant(mm3_rev) => *mm3_rev,
                    Output::Curve(points) => {
                        points.last().map_or(0.0, |[rpm, flow]| if *rpm > 0.0 { flow * 60.0 / rpm } else { 0.0 })
                    }
                }),
                EUnit::VirtualFilament => {
                    screw.virtual_diameter_mm.value.or_else(|| settings.strand_diameter_mm(tool)).map(strand)
                }
            },
            axis: screw.axis.value.to_ascii_uppercase(),
            tools: screw.tools.value.clone(),
            dwell: controller.dwell.value,
            max_e_only: controller.max_e_only_mm.value,
            max_e_per_line: controller.max_e_per_line_mm.value,
            excess_e: controller.excess_e.value,
            max_bead_area_mm2: controller.max_bead_area_per_nozzle_sq.value.map(|factor| factor * nozzle * nozzle),
            g90_sets_e: controller.g90_sets_e.value,
            lenient,
        }
    }
}

/// What one line means, before it is committed.
enum Step {
    /// Nothing that concerns moves.
    Nothing,
    /// A move (or a wait, a feed, a use of the feed).
    Move(Move),
}

/// Turns lines into moves; carries the modal state from block to block.
#[derive(Clone, Debug)]
pub struct Resolver {
    rules: Rules,
    state: State,
    words: Words,
    layers: Layers,
    role: Role,
    is_screw: bool,
    /// Where each tool left off with E.
    e_by_tool: Vec<(u32, f64)>,
    /// After a tool change: where the tool itself left off with E, see [`Resolver::e_start`].
    own_e: Option<f64>,
    /// Volume that has left the nozzle so far, mm³.
    laid: f64,
    /// Volume drawn back and not yet refilled, mm³.
    drawn_back: f64,
    accept_marked: bool,
    /// Where `M101` first switched the extruder on, if anywhere.
    switched_on: Option<Place>,
    /// What was found on the way.
    pub findings: Findings,
    /// Lines split in the block last resolved, by line index.
    pub splits: Vec<(u32, Split)>,
}

impl Resolver {
    /// A resolver at the start of a file. `accept_marked`: do not refuse a file with the marker of an earlier run.
    pub fn new(rules: Rules, settings: &FileSettings, accept_marked: bool) -> Self {
        let state = State::new(rules.initial_feed_mm_s);
        let is_screw = rules.tools.contains(&state.tool);
        Self {
            state,
            rules,
            words: Words::default(),
            layers: Layers::new(settings.marks_layers, settings.layer_height_mm),
            role: Role::Unknown,
            is_screw,
            e_by_tool: Vec::new(),
            own_e: None,
            laid: 0.0,
            drawn_back: 0.0,
            switched_on: None,
            accept_marked,
            findings: Findings::default(),
            splits: Vec::new(),
        }
    }

    /// The modal state after the lines so far.
    pub fn state(&self) -> &State {
        &self.state
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
    pub fn resolve(&mut self, block: &Block, number: u32, out: &mut Vec<Move>) -> Result<()> {
        self.splits.clear();
        let mut words = std::mem::take(&mut self.words);
        let resolved = self.resolve_lines(block, number, &mut words, out);
        self.words = words;
        resolved
    }

    fn resolve_lines(&mut self, block: &Block, number: u32, words: &mut Words, out: &mut Vec<Move>) -> Result<()> {
        for (index, line) in block.lines.iter().enumerate() {
            self.look_at_flags(block, line, index);
            let step = match line.kind {
                LineKind::Code => {
                    let role_before = self.role;
                    if line.comment < line.end {
                        self.note(block, line, false);
                    }
                    let step = self.code(words, block, line, index);
                    if line.comment < line.end && matches!(step, Ok(Step::Move(_))) {
                        // A role behind a move is that of the move alone where other lines state none.
                        self.role = role_before;
                    }
                    step
                }
                LineKind::Comment => {
                    if !self.accept_marked && block.text_of(line).starts_with(MARKER) {
                        return Err(Error::new(ErrorKind::AlreadyRewritten).at(excerpt(
                            block,
                            line,
                            index,
                            0,
                            MARKER.len(),
                            "",
                        )));
                    }
                    self.note(block, line, true);
                    Ok(Step::Nothing)
                }
                LineKind::Named => Ok(self.named(block, line)),
                LineKind::Text => Ok(self.text(block, line)),
                LineKind::Blank | LineKind::Percent | LineKind::Opaque => Ok(Step::Nothing),
            };
            match step {
                Ok(Step::Nothing) => {}
                Ok(Step::Move(mut step)) => {
                    step.block = number;
                    step.line = index as u32;
                    if line.has(Line::CHECKSUM) {
                        step.flags |= Move::CHECKSUM;
                    }
                    out.push(step);
                }
                Err(error)
                    if self.rules.lenient
                        && matches!(error.kind(), ErrorKind::Malformed { .. } | ErrorKind::Unsupported { .. }) =>
                {
                    let what = error.kind().to_string();
                    self.found(Code::UnreadableLine, block, index, || what);
                }
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }

    fn look_at_flags(&mut self, block: &Block, line: &Line, index: usize) {
        if line.flags & (Line::BAD_CHECKSUM | Line::EXPONENT) == 0 {
            return;
        }
        if line.has(Line::BAD_CHECKSUM) {
            self.found(Code::Checksum, block, index, || "checksum does not match".to_owned());
        }
        if line.has(Line::EXPONENT) {
            self.found(Code::Exponent, block, index, || "number with an exponent".to_owned());
        }
    }

    fn found(&mut self, code: Code, block: &Block, index: usize, detail: impl FnOnce() -> String) {
        let place = self.place(block, index, String::new());
        self.findings.add(code, || Place { detail: detail(), ..place });
    }

    fn place(&self, block: &Block, index: usize, detail: String) -> Place {
        Place {
            line: block.first_line + index as u64,
            layer: u64::from(self.layers.count()),
            z_mm: self.state.position[2],
            detail,
        }
    }

    /// Adds what can only be said at the end of the file.
    pub fn finish(&mut self) {
        if self.laid > 0.0 {
            return;
        }
        match self.switched_on.take() {
            Some(place) => self.findings.add(Code::SwitchedExtruder, || place),
            None => {
                self.findings.add(Code::NoExtrusion, || Place { line: 0, layer: 0, z_mm: 0.0, detail: String::new() })
            }
        }
    }

    fn note(&mut self, block: &Block, line: &Line, alone: bool) {
        let comment = block.bytes.get(line.comment as usize..line.end as usize).unwrap_or_default();
        match notes::read(comment, alone) {
            Some(Note::LayerBegins) => self.layers.mark(),
            Some(Note::Height(height) | Note::RunHeight(height)) => self.layers.state_height(height),
            Some(Note::Role(role) | Note::RoleOfLine(role)) => self.role = role,
            None => {}
        }
    }

    fn named(&mut self, block: &Block, line: &Line) -> Step {
        let text = block.text_of(line).trim_ascii();
        if self.state.limits.follow_named(text) {
            return Step::Nothing;
        }
        // Marks of objects, filters and fans leave the feed alone; any other name may be a macro that uses it.
        const NEUTRAL: [&[u8]; 4] =
            [b"EXCLUDE_OBJECT", b"SET_PRESSURE_ADVANCE", b"SET_FAN_SPEED", b"SET_PRINT_STATS_INFO"];
        if NEUTRAL.iter().any(|name| text.starts_with(name)) { Step::Nothing } else { self.feed_user(line) }
    }

    fn text(&mut self, block: &Block, line: &Line) -> Step {
        // A macro file may move; a message does not.
        match block.words_of(line) {
            [word] if word.letter == b'M' && word.value == 98.0 => self.feed_user(line),
            _ => Step::Nothing,
        }
    }

    fn code(&mut self, words: &mut Words, block: &Block, line: &Line, index: usize) -> Result<Step> {
        let found = block.words_of(line);
        let Some(first) = found.first() else { return Ok(Step::Nothing) };
        words.fill(found);
        match first.letter {
            b'M' => Ok(self.m_command(words, first, block, line, index)),
            b'T' => {
                self.select_tool(first.value);
                Ok(self.feed_user(line))
            }
            _ => self.g_line(words, block, line, index),
        }
    }

    fn select_tool(&mut self, number: f64) {
        // Numbers of 100 and above are commands of some machines, not tools.
        if (0.0..100.0).contains(&number) {
            let (before, tool) = (self.state.tool, number as u32);
            if tool != before {
                self.e_by_tool.retain(|entry| entry.0 != before);
                self.e_by_tool.push((before, self.state.e));
                self.own_e = Some(self.e_by_tool.iter().find(|entry| entry.0 == tool).map_or(0.0, |entry| entry.1));
            }
            self.state.tool = tool;
            self.is_screw = self.rules.tools.contains(&tool);
        }
    }

    /// Where an absolute E word counts from.
    ///
    /// After a tool change without `G92`, some dialects go on with the common count and some with the tool's own; the
    /// nearer of the two is meant.
    fn e_start(&self, word: f64) -> f64 {
        match self.own_e {
            Some(own) if (word - own).abs() < (word - self.state.e).abs() => own,
            _ => self.state.e,
        }
    }

    fn feed_user(&self, line: &Line) -> Step {
        Step::Move(Move { feed_at: line.start, feed_len: 0, ..self.blank(Kind::FeedUser) })
    }

    /// A move that does nothing, with the state's feed.
    fn blank(&self, kind: Kind) -> Move {
        Move {
            kind,
            role: self.role,
            flags: if self.is_screw { Move::SCREW } else { 0 } | if self.state.unit_mm == 1.0 { 0 } else { Move::INCH },
            feed_decimals: self.state.feed_decimals,
            block: 0,
            line: 0,
            feed_at: 0,
            feed_len: 0,
            layer: self.layers.count(),
            length: 0.0,
            e: 0.0,
            volume: 0.0,
            melt: 0.0,
            feed_mm_min: self.state.feed_mm_min,
            speed_factor: self.state.speed_factor,
            time: 0.0,
            z: self.state.position[2],
        }
    }

    fn m_command(&mut self, words: &Words, first: &Word, block: &Block, line: &Line, index: usize) -> Step {
        if first.value.fract() != 0.0 || !(0.0..1e6).contains(&first.value) {
            return Step::Nothing;
        }
        let factor = |value: Option<f64>| value.filter(|v| v.is_finite() && *v > 0.0).map(|v| v / 100.0);
        let state = &mut self.state;
        match first.value as u32 {
            82 => state.e_absolute = true,
            83 => state.e_absolute = false,
            101 => {
                let place = self.place(block, index, String::from("M101"));
                self.switched_on.get_or_insert(place);
            }
            104 | 109 => {
                if let Some(temperature) = words.get(b'S').or_else(|| words.get(b'R')) {
                    state.nozzle_temperature_c = Some(temperature);
                }
            }
            // Fan numbers above 0 are other fans.
            106 if words.get(b'P').unwrap_or(0.0) == 0.0 => {
                state.fan = words.get(b'S').map_or(1.0, |s| (s / 255.0).clamp(0.0, 1.0));
            }
            107 => state.fan = 0.0,
            200 => {
                let on = words.get(b'S').is_none_or(|s| s != 0.0);
                if let Some(diameter) = words.get(b'D') {
                    state.volumetric = on && diameter > 0.0;
                } else if words.get(b'S').is_some() {
                    state.volumetric = on;
                }
            }
            220 => {
                if words.mentions(b'B') {
                    state.kept_speed_factor = state.speed_factor;
                }
                if words.mentions(b'R') {
                    state.speed_factor = state.kept_speed_factor;
                }
                if let Some(f) = factor(words.get(b'S')) {
                    state.speed_factor = f;
                }
            }
            221 => {
                if let Some(f) = factor(words.get(b'S')) {
                    state.flow_factor = f;
                }
            }
            // Tool changes of older dialects.
            6 | 108 | 135 => {
                if let Some(tool) = words.get(b'T') {
                    self.select_tool(tool);
                    return self.feed_user(line);
                }
            }
            // Macros, changes of material and parking: they move, and may use the feed in force.
            125 | 600 | 601 | 620 | 621 | 701 | 702 => return self.feed_user(line),
            other => {
                state.limits.follow(other, |letter| words.get(letter));
            }
        }
        Step::Nothing
    }

    /// A line that starts with a G command, or has none and repeats the motion mode.
    fn g_line(&mut self, words: &Words, block: &Block, line: &Line, index: usize) -> Result<Step> {
        // Nearly every line: one straight move and nothing else.
        if let [Command { letter: b'G', tenths: tenths @ (0 | 10) }] = words.commands() {
            let kept = self.state.motion;
            self.state.motion = Some(if *tenths == 0 { Motion::Rapid } else { Motion::Linear });
            return self.motion(words, false, block, line, index).inspect_err(|_| self.state.motion = kept);
        }
        // Everything is worked out on a copy of the small settings, and committed when the line is sound.
        let mut next = Settings {
            unit_mm: self.state.unit_mm,
            absolute: self.state.absolute,
            e_absolute: self.state.e_absolute,
            absolute_centres: self.state.absolute_centres,
            plane: self.state.plane,
            motion: self.state.motion,
        };
        let mut action = if words.commands().is_empty() { Action::Modal } else { Action::None };
        let mut machine = false;
        for command in words.commands() {
            if command.letter != b'G' {
                continue;
            }
            match command.tenths {
                0 => (next.motion, action) = (Some(Motion::Rapid), Action::Modal),
                10 => (next.motion, action) = (Some(Motion::Linear), Action::Modal),
                20 => (next.motion, action) = (Some(Motion::Arc { clockwise: true }), Action::Modal),
                30 => (next.motion, action) = (Some(Motion::Arc { clockwise: false }), Action::Modal),
                40 => action = Action::Dwell,
                170 => next.plane = Plane::Xy,
                180 => next.plane = Plane::Zx,
                190 => next.plane = Plane::Yz,
                200 => next.unit_mm = 25.4,
                210 => next.unit_mm = 1.0,
                280 => action = Action::Home,
                530 => machine = true,
                800 => next.motion = None,
                900 => {
                    next.absolute = true;
                    next.e_absolute |= self.rules.g90_sets_e;
                }
                910 => next.absolute = false,
                901 => next.absolute_centres = true,
                911 => next.absolute_centres = false,
                920 => action = Action::SetPosition,
                921 | 922 => action = Action::ClearOffsets,
                // Reversal by the controller, offsets, tool length, path control, coordinate systems, homing and
                // probing: none of them uses the feed in force.
                100
                | 110
                | 290..=299
                | 340
                | 400..=499
                | 540..=599
                | 610
                | 611
                | 640
                | 690
                | 710
                | 923
                | 940
                | 980
                | 990
                | 1300..=1329
                | 1610
                | 1620
                | 300
                | 3800 => {}
                _ => action = Action::NotFollowed,
            }
        }
        // With only modal settings on the line, axis words repeat the motion mode (`G90 X10`).
        if action == Action::None && words.has_any(b"XYZ") && words.commands().iter().all(|c| sets_mode(c.tenths)) {
            action = Action::Modal;
        }
        let kept = self.state.clone_settings();
        self.apply(&next);
        let step = match action {
            Action::None => Ok(Step::Nothing),
            Action::Modal => self.motion(words, machine, block, line, index),
            Action::Dwell => Ok(self.dwell(words, line)),
            Action::Home => {
                self.home(words);
                Ok(Step::Nothing)
            }
            Action::SetPosition => {
                self.set_position(words);
                Ok(Step::Nothing)
            }
            Action::ClearOffsets => {
                self.state.offset = [0.0; 3];
                Ok(Step::Nothing)
            }
            Action::NotFollowed => Ok(self.not_followed(words, block, line, index)),
        };
        if step.is_err() {
            self.apply(&kept);
        }
        step
    }

    fn apply(&mut self, next: &Settings) {
        self.state.unit_mm = next.unit_mm;
        self.state.absolute = next.absolute;
        self.state.e_absolute = next.e_absolute;
        self.state.absolute_centres = next.absolute_centres;
        self.state.plane = next.plane;
        self.state.motion = next.motion;
    }

    fn dwell(&self, words: &Words, line: &Line) -> Step {
        let p = words.get(b'P').map(|ms| ms * 1e-3);
        let seconds = match self.rules.dwell {
            DwellWords::POnly => p,
            DwellWords::SWins => words.get(b'S').or(p),
        };
        let time = seconds.filter(|s| (0.0..1e7).contains(s)).unwrap_or(0.0);
        Step::Move(Move { time, feed_at: line.start, ..self.blank(Kind::Dwell) })
    }

    fn home(&mut self, words: &Words) {
        let all = !b"XYZ".iter().any(|&axis| words.mentions(axis));
        for (axis, letter) in b"XYZ".iter().enumerate() {
            if all || words.mentions(*letter) {
                self.state.position[axis] = 0.0;
                self.state.offset[axis] = 0.0;
            }
        }
    }

    fn set_position(&mut self, words: &Words) {
        let axis_e = self.rules.axis;
        let value =
            |letter: u8| words.mentions(letter).then(|| words.get(letter).unwrap_or(0.0)).filter(|v| v.is_finite());
        // Without any word, every axis counts from zero.
        let all = words.is_bare_command();
        for (axis, letter) in b"XYZ".iter().enumerate() {
            if let Some(v) = value(*letter).or(all.then_some(0.0)) {
                self.state.offset[axis] = self.state.position[axis] - v * self.state.unit_mm;
            }
        }
        if let Some(v) = value(axis_e).or(all.then_some(0.0)) {
            self.state.e = v * self.state.unit_mm;
            self.own_e = None;
        }
    }

    /// A motion command that is not followed: where it ends is taken over, what it does between is not judged.
    fn not_followed(&mut self, words: &Words, block: &Block, line: &Line, index: usize) -> Step {
        let moves = words.has_any(b"XYZ") || words.get(self.rules.axis).is_some();
        if moves {
            let to = self.state.target([words.get(b'X'), words.get(b'Y'), words.get(b'Z')], false);
            if to.iter().all(|v| v.abs() <= MAX_COORDINATE_MM) {
                self.state.position = to;
            }
            if let Some(e) = words.get(self.rules.axis).filter(|_| !self.state.e_is_relative()) {
                self.state.e = e * self.state.unit_mm;
            }
            let text =
                block.words_of(line).first().map_or(&[][..], |w| &block.bytes[w.start as usize..w.end() as usize]);
            self.found(Code::MotionNotFollowed, block, index, || String::from_utf8_lossy(text).into_owned());
        }
        let feed = self.read_feed(words, block, line, index);
        let mut step = self.blank(Kind::FeedUser);
        (step.feed_at, step.feed_len) = match feed {
            Some(word) if moves => {
                self.set_feed(&word);
                step.feed_mm_min = self.state.feed_mm_min;
                step.feed_decimals = self.state.feed_decimals;
                (word.start, word.len)
            }
            _ => (line.start, 0),
        };
        Step::Move(step)
    }

    /// The F word of the line, if it can be used.
    fn read_feed(&mut self, words: &Words, block: &Block, line: &Line, index: usize) -> Option<Word> {
        let word = *block.words_of(line).get(words.place(b'F')?)?;
        if word.value.is_finite() && word.value > 0.0 {
            return Some(word);
        }
        self.found(Code::FeedNotPositive, block, index, || format!("F{}", word.value));
        None
    }

    /// A line with motion words in a motion mode.
    fn motion(&mut self, words: &Words, machine: bool, block: &Block, line: &Line, index: usize) -> Result<Step> {
        let axis_e = self.rules.axis;
        let room_for_feed = self.check_words(words, block, line, index)?;
        let feed = self.read_feed(words, block, line, index);
        let Some(mode) = self.state.motion else {
            // Axis words without a motion mode do nothing; a feed alone is remembered.
            return Ok(feed.map_or(Step::Nothing, |word| self.commit_feed_alone(&word)));
        };
        let axes = [words.get(b'X'), words.get(b'Y'), words.get(b'Z')];
        let from = self.state.position;
        let to = self.state.target(axes, machine);
        if !to.iter().all(|v| v.abs() <= MAX_COORDINATE_MM) {
            return Err(malformed("this position is further than a kilometre away", block, line, index));
        }
        let (path, is_arc) = match mode {
            Motion::Arc { clockwise } if axes.iter().any(Option::is_some) || words.has_any(b"IJKR") => {
                (self.arc_length(words, from, to, clockwise, block, line, index)?, true)
            }
            _ => {
                let d = [to[0] - from[0], to[1] - from[1], to[2] - from[2]];
                ((d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt(), false)
            }
        };
        let e_word = words.get(axis_e);
        let relative = self.state.e_is_relative();
        let e_from = e_word.filter(|_| !relative).map_or(self.state.e, |e| self.e_start(e * self.state.unit_mm));
        let units = e_word.map_or(0.0, |e| e * self.state.unit_mm - if relative { 0.0 } else { e_from });
        if units.is_nan() || units.abs() > MAX_COORDINATE_MM {
            return Err(malformed("this line turns the extruder by more than a kilometre", block, line, index));
        }
        let e = units * self.state.flow_factor;
        let unit_volume = if self.state.volumetric { Some(1.0) } else { self.rules.e_volume_mm3 };
        let volume = if e == 0.0 {
            0.0
        } else {
            e * unit_volume.ok_or_else(|| Error::new(ErrorKind::NoDiameter).at(whole_line(block, line, index)))?
        };
        let kind = match (path > 0.0, e > 0.0, e < 0.0) {
            (true, true, _) => Kind::Bead,
            (true, _, true) => Kind::MovingEOut,
            (true, ..) => Kind::Travel,
            (false, true, _) => Kind::EIn,
            (false, _, true) => Kind::EOut,
            (false, ..) => Kind::Feed,
        };

        // The line is sound: commit.
        if let Some(word) = &feed {
            self.set_feed(word);
        }
        // E counts on whatever the mode, so that a later absolute word finds it where it is.
        if let Some(e) = e_word {
            self.state.e = if relative { e_from + units } else { e * self.state.unit_mm };
            self.own_e = None;
        }
        self.state.position = to;
        if kind == Kind::Bead {
            self.layers.bead(from[2], to[2]);
        }
        let mut step = self.blank(kind);
        step.length = path;
        step.e = e;
        step.volume = volume;
        if self.is_screw {
            step.melt = self.new_melt(kind, volume);
            self.laid += step.melt;
        } else if e != 0.0 {
            let tool = self.state.tool;
            self.found(Code::ToolNotScrew, block, index, || format!("tool {tool}"));
        }
        if is_arc {
            step.flags |= Move::ARC;
        }
        (step.feed_at, step.feed_len) = match feed {
            Some(word) => (word.start, word.len),
            None if room_for_feed => (line.code_end, 0),
            None => {
                step.flags |= Move::FEED_BEFORE;
                (line.start, 0)
            }
        };
        let speed = step.speed();
        step.time = if speed > 0.0 { step.distance() / speed } else { 0.0 };
        if words.twice_among(MOTION_LETTERS) {
            self.found(Code::DuplicateWord, block, index, || "a letter stands twice".to_owned());
        }
        if self.is_screw && e != 0.0 {
            let before = Before { position: from, e: e_from };
            self.check_controller_limits(&mut step, units, mode, words, &before, block, line, index);
        }
        Ok(Step::Move(step))
    }

    /// The part of `volume` that is new melt. A bead is laid in full and ends what was drawn back before it.
    fn new_melt(&mut self, kind: Kind, volume: f64) -> f64 {
        match kind {
            Kind::Bead => {
                self.drawn_back = 0.0;
                volume
            }
            Kind::EIn => {
                let refill = volume.min(self.drawn_back);
                self.drawn_back -= refill;
                volume - refill
            }
            _ => {
                self.drawn_back -= volume.min(0.0);
                0.0
            }
        }
    }

    fn set_feed(&mut self, word: &Word) {
        self.state.feed_mm_min = word.value * self.state.unit_mm;
        self.state.feed_decimals = word.decimals;
    }

    fn commit_feed_alone(&mut self, word: &Word) -> Step {
        self.set_feed(word);
        Step::Move(Move { feed_at: word.start, feed_len: word.len, ..self.blank(Kind::Feed) })
    }

    /// Refuses words that a motion line acts on and that are no numbers. Returns whether an F word can be added.
    fn check_words(&mut self, words: &Words, block: &Block, line: &Line, index: usize) -> Result<bool> {
        if line.has(Line::JUNK) {
            let text = block.text_of(line);
            let at = (line.code_end - line.start) as usize;
            let at = at + text[at.min(text.len())..].iter().take_while(|b| b.is_ascii_whitespace()).count();
            let len = text[at.min(text.len())..].iter().take_while(|b| !b.is_ascii_whitespace() && **b != b';').count();
            let junk = &text[at.min(text.len())..(at + len).min(text.len())];
            // A feed the slicing program forgot to fill in concerns no position: controllers go on without it.
            if junk.starts_with(b"F{") {
                self.found(Code::Placeholder, block, index, || String::from_utf8_lossy(junk).into_owned());
                return Ok(false);
            }
            let place = excerpt(block, line, index, at, at + len, "not a number");
            if junk.iter().any(|b| matches!(b, b'[' | b'#' | b'<')) {
                return Err(Error::new(ErrorKind::Unsupported {
                    what: "this line computes a value while it runs; only plain numbers can be followed".to_owned(),
                    help: "export plain G-code without parameters and expressions, or run with --lenient to pass such lines through".to_owned(),
                })
                .at(place));
            }
            return Err(Error::new(ErrorKind::Malformed {
                what: format!("`{}` cannot be read on a motion line", String::from_utf8_lossy(junk)),
            })
            .at(place));
        }
        if let Some(letter) = words.bare_among(MOTION_LETTERS) {
            let word = block.words_of(line).iter().find(|w| w.letter == letter && !w.has_number());
            let at = word.map_or(0, |w| (w.start - line.start) as usize);
            return Err(Error::new(ErrorKind::Malformed { what: format!("{} has no number", letter as char) })
                .at(excerpt(block, line, index, at, at + 1, "a number is missing here")));
        }
        Ok(true)
    }

    #[allow(clippy::too_many_arguments)]
    fn arc_length(
        &mut self,
        words: &Words,
        from: [f64; 3],
        to: [f64; 3],
        clockwise: bool,
        block: &Block,
        line: &Line,
        index: usize,
    ) -> Result<f64> {
        let (first, second, helix) = self.state.plane.axes();
        const OFFSETS: [u8; 3] = *b"IJK";
        let unit = self.state.unit_mm;
        let centre = if words.has_any(b"IJK") {
            let offset = |axis: usize| {
                let value = words.get(OFFSETS[axis]).map(|v| v * unit);
                if self.state.absolute_centres {
                    value.map_or(0.0, |v| v + self.state.offset[axis] - from[axis])
                } else {
                    value.unwrap_or(0.0)
                }
            };
            Centre::Offset(offset(first), offset(second))
        } else if let Some(r) = words.get(b'R') {
            Centre::Radius(r * unit)
        } else {
            return Err(malformed("this arc has neither a centre (I, J, K) nor a radius (R)", block, line, index));
        };
        let turns = words.get(b'P').filter(|p| (1.0..1e6).contains(p)).map_or(1, |p| p as u32);
        let arc = Arc::resolve([from[first], from[second]], [to[first], to[second]], centre, clockwise, turns)
            .map_err(|error| malformed(&error.to_string(), block, line, index))?;
        if arc.end_error > ARC_END_MM {
            self.found(Code::ArcEnd, block, index, || format!("{:.2} mm off", arc.end_error));
        }
        Ok(arc.length(to[helix] - from[helix]))
    }

    /// Rules of the controller on E and bead area: splits or reports.
    #[allow(clippy::too_many_arguments)]
    fn check_controller_limits(
        &mut self,
        step: &mut Move,
        units: f64,
        mode: Motion,
        words: &Words,
        before: &Before,
        block: &Block,
        line: &Line,
        index: usize,
    ) {
        if let (Some(area), Some(most)) = (step.bead_area(), self.rules.max_bead_area_mm2)
            && area > most
        {
            self.found(Code::BeadArea, block, index, || format!("{area:.2} mm², at most {most:.2} mm²"));
        }
        let most = if step.length > 0.0 { None } else { self.rules.max_e_only };
        let most = match (most, self.rules.max_e_per_line) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        let Some(most) = most.filter(|most| step.e.abs() > *most) else { return };
        let straight = matches!(mode, Motion::Rapid | Motion::Linear);
        let pieces = (step.e.abs() / most).ceil();
        if self.rules.excess_e == Excess::Report || !straight || pieces > 1e4 {
            let e = step.e;
            self.found(Code::ExcessE, block, index, || format!("{e:.1} units of E, at most {most} in one line"));
            return;
        }
        let found = block.words_of(line);
        let decimals = |letter: u8, least: u8| {
            let word = words.place(letter).and_then(|place| found.get(place));
            word.map_or(least, |word| word.decimals.clamp(least, 12))
        };
        let mut spans = Vec::with_capacity(4);
        let mut add = |letter: u8, from: f64, to: f64, relative: bool, least: u8| {
            let place = words.place(letter).and_then(|place| u8::try_from(place).ok());
            if let (Some(place), Some(_)) = (place, words.get(letter)) {
                spans.push(Span { letter, from, to, relative, decimals: decimals(letter, least), place });
            }
        };
        for (axis, letter) in b"XYZ".iter().enumerate() {
            let unit = self.state.unit_mm;
            let (from, to) = if self.state.absolute {
                let offset = self.state.offset[axis];
                ((before.position[axis] - offset) / unit, words.get(*letter).unwrap_or(0.0))
            } else {
                (0.0, words.get(*letter).unwrap_or(0.0))
            };
            add(*letter, from, to, !self.state.absolute, 3);
        }
        let relative = self.state.e_is_relative();
        let e_from = if relative { 0.0 } else { before.e };
        let unit = self.state.unit_mm;
        add(self.rules.axis, e_from / unit, (e_from + units) / unit, relative, 5);
        step.flags |= Move::SPLIT;
        let split = Split { pieces: pieces as u32, rapid: mode == Motion::Rapid, spans };
        self.splits.push((index as u32, split));
    }
}

/// Where a line started.
struct Before {
    position: [f64; 3],
    e: f64,
}

/// The small settings a G line may change before it moves.
#[derive(Clone, Copy)]
struct Settings {
    unit_mm: f64,
    absolute: bool,
    e_absolute: bool,
    absolute_centres: bool,
    plane: Plane,
    motion: Option<Motion>,
}

impl State {
    fn clone_settings(&self) -> Settings {
        Settings {
            unit_mm: self.unit_mm,
            absolute: self.absolute,
            e_absolute: self.e_absolute,
            absolute_centres: self.absolute_centres,
            plane: self.plane,
            motion: self.motion,
        }
    }
}

/// What the axis words of a G line are for.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Action {
    None,
    Modal,
    Dwell,
    Home,
    SetPosition,
    ClearOffsets,
    NotFollowed,
}

/// Commands after which axis words still mean the motion mode.
const fn sets_mode(tenths: u32) -> bool {
    matches!(tenths, 170 | 180 | 190 | 200 | 210 | 400..=430 | 490 | 530 | 540..=599 | 610 | 611 | 640 | 900 | 910 | 901 | 911 | 940)
}

fn excerpt(block: &Block, line: &Line, index: usize, start: usize, end: usize, label: &str) -> Excerpt {
    Excerpt::new(block.first_line + index as u64, block.text_of(line), start, end, label)
}

fn whole_line(block: &Block, line: &Line, index: usize) -> Excerpt {
    excerpt(block, line, index, 0, (line.code_end - line.start) as usize, "")
}

fn malformed(what: &str, block: &Block, line: &Line, index: usize) -> Error {
    Error::new(ErrorKind::Malformed { what: what.to_owned() }).at(whole_line(block, line, index))
}
