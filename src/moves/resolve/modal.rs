//! G and M commands that set modes, positions, factors and tools.

use super::places::Leads;
use super::{At, MAX_COORDINATE_MM, Resolver};
use crate::error::{Error, ErrorKind, Result};
use crate::findings::Code;
use crate::line::{Line, Word};
use crate::moves::arc::Plane;
use crate::moves::state::{Motion, State};
use crate::moves::words::{Command, Words};
use crate::moves::{Kind, Move};
use crate::profile::{DwellWords, LimitWords};

impl Resolver {
    pub(super) fn m_command(&mut self, words: &Words, first: &Word, at: At<'_>) -> Result<()> {
        if self.takes_out_command(words, at) {
            return Ok(());
        }
        if let Some(command) = words.commands().first() {
            let tool = self.state.tool;
            self.watched(at, |watch, found| watch.m_command(*command, words, tool, found));
            self.heat.m_command(*command, words, tool);
            self.fan.m_command(*command, words, self.laid);
        }
        if first.value.fract() != 0.0 || !(0.0..1e6).contains(&first.value) {
            return Ok(());
        }
        // Factors in percent; what is beyond a ten-thousandfold change is a fault of the file.
        let factor = |value: Option<f64>| value.filter(|v| (0.01..=1e6).contains(v)).map(|v| v / 100.0);
        let state = &mut self.state;
        match first.value as u32 {
            82 => state.e_absolute = true,
            83 => state.e_absolute = false,
            101 => {
                let place = self.place(at, String::from("M101"));
                self.switched_on.get_or_insert(place);
            }
            // Nozzle and fan are followed by what judges them.
            104 | 106 | 107 => {}
            92 if self.rules.has_own_e_unit && words.mentions(self.rules.axis) => {
                self.found(Code::EStepsInFile, at, || String::from_utf8_lossy(at.text()).trim().to_owned());
            }
            207 if words.get(b'Z').is_some_and(|lift| lift > 0.0) => {
                self.found(Code::ReversalLifts, at, || String::from_utf8_lossy(at.text()).trim().to_owned());
            }
            109 => self.command(Kind::Stop, at),
            // Modes and feed are put on a stack, and taken from it again.
            120 if self.rules.limit_words == LimitWords::PerMinute => self.push_modes(at),
            121 if self.rules.limit_words == LimitWords::PerMinute => self.pop_modes(at),
            200 => self.e_unit(words, at)?,
            220 => {
                if words.mentions(b'B') {
                    state.kept_speed_factor = state.speed_factor;
                }
                if words.mentions(b'R') {
                    state.set_speed_factor(state.kept_speed_factor);
                }
                if let Some(f) = factor(words.get(b'S')) {
                    state.set_speed_factor(f);
                }
            }
            221 => {
                if let Some(f) = factor(words.get(b'S')) {
                    // Some boards name the tool by its drive (from memory).
                    let drive = words.get(b'D').filter(|_| self.rules.limit_words == LimitWords::PerMinute);
                    self.set_flow_factor(words.get(b'T').or(drive), f);
                }
            }
            // Tool changes of older dialects.
            6 | 108 | 135 => {
                if let Some(tool) = words.get(b'T') {
                    self.tool_line(tool, at);
                }
            }
            2 => self.command(Kind::End, at),
            // Changes of material, parking and pauses: they may move, with the feed in force.
            25 | 125 | 226 | 600 | 601 | 701 | 702 => self.command(Kind::Pause, at),
            620 | 621 => self.command(Kind::FeedUser, at),
            // Waiting for the end of motion or for a temperature, motors off.
            116 | 190 | 191 | 400 => self.command(Kind::Stop, at),
            18 | 84 => {
                self.command(Kind::Stop, at);
                if let Some(step) = self.moves.last_mut() {
                    step.wait_s = self.rules.motors_off_s;
                }
            }
            other => {
                state.limits.next_line();
                if state.limits.follow(other, self.rules.limit_words, |letter| words.get(letter)) {
                    self.limits_changed(at);
                } else if words.commands().first().is_some_and(|command| self.watch.is_own(*command)) {
                    self.command(Kind::FeedUser, at);
                }
            }
        }
        Ok(())
    }

    /// `M200`: E counts as a volume, or as a length again.
    fn e_unit(&mut self, words: &Words, at: At<'_>) -> Result<()> {
        if words.get(b'T').is_some_and(|named| !self.rules.tools.iter().any(|tool| f64::from(*tool) == named)) {
            return Ok(());
        }
        if self.rules.has_own_e_unit && at.line.has(Line::NUMBERED) {
            let what = "this line says what a unit of E is, and a numbered line cannot be taken out";
            return Err(Error::new(ErrorKind::UnitStays { what }).at(at.all_words()));
        }
        let on = words.get(b'S').is_none_or(|s| s != 0.0);
        if let Some(diameter) = words.get(b'D') {
            self.state.volumetric = on && diameter > 0.0;
        } else if words.get(b'S').is_some() {
            self.state.volumetric = on;
        }
        let blank = self.blank(Kind::Feed, at);
        self.moves.push(Move { flags: blank.flags | Move::E_UNIT, feed_at: at.line.start, ..blank });
        Ok(())
    }

    /// A line that starts with a G command, or has none and repeats the motion mode.
    pub(super) fn g_line(&mut self, words: &Words, at: At<'_>) -> Result<()> {
        // Nearly every line: one straight move and nothing else.
        if let [Command { letter: b'G', tenths: tenths @ (0 | 10) }] = words.commands()
            && !self.counts_from_places(words)
        {
            let kept = self.state.motion;
            self.state.motion = Some(if *tenths == 0 { Motion::Rapid } else { Motion::Linear });
            self.motion(words, false, at).inspect_err(|_| self.state.motion = kept)?;
            self.state.named_by_e = self.only_turns_e(words);
            return Ok(());
        }
        self.watched(at, |watch, found| watch.g_commands(words, found));
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
        let (mut machine, mut system) = (false, None);
        for command in words.commands() {
            if command.letter != b'G' {
                continue;
            }
            self.heat.g_command(*command, words, self.state.tool, self.dwell_s(words));
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
                100 | 110
                    if self.turns_back(words)
                        && self.rules.has_own_e_unit
                        && (self.rules.keeps_turns || at.line.has(Line::NUMBERED)) =>
                {
                    let what = match self.rules.keeps_turns {
                        true => "the length of this reversal is set in the unit of the file, and reversals are to stay",
                        false => {
                            "the length of this reversal is set in the unit of the file, and a numbered line cannot be taken \
                             out"
                        }
                    };
                    return Err(Error::new(ErrorKind::UnitStays { what }).at(at.all_words()));
                }
                // What somebody has made a macro of may move, whatever the number stands for elsewhere.
                _ if words.commands().len() == 1 && self.watch.is_own(*command) => action = Action::Macro,
                // The bed or the gantry is probed.
                290..=299 | 300 | 340 => action = Action::Probe,
                // Reversal by the controller, offsets, tool length, path control, coordinate systems and probing one way:
                // none of them uses the feed in force.
                100 if self.turns_back(words) => action = Action::SetReversal(Kind::SetEOut),
                110 if self.turns_back(words) => action = Action::SetReversal(Kind::SetEIn),
                100 => action = Action::SetOrigin,
                540..=599 => system = Some(command.tenths),
                600 if self.keeps_places() => action = Action::KeepPlace,
                610 if self.goes_back() => action = Action::GoBack,
                110
                | 400..=499
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
                | 3800 => {}
                tenths => action = Action::NotFollowed { is_curve: matches!(tenths, 50 | 51) },
            }
        }
        // With only modal settings on the line, axis words repeat the motion mode (`G90 X10`).
        if action == Action::None && words.has_any(b"XYZ") && words.commands().iter().all(|c| sets_mode(c.tenths)) {
            action = Action::Modal;
        }
        let straight = matches!(next.motion, Some(Motion::Rapid | Motion::Linear));
        if action == Action::Modal && straight && self.counts_from_places(words) {
            action = Action::FromKept;
        }
        let kept = self.state.clone_settings();
        self.apply(&next);
        if let Some(tenths) = system {
            self.select_system(tenths, at);
        }
        let before = self.moves.len();
        match action {
            Action::None => {}
            Action::Modal => self.motion(words, machine, at).inspect_err(|_| self.apply(&kept))?,
            Action::Dwell => self.dwell(words, at),
            Action::Home => self.home(words, at),
            Action::Macro => self.command(Kind::FeedUser, at),
            Action::Probe => self.command(Kind::Home, at),
            Action::SetReversal(kind) => self.command(kind, at),
            Action::SetPosition => self.set_position(words, at),
            Action::ClearOffsets => {
                (0..3).for_each(|axis| self.forget_offset(axis));
                self.anchor();
            }
            Action::SetOrigin => self.set_origin(words, at),
            Action::KeepPlace => self.keep_place(words, at)?,
            Action::GoBack => self.go_back(words, b'S', at)?,
            Action::FromKept => self.beside_kept(words, machine, at).inspect_err(|_| self.apply(&kept))?,
            Action::NotFollowed { is_curve } => {
                self.not_followed(words, is_curve, at).inspect_err(|_| self.apply(&kept))?;
            }
        }
        let names_motion = words.commands().iter().any(|c| c.letter == b'G' && matches!(c.tenths, 0 | 10 | 20 | 30));
        if names_motion {
            self.state.named_by_e = self.only_turns_e(words);
        } else if self.state.named_by_e
            && action == Action::Modal
            && let Some(step) = self.moves.get_mut(before)
        {
            step.flags |= match next.motion {
                Some(Motion::Rapid) => Move::REPEATS_0,
                Some(Motion::Linear) => Move::REPEATS_1,
                _ => 0,
            };
        }
        let repeats_arc = !names_motion && action != Action::Macro && matches!(next.motion, Some(Motion::Arc { .. }));
        // A motion behind another command may lead elsewhere for it, as behind that of a coordinate system.
        let repeats_behind = action == Action::Modal && !names_motion && !words.commands().is_empty();
        if (repeats_arc || repeats_behind || words.commands().len() > 1 || next.counts_otherwise(&kept))
            && let Some(step) = self.moves.get_mut(before)
        {
            step.flags |= Move::BOUND;
        }
        Ok(())
    }

    /// Whether a line has E and no place to go to.
    fn only_turns_e(&self, words: &Words) -> bool {
        !words.has_any(b"XYZ") && words.get(self.rules.axis).is_some()
    }

    /// Sets the factor on E of the named tool, or of the active one.
    pub(super) fn set_flow_factor(&mut self, tool: Option<f64>, factor: f64) {
        let factor = factor.min(self.rules.max_flow_factor);
        let tool = tool.filter(|t| (0.0..100.0).contains(t)).map_or(self.state.tool, |t| t as u32);
        self.flow_by_tool.retain(|entry| entry.0 != tool);
        self.flow_by_tool.push((tool, factor));
        if tool == self.state.tool {
            self.state.flow_factor = factor;
        }
    }

    fn apply(&mut self, next: &Settings) {
        self.state.unit_mm = next.unit_mm;
        self.state.absolute = next.absolute;
        self.state.e_absolute = next.e_absolute;
        self.state.absolute_centres = next.absolute_centres;
        self.state.plane = next.plane;
        self.state.motion = next.motion;
    }

    /// Whether a `G10` or `G11` is a reversal by the controller, or its refill: it stands alone or, where S is no temperature of
    /// the tool, with an S that tells a longer reversal, for a change of tool, from the usual one.
    fn turns_back(&self, words: &Words) -> bool {
        let edits_tool = self.rules.limit_words == LimitWords::PerMinute;
        words.is_bare_command() || !edits_tool && words.has_only(b'S') && matches!(words.get(b'S'), Some(0.0 | 1.0))
    }

    /// What `G4` with these words waits, s.
    fn dwell_s(&self, words: &Words) -> f64 {
        let p = words.get(b'P').map(|ms| ms * 1e-3);
        let seconds = match self.rules.dwell {
            DwellWords::POnly => p,
            DwellWords::SWins => words.get(b'S').or(p),
        };
        seconds.filter(|s| (0.0..1e7).contains(s)).unwrap_or(0.0)
    }

    fn dwell(&mut self, words: &Words, at: At<'_>) {
        let time = self.dwell_s(words);
        let step = Move { wait_s: time, feed_at: at.line.start, ..self.blank(Kind::Dwell, at) };
        self.moves.push(step);
    }

    fn home(&mut self, words: &Words, at: At<'_>) {
        self.command(Kind::Home, at);
        let all = !b"XYZ".iter().any(|&axis| words.mentions(axis));
        for (axis, letter) in b"XYZ".iter().enumerate() {
            if all || words.mentions(*letter) {
                self.state.position[axis] = 0.0;
                self.forget_offset(axis);
                self.state.known[axis] = true;
                self.state.stated[axis] = false;
            }
        }
        self.anchor();
    }

    fn set_position(&mut self, words: &Words, at: At<'_>) {
        let axis_e = self.rules.axis;
        let unit = self.state.unit_mm;
        let value = |letter: u8| {
            let value = words.mentions(letter).then(|| words.get(letter).unwrap_or(0.0));
            value.filter(|v| (v * unit).is_finite())
        };
        // Without any word, every axis counts from zero.
        let all = words.is_bare_command();
        let mut counts_otherwise = false;
        for (axis, letter) in b"XYZ".iter().enumerate() {
            if let Some(v) = value(*letter).or(all.then_some(0.0)) {
                self.state.offset[axis] = self.state.position[axis] - v * self.state.unit_mm;
                self.state.offset_known[axis] = self.state.known[axis];
                self.state.stated[axis] = true;
                counts_otherwise = true;
            }
        }
        if let Some(v) = value(axis_e).or(all.then_some(0.0)) {
            self.state.e = v * self.state.unit_mm;
            self.own_e = None;
            self.command(Kind::SetE, at);
            self.watch.e_was_set();
        }
        // Lines put before this one count as the lines before do.
        if counts_otherwise {
            self.anchor();
        }
    }

    /// A motion command that is not followed: where it ends is taken over, what it does between is not judged.
    fn not_followed(&mut self, words: &Words, is_curve: bool, at: At<'_>) -> Result<()> {
        let moves = words.has_any(b"XYZ") || words.get(self.rules.axis).is_some();
        let to = self.state.target([words.get(b'X'), words.get(b'Y'), words.get(b'Z')], false);
        self.pass_through(words, moves.then_some(Leads { to, lost: [false; 3] }), is_curve, at)
    }

    /// A line is passed through as it is, to a place if it moves. `lays`: its E is what it lays.
    pub(super) fn pass_through(&mut self, words: &Words, leads: Option<Leads>, lays: bool, at: At<'_>) -> Result<()> {
        let axis_e = self.rules.axis;
        let mut curve = None;
        if let Some(Leads { to, lost }) = leads {
            let relative = self.state.e_is_relative();
            let given = words.get(axis_e).map(|e| e * self.state.unit_mm).filter(|e| e.is_finite());
            if let Some(e) = given.filter(|_| lays) {
                curve = Some(self.turned(e, relative, true, at)?);
            }
            if to.iter().all(|v| v.abs() <= MAX_COORDINATE_MM) {
                self.state.position = to;
            }
            if let Some(e) = given.filter(|_| lays || !relative) {
                self.state.e = if relative { self.state.e + e } else { e };
                self.own_e = None;
                if !lays {
                    self.command(Kind::SetE, at);
                }
            }
            let text = at.words().first().map_or(&[][..], |w| &at.block.bytes[w.start as usize..w.end() as usize]);
            let is_lost = lost != [false; 3];
            let code = if is_lost { Code::PlaceUnknown } else { Code::MotionNotFollowed };
            self.found(code, at, || String::from_utf8_lossy(if is_lost { at.text() } else { text }).trim().to_owned());
            (0..3).filter(|axis| lost[*axis]).for_each(|axis| self.lose(axis));
        }
        let feed = self.read_feed(words, at);
        let mut step = self.blank(Kind::FeedUser, at);
        (step.feed_at, step.feed_len) = match feed {
            Some(word) if leads.is_some() => {
                self.set_feed(word);
                step.feed_mm_min = self.state.feed_mm_min;
                step.feed_decimals = self.state.feed_decimals;
                (word.start, word.len)
            }
            _ => (at.line.start, 0),
        };
        if let Some((curve, word)) = curve.zip(words.place(axis_e).and_then(|place| at.words().get(place))) {
            step.flags |= Move::WHOLE;
            (step.e, step.volume) = (curve.e, curve.volume);
            (step.e_at, step.e_len, step.e_decimals) = (word.start, word.len, word.decimals);
        }
        self.moves.push(step);
        if leads.is_some() {
            self.anchor();
        }
        Ok(())
    }

    /// A line that selects a tool. Where that is another one, the machine stands as for a pause, and what is due before the line
    /// is due of the tool that leaves.
    pub(super) fn tool_line(&mut self, number: f64, at: At<'_>) {
        let changes = is_tool(number) && number as u32 != self.state.tool;
        self.command(if changes { Kind::Pause } else { Kind::FeedUser }, at);
        self.select_tool(number);
    }

    fn select_tool(&mut self, number: f64) {
        if is_tool(number) {
            let (before, tool) = (self.state.tool, number as u32);
            if tool != before {
                self.e_by_tool.retain(|entry| entry.0 != before);
                self.e_by_tool.push((before, self.state.e));
                self.own_e = Some(self.e_by_tool.iter().find(|entry| entry.0 == tool).map_or(0.0, |entry| entry.1));
            }
            self.state.tool = tool;
            let factor = self.flow_by_tool.iter().find(|entry| entry.0 == tool);
            self.state.flow_factor = factor.map_or(1.0, |entry| entry.1);
            self.is_screw = self.rules.tools.contains(&tool);
        }
    }
}

/// Numbers of 100 and above are commands of some machines, not tools.
fn is_tool(number: f64) -> bool {
    (0.0..100.0).contains(&number)
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

impl Settings {
    /// Whether words mean something else than with `other`.
    fn counts_otherwise(&self, other: &Self) -> bool {
        self.unit_mm != other.unit_mm || self.absolute != other.absolute || self.e_absolute != other.e_absolute
    }
}

/// What the axis words of a G line are for.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Action {
    None,
    Modal,
    Dwell,
    Home,
    Macro,
    Probe,
    SetReversal(Kind),
    SetPosition,
    ClearOffsets,
    SetOrigin,
    KeepPlace,
    GoBack,
    FromKept,
    NotFollowed {
        /// It is a curve: E is what it lays.
        is_curve: bool,
    },
}

/// Commands after which axis words still mean the motion mode.
const fn sets_mode(tenths: u32) -> bool {
    matches!(tenths, 170 | 180 | 190 | 200 | 210 | 400..=430 | 490 | 530 | 540..=599 | 610 | 611 | 640 | 900 | 910 | 901 | 911 | 940)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::Block;
    use crate::moves::resolve::Rules;
    use crate::moves::settings::FileSettings;
    use crate::profile::Profile;

    #[test]
    fn limits_and_factors_are_followed() {
        let text = "M204 P800 T1200\nM205 X10\nM220 S50\nM221 S120\nM221 T1 S90\n";
        let settings = FileSettings::default();
        let board = Profile::load("[controller]\npreset = \"board\"\n", "board.toml").unwrap();
        let rules = Rules::new(&board, &settings, false);
        let mut resolver = Resolver::new(rules, &settings, false);
        let mut block = Block { bytes: text.into(), first_line: 1, ..Block::default() };
        block.lex();
        resolver.resolve(&block, &mut Vec::new()).unwrap();
        let state = &resolver.state;
        assert_eq!((state.limits.print_accel, state.limits.travel_accel), (Some(800.0), Some(1200.0)));
        assert_eq!(state.limits.axis_step[0], Some(10.0));
        assert_eq!((state.speed_factor, state.flow_factor), (0.5, 1.2));
    }
}
