//! What the screw is told: E of each move, and turns at rest before it.

mod e_lines;

use super::compose::{EPiece, write_e};
use super::edits::{ELine, line_end_at};
use super::screw_account::ScrewAccount;
use crate::line::number::write_fixed;
use crate::motion::Timing;
use crate::motion::rules::{Model, MotionRules};
use crate::motion::trapezoid::from_rest;
use crate::moves::limits::MotionLimits;
use crate::moves::{KeptCount, Kind, Move};
use crate::passes::e_count::{DECIMALS, ECount};
use crate::passes::feed::Feeds;
use crate::passes::lag::gaps::Marks;
use crate::passes::lag::ramp::Ramp;
use crate::passes::lag::rest::{Turn, charge, relieve};
use crate::passes::lag::spring::{Melt, Spring};
use crate::units::Bounded;
use e_lines::parts;

/// Lines that go before the line of a move.
#[derive(Debug)]
pub struct LinesBefore<'a> {
    /// Their text.
    pub text: &'a mut Vec<u8>,
    /// The block the move stands in.
    pub block: &'a [u8],
    /// A place on the move's own line.
    pub at: u32,
}

impl LinesBefore<'_> {
    /// Ends a line as the move's own ends.
    pub fn end(&mut self) {
        self.text.extend_from_slice(line_end_at(self.block, self.at as usize));
    }
}

/// How the lag of the melt is made up for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum How {
    /// Not at all: E words keep what they push.
    Not,
    /// By turns at rest at the ends of runs of beads.
    AtRest,
    /// By the E of the beads.
    AlongPath,
    /// By the controller.
    ByController,
}

/// A move as the screw takes part in it.
#[derive(Clone, Copy, Debug)]
pub struct Driven {
    /// What becomes of the E of its line.
    pub e: ELine,
    /// Time of the turns at rest before it, s.
    pub rest_s: f64,
    /// Factor between E of the output and of the input, where the move has no motion: its feed counts E.
    pub e_scale: f64,
}

impl Driven {
    /// Nothing changes.
    pub const UNTOUCHED: Self = Self { e: ELine::Keep, rest_s: 0.0, e_scale: 1.0 };
}

/// Follows the print and tells the screw what to do.
#[derive(Debug)]
pub struct Drive {
    how: How,
    melt: Melt,
    spring: Spring,
    ramp: Ramp,
    count: ECount,
    /// Most E in a line, and in one without motion, units of the output.
    most_e: [f64; 2],
    e_accel: f64,
    e_speed: f64,
    /// Limits of motion in force in the file, and the acceleration that bounds the calm part of a turn at rest.
    rules: MotionRules,
    calm: f64,
    letter: u8,
    flow_factor_at_rest: bool,
    idle_s: f64,
    begun: bool,
    /// The next bead is the first, or something came between it and the one before.
    resumes: bool,
    /// A pause has taken the pressure away in the middle of a run: the next bead is charged.
    owed: bool,
    /// Where the last line that stays one line asks for more E than there may be: how much, and how much that is, units of
    /// the output.
    pub excess: Option<[f64; 2]>,
    /// Where the file's own count of E stands, in mm; followed only where nothing else of E is.
    file_e: f64,
    /// Counts of the output that the controller keeps, by their places, mm.
    kept_e: Vec<f64>,
    /// What happened.
    pub account: ScrewAccount,
}

/// What a [`Drive`] is made of.
#[derive(Debug)]
pub struct Setup {
    /// How the lag is made up for.
    pub how: How,
    /// The melt.
    pub melt: Melt,
    /// Compensation along the path.
    pub ramp: Ramp,
    /// Count of E in the output.
    pub count: ECount,
    /// Most E in a line, units of the output; infinite for no limit.
    pub max_e_per_line: f64,
    /// Most E in a line without motion.
    pub max_e_only: f64,
    /// By which the output is executed.
    pub rules: MotionRules,
    /// Letter of the extruder axis.
    pub letter: u8,
    /// The controller's factor on E also holds for lines without motion.
    pub flow_factor_at_rest: bool,
}

impl Drive {
    /// A screw at rest.
    pub fn new(setup: Setup) -> Self {
        Self {
            how: setup.how,
            melt: setup.melt,
            spring: Spring::default(),
            ramp: setup.ramp,
            count: setup.count,
            most_e: [setup.max_e_per_line, setup.max_e_only.at_most(setup.max_e_per_line)],
            e_speed: setup.rules.e_only_speed,
            e_accel: setup.rules.e_only_accel,
            calm: f64::INFINITY,
            rules: setup.rules,
            letter: setup.letter,
            flow_factor_at_rest: setup.flow_factor_at_rest,
            idle_s: 0.0,
            begun: false,
            resumes: true,
            owed: false,
            excess: None,
            file_e: 0.0,
            kept_e: Vec::new(),
            account: ScrewAccount::default(),
        }
    }

    /// The account so far.
    pub fn finish(&mut self) {
        self.account.stored_mm3 = self.spring.stored;
    }

    /// Beads may have this acceleration before the next move, mm/s²; `limits`: those that the move sets. A controller that keeps
    /// a share of each move even holds turns at rest to it as well.
    pub fn accel_is(&mut self, bound: f64, limits: Option<&MotionLimits>) {
        limits.into_iter().for_each(|limits| self.rules = self.rules.with(limits));
        if self.rules.model == Model::Host {
            self.calm = self.rules.print_accel.at_most(bound) * (1.0 - self.rules.min_cruise_share);
        }
    }

    /// Whether no E word ever changes.
    pub fn is_idle(&self) -> bool {
        self.how == How::Not && !self.count.is_another_unit()
    }

    /// Whether the next bead, if no mark says otherwise and nothing is special about its line, is one that
    /// [`bead`](Self::bead) decides on alone.
    pub fn goes_on(&self) -> bool {
        self.rewrites() && !self.resumes
    }

    /// Whether the E of every bead is written anew.
    fn rewrites(&self) -> bool {
        self.how == How::AlongPath || self.count.is_another_unit()
    }

    /// Decides for the next move. `ahead`: the flow to come where it is charged; lines that go before its own are added
    /// to `lines`, pieces of its line to `pieces`.
    #[inline]
    #[allow(clippy::too_many_arguments, reason = "a move with what is known of it, and where its lines go")]
    pub fn next(
        &mut self,
        step: &Move,
        marks: Marks,
        timing: &Timing,
        ahead: f64,
        feeds: &mut Feeds,
        lines: &mut LinesBefore<'_>,
        pieces: &mut Vec<EPiece>,
    ) -> Driven {
        let mut driven = Driven::UNTOUCHED;
        // In the output a unit of E is what this program says.
        if step.has(Move::E_UNIT) && self.count.is_another_unit() {
            driven.e = ELine::Remove;
            return driven;
        }
        if !step.has(Move::SCREW) {
            self.wait(timing.time);
            // There is one count of E, whatever tool it is set with.
            if step.kind == Kind::SetE {
                self.count.set(step.e_count);
            } else if step.e != 0.0 {
                driven.e = self.keep(step, lines);
            }
            return driven;
        }
        self.count.see(step);
        if marks.has(Marks::RELIEVE) && step.flags & Move::FIXED == 0 {
            driven.rest_s += self.relieve(step, feeds, lines).unwrap_or(0.0);
        }
        match step.kind {
            Kind::Bead => {
                (self.begun, self.resumes) = (true, false);
                let owed = std::mem::take(&mut self.owed) && step.is_free();
                // Behind a pause nothing was looked ahead for.
                let flow = if owed && timing.time > 0.0 { ahead.at_least(step.volume / timing.time) } else { ahead };
                if (owed || marks.has(Marks::CHARGE))
                    && let Some(turn) = charge(&mut self.spring, flow, &self.melt)
                {
                    self.account.charge(turn.volume);
                    driven.rest_s += self.turn(turn, self.melt.screw_mm3_s, step, feeds, lines);
                }
                self.account.longest_idle_s = self.account.longest_idle_s.at_least(self.idle_s);
                self.idle_s = 0.0;
                driven.e = match self.rewrites() {
                    true => self.bead_apart(step, marks, timing, pieces),
                    false => {
                        self.lay_evenly(step, timing);
                        self.whole(step, step.volume, timing.time, lines, pieces)
                    }
                };
            }
            Kind::EIn | Kind::EOut => {
                if marks.has(Marks::DROP) {
                    self.account.replaced += 1;
                    driven.e = ELine::Remove;
                    return driven;
                }
                // Part of a refill may be new melt; where the reversal before it is taken out, only that is pushed.
                let volume = if marks.has(Marks::NEW_MELT) { step.melt } else { step.volume };
                self.account.keep(volume);
                self.spring.rest(timing.time, volume, &self.melt);
                self.ramp.interrupt(0.0);
                driven.e = self.whole(step, volume, timing.time, lines, pieces);
                // So little E that its volume is nothing is no measure of the unit.
                let per_e = step.volume / step.e;
                if let ELine::Word(_) | ELine::Pieces(_) = driven.e
                    && per_e > 0.0
                {
                    driven.e_scale = self.count.units_per_mm3(self.melt.screw_mm3_s) * per_e;
                }
            }
            Kind::MovingTurn => {
                self.wait(timing.time);
                if marks.has(Marks::STRIP) {
                    self.account.replaced += 1;
                    driven.e = ELine::Strip;
                } else {
                    self.account.keep(step.volume);
                    driven.e = self.whole(step, step.volume, timing.time, lines, pieces);
                }
            }
            Kind::SetE => self.count.set(step.e_count),
            Kind::SetEOut | Kind::SetEIn if marks.has(Marks::DROP) => {
                self.account.replaced += 1;
                driven.e = ELine::Remove;
            }
            _ => {
                self.wait(timing.time);
                // A position of E that was reached before still stands on the line, and curves are not followed.
                if step.e_len > 0 && (step.e != 0.0 || !step.has(Move::E_RELATIVE)) {
                    driven.e = self.whole(step, step.volume, timing.time, lines, pieces);
                }
            }
        }
        driven
    }

    /// The machine is to stand still before a move: takes the pressure away, as far as the file makes up for the lag and lines
    /// may stand there. Returns the time it takes, s.
    pub fn halt(&mut self, step: &Move, feeds: &mut Feeds, lines: &mut LinesBefore<'_>) -> f64 {
        if !step.has(Move::SCREW) || !matches!(self.how, How::AtRest | How::AlongPath) {
            return 0.0;
        }
        self.count.see(step);
        self.ramp.interrupt(0.0);
        let time = if step.is_free() { self.relieve(step, feeds, lines) } else { None };
        self.owed |= time.is_some();
        self.resumes = true;
        time.unwrap_or(0.0)
    }

    /// Follows the E of the file past a move that nobody decides on: a purge has to find it.
    pub fn follow(&mut self, step: &Move) {
        if step.has(Move::SCREW) {
            self.count.see(step);
        }
        self.file_e = step.e_count;
    }

    /// The controller keeps the count of the output, or takes up again what it has kept.
    pub fn keep_count(&mut self, count: KeptCount) {
        match count {
            KeptCount::Keep(place) => {
                let place = usize::from(place);
                self.kept_e.resize(self.kept_e.len().max(place + 1), 0.0);
                self.kept_e[place] = self.count.exact();
            }
            KeptCount::PutBack(place) => {
                if let Some(e) = self.kept_e.get(usize::from(place)) {
                    self.count.set(*e);
                }
            }
        }
    }

    /// Pushes out `volume` mm³ at `rate` mm³/s before a move, the head standing where that does no harm, and takes the
    /// pressure away again, as far as the file makes up for the lag. Returns the time it takes, s.
    pub fn purge(
        &mut self,
        volume: f64,
        rate: f64,
        step: &Move,
        feeds: &mut Feeds,
        lines: &mut LinesBefore<'_>,
    ) -> f64 {
        if self.is_idle() {
            self.count.set(self.file_e);
        }
        self.count.see(step);
        let before = self.count.exact();
        let mut time = self.turn(Turn { volume, time: volume / rate }, rate, step, feeds, lines);
        self.account.purged_mm3 += volume;
        if matches!(self.how, How::AtRest | How::AlongPath) {
            // What leaves the nozzle here is not laid: no later charge makes good for it.
            let surplus = self.spring.surplus;
            self.spring.rest(time, volume, &self.melt);
            if let Some(relief) = self.relieve(step, feeds, lines) {
                (self.owed, self.resumes) = (true, true);
                time += relief;
            }
            self.spring.surplus = surplus;
        }
        // The file's own words follow, and count from where it left off.
        if self.is_idle() && !step.has(Move::E_RELATIVE) {
            self.set_e(before, step, lines);
        }
        time
    }

    /// Takes the pressure away before a move. Returns the time it takes, s; `None` where there is next to none.
    fn relieve(&mut self, step: &Move, feeds: &mut Feeds, lines: &mut LinesBefore<'_>) -> Option<f64> {
        let turn = relieve(&mut self.spring, &self.melt)?;
        self.account.relieved_mm3 -= turn.volume;
        self.account.reliefs += 1;
        Some(self.turn(turn, self.melt.screw_mm3_s, step, feeds, lines))
    }

    /// The head travels or waits.
    pub fn wait(&mut self, time: f64) {
        if time > 0.0 {
            let let_out = self.spring.rest(time, 0.0, &self.melt);
            self.resumes = true;
            if self.begun {
                self.account.drooled_mm3 += if self.how == How::ByController { let_out.at_least(0.0) } else { let_out };
                self.idle_s += time;
            }
            self.ramp.interrupt(let_out);
        }
    }

    /// The line keeps its E: a distance goes on from where the output counts; before a position of the file's, the count
    /// is set back to that of the file, where it has left it. Where nothing goes before the line, its position is one of the
    /// output's count.
    fn keep(&mut self, step: &Move, lines: &mut LinesBefore<'_>) -> ELine {
        if step.has(Move::E_RELATIVE) {
            self.count.set(self.count.exact() + step.e / step.flow_factor);
            return ELine::Keep;
        }
        if let Some(start) = self.start_of(step) {
            if step.has(Move::FIXED) {
                return ELine::Word(self.count.word(step.e, 1.0, step));
            }
            self.set_e(start, step, lines);
        }
        self.count.set(step.e_count);
        ELine::Keep
    }

    /// The count of the file before a move, in mm, where the move's E is a position and the output counts from another.
    fn start_of(&self, step: &Move) -> Option<f64> {
        if step.has(Move::E_RELATIVE) {
            return None;
        }
        let start = step.e_count - step.e / step.flow_factor;
        ((self.count.exact() - start).abs() > 5e-6 * step.unit_mm()).then_some(start)
    }

    /// Writes a line that sets the count of E, in mm, before a move.
    fn set_e(&mut self, count: f64, step: &Move, lines: &mut LinesBefore<'_>) {
        lines.text.extend_from_slice(&[b'G', b'9', b'2', b' ', self.letter]);
        write_fixed(lines.text, count / step.unit_mm(), DECIMALS);
        lines.end();
        self.count.set(count);
    }

    /// Writes a turn at rest at a flow of `rate` mm³/s; returns the time it takes, s.
    fn turn(&mut self, turn: Turn, rate: f64, step: &Move, feeds: &mut Feeds, lines: &mut LinesBefore<'_>) -> f64 {
        let per_mm3 = self.count.units_per_mm3(rate);
        let units = (turn.volume * per_mm3).abs();
        let speed = (rate * per_mm3).at_most(self.e_speed);
        let feed = feeds.turn(speed, step);
        let parts = parts(units, self.most_e[1]);
        self.account.turn_lines += u64::from(parts);
        let mut time = 0.0;
        let step = &Move { flow_factor: if self.flow_factor_at_rest { step.flow_factor } else { 1.0 }, ..*step };
        for k in 0..parts {
            let word = self.count.word(turn.volume / f64::from(parts), per_mm3, step);
            lines.text.extend_from_slice(b"G1 ");
            write_e(self.letter, word, lines.text);
            if k == 0 {
                lines.text.extend_from_slice(b" F");
                write_fixed(lines.text, feed.value, feed.decimals);
            }
            lines.end();
            time += from_rest(units / f64::from(parts), speed, self.e_accel, self.calm);
        }
        self.idle_s += if self.begun { time } else { 0.0 };
        time
    }
}
