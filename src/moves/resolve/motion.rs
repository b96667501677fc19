//! Motion lines: checked as a whole, then committed.

use super::checks::check_place;
use super::excess::{Before, Laid};
use super::rules::BESIDE_MM;
use super::{At, MAX_COORDINATE_MM, Resolver};
use crate::error::{Error, ErrorKind, Result};
use crate::findings::Code;
use crate::line::{Line, Word};
use crate::moves::arc::{Arc, ArcPath, Centre};
use crate::moves::controller::Found;
use crate::moves::state::{Motion, State};
use crate::moves::words::Words;
use crate::moves::{Kind, Move, ROUNDED};
use crate::units::Bounded;

/// An end further than this from its circle is reported, mm.
const ARC_END_MM: f64 = 0.05;
/// What a motion line asks for.
#[derive(Clone, Copy, Debug)]
struct Asked<'a> {
    /// Where it ends, mm.
    to: [f64; 3],
    /// Axes that it names.
    given: [bool; 3],
    /// Value of its E word.
    e: Option<f64>,
    /// That word.
    e_word: Option<&'a Word>,
    /// Its F word, if it can be used.
    feed: Option<&'a Word>,
    /// An F word can be added.
    room_for_feed: bool,
    /// Positions are those of the machine (`G53`).
    machine: bool,
    /// A letter that counts stands twice.
    twice: bool,
}

/// Whether a place lies outside a box of least X and Y, largest X and Y, mm.
#[inline]
fn outside([x, y, _]: [f64; 3], [least_x, least_y, most_x, most_y]: &[f64; 4]) -> bool {
    x < *least_x || y < *least_y || x > *most_x || y > *most_y
}

/// Less E than this is what sums of figures leave of nothing: no drive turns by so little.
pub(super) const LEAST_E: f64 = 1e-9;
/// The same of the path of a straight line, mm: an extruder that turns on it turns alone.
pub(super) const LEAST_PATH_MM: f64 = 1e-6;

/// What an E word does.
#[derive(Clone, Copy, Debug)]
pub(super) struct Turned {
    /// Where E counts from, mm.
    from: f64,
    /// How far it turns as the file counts, mm.
    units: f64,
    /// The same as scaled by the flow factor.
    pub e: f64,
    /// Volume that pushes, mm³.
    pub volume: f64,
}

/// What a line with a path or without makes the machine do, whose E turns by `e`.
#[inline(always)]
pub(super) fn kind_of(has_path: bool, e: f64) -> Kind {
    match (has_path, e > 0.0, e < 0.0) {
        (true, true, _) => Kind::Bead,
        (true, _, true) => Kind::MovingTurn,
        (true, ..) => Kind::Travel,
        (false, true, _) => Kind::EIn,
        (false, _, true) => Kind::EOut,
        (false, ..) => Kind::Feed,
    }
}

/// The part of `volume` that is new melt, and what is drawn back behind it. A bead is laid in full and ends what was drawn
/// back before it, but where E leads the flow.
#[inline(always)]
pub(in crate::moves) fn new_melt(kind: Kind, volume: f64, drawn_back: f64, e_leads: bool) -> (f64, f64) {
    match kind {
        Kind::Bead if !e_leads => (volume, 0.0),
        Kind::Bead | Kind::EIn | Kind::MovingTurn if volume > 0.0 => {
            let refill = volume.at_most(drawn_back);
            (volume - refill, drawn_back - refill)
        }
        _ => (0.0, drawn_back - volume.at_most(0.0)),
    }
}

impl Resolver {
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

    /// Factor on E of a line with motion, or of one without.
    #[inline(always)]
    pub(super) fn flow_factor(&self, moves: bool) -> f64 {
        if moves || self.rules.flow_factor_at_rest { self.state.flow_factor } else { 1.0 }
    }

    /// What a unit of E pushes here, mm³; `None` when nothing tells.
    #[inline(always)]
    pub(super) fn unit_volume(&self) -> Option<f64> {
        if self.state.volumetric { Some(1.0) } else { self.rules.e_volume_mm3 }
    }

    /// What an E word of `word` mm does on a line with motion, or on one without.
    #[inline(always)]
    pub(super) fn turned(&self, word: f64, relative: bool, moves: bool, at: At<'_>) -> Result<Turned> {
        let from = if relative { self.state.e } else { self.e_start(word) };
        let units = word - if relative { 0.0 } else { from };
        if units.is_nan() || units.abs() > MAX_COORDINATE_MM {
            return Err(at.malformed("this line turns the extruder by more than a kilometre"));
        }
        let e = units * self.flow_factor(moves);
        if e.abs() < LEAST_E {
            return Ok(Turned { from, units, e: 0.0, volume: 0.0 });
        }
        if self.state.volumetric && self.rules.has_own_e_unit && !self.is_screw {
            let what = "another tool counts E as a volume here, by an M200 that has to be taken out for the screw";
            return Err(Error::new(ErrorKind::UnitStays { what }).at(at.all_words()));
        }
        match self.unit_volume() {
            Some(volume) => Ok(Turned { from, units, e, volume: e * volume }),
            None => Err(Error::new(ErrorKind::NoDiameter).at(at.all_words())),
        }
    }

    /// Whether a straight line along which `volume` is pushed refills what was turned back before, and lays nothing: it leads
    /// straight up or down.
    fn refills(&self, [dx, dy, _]: [f64; 3], volume: f64) -> bool {
        let is_refill = volume <= (1.0 + ROUNDED) * self.drawn_back;
        is_refill && dx == 0.0 && dy == 0.0 && self.is_screw && !self.rules.e_leads
    }

    /// Resolves a straight line that consists of `G0` or `G1` and X, Y, Z, F and E at most once each, as nearly all do,
    /// without sorting its words. `None`: it may be anything else, and nothing has changed.
    #[inline]
    pub(super) fn plain_line<'a>(&mut self, first: &Word, rest: &'a [Word], at: At<'a>) -> Option<Result<()>> {
        // Two characters: a letter and a digit.
        if first.letter != b'G' || first.len != 2 || at.line.has(Line::JUNK) {
            return None;
        }
        let mode = match first.value {
            0.0 => Motion::Rapid,
            1.0 => Motion::Linear,
            _ => return None,
        };
        // Each in a place of its own: what is put together bit by bit and then read as a whole has the processor wait.
        let [mut x, mut y, mut z] = self.state.position;
        let (unit, base) = (self.state.unit_mm, self.state.base());
        let (mut has_x, mut has_y, mut has_z) = (false, false, false);
        let (mut feed, mut e) = (None, None);
        for word in rest {
            match word.letter {
                _ if !word.has_number() => return None,
                b'X' if !has_x => (x, has_x) = (word.value * unit + base[0], true),
                b'Y' if !has_y => (y, has_y) = (word.value * unit + base[1], true),
                b'Z' if !has_z => (z, has_z) = (word.value * unit + base[2], true),
                b'F' if feed.is_none() => feed = Some(word),
                letter if letter == self.rules.axis && e.is_none() => e = Some(word),
                _ => return None,
            }
        }
        let asked = Asked {
            to: [x, y, z],
            given: [has_x, has_y, has_z],
            e: e.map(|word| word.value),
            e_word: e,
            feed: feed.filter(|word| self.is_usable_feed(word, at)),
            room_for_feed: true,
            machine: false,
            twice: false,
        };
        let done = self.advance(&asked, mode, None, at);
        if done.is_ok() {
            self.state.motion = Some(mode);
            self.state.named_by_e = asked.given == [false; 3] && asked.e.is_some();
        }
        Some(done)
    }

    /// A line with motion words in a motion mode.
    pub(super) fn motion(&mut self, words: &Words, machine: bool, at: At<'_>) -> Result<()> {
        let room_for_feed = self.check_words(words, at)?;
        let feed = self.read_feed(words, at);
        let Some(mode) = self.state.motion else {
            // Axis words without a motion mode do nothing; a feed alone is remembered.
            if let Some(word) = feed {
                self.commit_feed_alone(word, at);
            }
            return Ok(());
        };
        let axes = [words.get(b'X'), words.get(b'Y'), words.get(b'Z')];
        let (from, to) = (self.state.position, self.state.target(axes, machine));
        check_place(to, at)?;
        let arc = match mode {
            Motion::Arc { clockwise } if axes.iter().any(Option::is_some) || words.has_any(b"IJKR") => {
                let arc = self.arc(words, from, to, clockwise, at)?;
                if let Some(odd) = self.watch.odd_in_arc(words, !self.state.absolute) {
                    self.found(Code::ArcForm, at, || odd.to_owned());
                }
                let (first, second, _) = arc.plane.axes();
                let ends = axes[first].is_some() && axes[second].is_some();
                // From a point on its way on, an arc that ends off its circle is another one.
                let closes = arc.arc.end_error <= ARC_END_MM;
                let parts = ends && closes && !self.state.absolute_centres && words.get(b'P').is_none();
                Some((arc, if parts { Move::ARC } else { Move::ARC | Move::WHOLE }))
            }
            _ => None,
        };
        let axis_e = self.rules.axis;
        let asked = Asked {
            to,
            given: axes.map(|word| word.is_some()),
            e: words.get(axis_e),
            e_word: words.place(axis_e).and_then(|place| at.words().get(place)),
            feed,
            room_for_feed,
            machine,
            twice: words.twice_among(&self.motion_letters()),
        };
        self.advance(&asked, mode, arc, at)
    }

    /// Checks what is asked for, then commits it. `arc`: the path, where it is one, and its flags.
    ///
    /// Part of both callers, so that the plain line is spared what it cannot have.
    #[inline(always)]
    fn advance(&mut self, asked: &Asked<'_>, mode: Motion, arc: Option<(ArcPath, u16)>, at: At<'_>) -> Result<()> {
        let (from, to) = (self.state.position, asked.to);
        check_place(to, at)?;
        let delta = [to[0] - from[0], to[1] - from[1], to[2] - from[2]];
        let path = match &arc {
            Some((arc, _)) => arc.arc.length(delta[arc.plane.axes().2]),
            None => {
                let path = (delta[0] * delta[0] + delta[1] * delta[1] + delta[2] * delta[2]).sqrt();
                if path < LEAST_PATH_MM { 0.0 } else { path }
            }
        };
        let relative = self.state.e_is_relative();
        let Turned { from: e_from, units, e, volume } = match asked.e {
            Some(e) => self.turned(e * self.state.unit_mm, relative, path > 0.0, at)?,
            None => Turned { from: self.state.e, units: 0.0, e: 0.0, volume: 0.0 },
        };
        let mut kind = kind_of(path > 0.0, e);

        // The line is sound: commit.
        if let Some(word) = asked.feed {
            self.set_feed(word);
        }
        let distance = if path > 0.0 { path } else { e.abs() };
        let volume = match &self.rules.turns_give {
            Some(output) if self.is_screw && e != 0.0 => {
                e * output.per_turn_at_mm3(60.0 * e.abs() / distance * self.state.speed_mm_s)
            }
            _ => volume,
        };
        if kind == Kind::Bead && self.drawn_back > 0.0 && arc.is_none() && self.refills(delta, volume) {
            kind = Kind::MovingTurn;
        }
        // E counts on whatever the mode, so that a later absolute word finds it where it is.
        if let Some(e) = asked.e {
            self.state.e = if relative { e_from + units } else { e * self.state.unit_mm };
            self.own_e = None;
        }
        self.state.position = to;
        if kind == Kind::Bead {
            self.layers.bead(from[2], to[2]);
        }
        let mut melt = 0.0;
        if self.is_screw {
            (melt, self.drawn_back) = new_melt(kind, volume, self.drawn_back, self.rules.e_leads);
        }
        self.laid += melt;
        if !self.is_screw && e != 0.0 {
            let tool = self.state.tool;
            let screws = std::mem::take(&mut self.rules.tools);
            self.found(Code::ToolNotScrew, at, || {
                let tools: Vec<String> = screws.iter().chain([&tool]).map(u32::to_string).collect();
                format!("tool {tool}: --set screw.tools=[{}]", tools.join(","))
            });
            self.rules.tools = screws;
        }
        let roomy = at.line.code_end - at.line.start <= self.watch.roomy_line;
        let (feed_at, feed_len, feed_flags) = match &asked.feed {
            Some(word) => (word.start, word.len, if roomy { 0 } else { Move::TIGHT }),
            None if asked.room_for_feed && roomy => (at.line.code_end, 0, 0),
            None => (at.line.start, 0, Move::FEED_BEFORE),
        };
        let (e_at, e_len, e_decimals) = asked.e_word.map_or((0, 0, 0), |word| (word.start, word.len, word.decimals));
        let blank = self.blank(kind, at);
        self.moves.push(Move {
            flags: blank.flags | feed_flags | arc.as_ref().map_or(0, |(_, flags)| *flags),
            feed_at,
            feed_len,
            e_at,
            e_len,
            e_decimals,
            delta,
            length: path,
            e,
            flow_factor: self.flow_factor(path > 0.0),
            volume,
            melt,
            ..blank
        });
        let ([x, y, z], stated) = (asked.given, self.state.stated);
        if (x && !stated[0]) || (y && !stated[1]) || (z && !stated[2]) {
            self.is_stated(asked);
        }
        let along = path > 0.0 && (delta[0] != 0.0 || delta[1] != 0.0) || arc.is_some();
        if let Some((arc, _)) = arc {
            self.side.arcs.push(arc);
            if kind == Kind::Bead && arc.bounds().iter().any(|at| outside(*at, &self.rules.reach_mm)) {
                self.look_at_place(arc.bounds(), at);
            }
        } else if kind == Kind::Bead && outside(to, &self.rules.reach_mm) {
            self.look_at_place([to; 2], at);
        }
        if asked.twice {
            self.found(Code::DuplicateWord, at, || "a letter stands twice".to_owned());
            // Where one of them is taken out, the other counts.
            if let Some(step) = self.moves.last_mut() {
                step.flags |= Move::BOUND;
            }
        }
        if e != 0.0 {
            let laid = Laid { kind, along, length: path, e, volume };
            match self.is_screw {
                true => self.check_controller_limits(&laid, units, mode, &Before { position: from, e: e_from }, at),
                false => self.check_other_tool(&laid, at),
            }
        }
        if self.watch.pending != 0 || self.heat.pending || (self.state.e.abs() > self.watch.largest_e && !relative) {
            self.look_at_move(at);
        }
        let ([x, y, z], known) = (asked.given, self.state.known);
        if (x && !known[0]) || (y && !known[1]) || (z && !known[2]) {
            self.learn(asked.given, asked.machine);
        }
        Ok(())
    }

    /// The last move has sent axes to stated places for the first time. Where it started, nobody can tell: pieces of it would
    /// lead elsewhere.
    #[cold]
    fn is_stated(&mut self, asked: &Asked<'_>) {
        if !(self.state.absolute || asked.machine) {
            return;
        }
        for (stated, given) in self.state.stated.iter_mut().zip(asked.given) {
            *stated |= given;
        }
        if let Some(step) = self.moves.last_mut() {
            step.flags |= Move::WHOLE;
        }
    }

    /// A bead between least and largest X, Y, Z goes outside the bed.
    #[cold]
    fn look_at_place(&mut self, [least, most]: [[f64; 3]; 2], at: At<'_>) {
        let State { known, offset_known, .. } = &self.state;
        if !self.is_screw || [known, offset_known].iter().any(|[x, y, _]| !(*x && *y)) {
            return;
        }
        let [x, y, far_x, far_y] = self.rules.reach_mm;
        let beyond = [("X", least[0], most[0], x, far_x), ("Y", least[1], most[1], y, far_y)].map(
            |(axis, low, high, least, most)| {
                if least - low > high - most {
                    (axis, low, least - low + BESIDE_MM)
                } else {
                    (axis, high, high - most + BESIDE_MM)
                }
            },
        );
        let [x, y] = beyond;
        let (axis, mm, beyond) = if x.2 >= y.2 { x } else { y };
        let detail = || format!("{axis} {mm:.1} mm: {beyond:.1} mm beyond the bed");
        self.found_weighted(Code::OutsideBed, beyond, at, detail);
    }

    /// What the controller may refuse, or execute otherwise than the file says, in the last move.
    #[cold]
    fn look_at_move(&mut self, at: At<'_>) {
        let Some(Move { kind, length, e, z, .. }) = self.moves.last().copied() else { return };
        let turns = self.is_screw && e != 0.0;
        let (e, relative) = (self.state.e.abs(), self.state.e_is_relative());
        self.watched(at, |watch, found| {
            watch.step(kind, length, z, turns, found);
            if !relative && e > watch.largest_e {
                watch.large_e(e, found);
            }
        });
        if turns && self.heat.pending {
            let mut found = Vec::new();
            self.heat.turn(kind, &mut found);
            for Found { code, detail } in found {
                self.found(code, at, || detail);
            }
        }
    }

    fn commit_feed_alone(&mut self, word: &Word, at: At<'_>) {
        self.set_feed(word);
        let step = Move { feed_at: word.start, feed_len: word.len, ..self.blank(Kind::Feed, at) };
        self.moves.push(step);
    }

    fn arc(&mut self, words: &Words, from: [f64; 3], to: [f64; 3], clockwise: bool, at: At<'_>) -> Result<ArcPath> {
        let (first, second, _) = self.state.plane.axes();
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
            return Err(at.malformed("this arc has neither a centre (I, J, K) nor a radius (R)"));
        };
        let turns = words.get(b'P').filter(|p| (1.0..1e6).contains(p)).map_or(1, |p| p as u32);
        let arc = Arc::resolve([from[first], from[second]], [to[first], to[second]], centre, clockwise, turns)
            .map_err(|error| at.malformed(&error.to_string()))?;
        if arc.end_error > ARC_END_MM {
            self.found(Code::ArcEnd, at, || format!("{:.2} mm off", arc.end_error));
        }
        Ok(ArcPath { plane: self.state.plane, arc, from, to })
    }

    pub(super) fn set_feed(&mut self, word: &Word) {
        self.state.set_feed(word.value * self.state.unit_mm, word.decimals);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::Block;
    use crate::moves::resolve::Rules;
    use crate::moves::settings::FileSettings;
    use crate::profile::Profile;
    use proptest::collection::vec;
    use proptest::prelude::*;
    use proptest::sample::select;

    const PRESETS: &[&str] = &["host", "board", "network", "custom"];
    const COMMANDS: &[&str] = &[
        "G1", "G0", "G1", "G0", "G1", "G01", "G1.0", "G", "G2", "G92", "", "G28", "G90", "G91", "M82", "M83", "G20",
        "G21", "M220 S50", "M221 S90", "T1", "T0", "G53 G1", "G80", "N7 G1",
    ];
    const LETTERS: &[&str] = &["X", "Y", "Z", "E", "F", "E", "X", "F", "A", "I", "G", "x"];
    const NUMBERS: &[&str] =
        &["0", "1.5", "-3", "12.25", "40", "-0", "", "99.5", "1500", "8000", "2000000", "1e10", ".", "+7"];
    const ENDS: &[&str] = &["", "", "", " ; wall", " *7", "(a)", " #"];

    /// Everything that came of some lines, as text: moves, state, findings and what stands beside.
    fn resolved(rules: &Rules, text: &str, reads_plain: bool) -> String {
        let mut resolver = Resolver { reads_plain, ..Resolver::new(rules.clone(), &FileSettings::default(), false) };
        let mut block = Block { bytes: text.into(), first_line: 1, ..Block::default() };
        block.lex();
        let mut moves = Vec::new();
        let done = resolver.resolve(&block, &mut moves);
        (resolver.reads_plain, resolver.words) = (true, Words::default());
        format!("{done:?}\n{moves:?}\n{resolver:?}")
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(1024))]

        /// The sorted words are the judge of the short way.
        #[test]
        fn plain_lines_are_read_like_any_other(
            preset in select(PRESETS),
            lenient: bool,
            unit in select(&[Some(2.4), None, Some(2.4), Some(2.4)]),
            lines in vec((select(COMMANDS), vec((select(LETTERS), select(NUMBERS)), 0..5), select(ENDS)), 1..16),
        ) {
            let profile = Profile::load(&format!("[controller]\npreset = \"{preset}\"\n"), "a.toml").expect("a profile");
            let mut rules = Rules::new(&profile, &FileSettings::default(), lenient);
            rules.e_volume_mm3 = unit;
            let mut text = String::new();
            for (command, words, end) in lines {
                text.push_str(command);
                words.iter().for_each(|(letter, number)| text.extend([" ", letter, number]));
                text.extend([end, "\n"]);
            }
            prop_assert_eq!(resolved(&rules, &text, true), resolved(&rules, &text, false), "{}", text);
        }
    }
}
