//! What the screw is told: E of each move, and turns at rest before it.

use super::compose::EPiece;
use super::edits::ELine;
use crate::line::number::write_fixed;
use crate::motion::Timing;
use crate::moves::{Kind, Move};
use crate::passes::e_count::ECount;
use crate::passes::feed::Feeds;
use crate::passes::lag::gaps::Marks;
use crate::passes::lag::ramp::{Piece, Ramp};
use crate::passes::lag::rest::{Turn, charge, relieve};
use crate::passes::lag::spring::{Melt, Spring, Weights};

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

/// Account of the screw.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ScrewAccount {
    /// Pushed along beads, mm³, net.
    pub beads_mm3: f64,
    /// Pushed at rest before runs of beads, mm³.
    pub charged_mm3: f64,
    /// Turned back at rest behind them, mm³.
    pub relieved_mm3: f64,
    /// Turns at rest, forward and back.
    pub charges: u64,
    /// Turns back at rest.
    pub reliefs: u64,
    /// The file's own reversals and refills that were taken out.
    pub replaced: u64,
    /// Let out while travelling and waiting, as the model has it, mm³.
    pub drooled_mm3: f64,
    /// Longest time without a bead, s.
    pub longest_idle_s: f64,
    /// Lines of turns at rest.
    pub turn_lines: u64,
    /// Between screw and nozzle now, mm³.
    pub stored_mm3: f64,
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
    letter: u8,
    pieces: Vec<Piece>,
    idle_s: f64,
    begun: bool,
    /// A pause has taken the pressure away in the middle of a run: the next bead is charged.
    owed: bool,
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
    /// Highest speed of E without motion, units of the output per second.
    pub e_only_speed: f64,
    /// Its acceleration.
    pub e_only_accel: f64,
    /// Letter of the extruder axis.
    pub letter: u8,
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
            most_e: [setup.max_e_per_line, setup.max_e_only.min(setup.max_e_per_line)],
            e_speed: setup.e_only_speed,
            e_accel: setup.e_only_accel,
            letter: setup.letter,
            pieces: Vec::new(),
            idle_s: 0.0,
            begun: false,
            owed: false,
            account: ScrewAccount::default(),
        }
    }

    /// The account so far.
    pub fn finish(&mut self) {
        self.account.stored_mm3 = self.spring.stored;
    }

    /// Whether no E word ever changes.
    pub fn is_idle(&self) -> bool {
        self.how == How::Not && !self.count.is_another_unit()
    }

    /// Whether the E of every bead is written anew.
    fn rewrites(&self) -> bool {
        self.how == How::AlongPath || self.count.is_another_unit()
    }

    /// Decides for the next move. `ahead`: the flow to come where it is charged; lines that go before its own are added
    /// to `lines`, pieces of its line to `pieces`.
    #[allow(clippy::too_many_arguments, reason = "a move with what is known of it, and where its lines go")]
    pub fn next(
        &mut self,
        step: &Move,
        marks: Marks,
        timing: &Timing,
        ahead: f64,
        feeds: &mut Feeds,
        lines: &mut Vec<u8>,
        pieces: &mut Vec<EPiece>,
        line_end: &[u8],
    ) -> Driven {
        let mut driven = Driven { e: ELine::Keep, rest_s: 0.0, e_scale: 1.0 };
        // In the output a unit of E is what this program says; counted lines cannot be taken out.
        if step.flags & (Move::E_UNIT | Move::NUMBERED) == Move::E_UNIT && self.count.is_another_unit() {
            driven.e = ELine::Remove;
            return driven;
        }
        if !step.has(Move::SCREW) {
            self.wait(timing.time);
            if step.e != 0.0 {
                self.resync(step, lines, line_end);
                self.count.set(step.e_count / step.unit_mm());
            }
            return driven;
        }
        self.count.see(step);
        if marks.has(Marks::RELIEVE)
            && let Some(turn) = relieve(&mut self.spring, &self.melt)
        {
            self.account.relieved_mm3 -= turn.volume;
            self.account.reliefs += 1;
            driven.rest_s += self.turn(turn, step, feeds, lines, line_end);
        }
        match step.kind {
            Kind::Bead => {
                self.account.longest_idle_s = self.account.longest_idle_s.max(self.idle_s);
                self.idle_s = 0.0;
                self.begun = true;
                let owed = std::mem::take(&mut self.owed);
                // Behind a pause nothing was looked ahead for.
                let flow = if owed && timing.time > 0.0 { ahead.max(step.volume / timing.time) } else { ahead };
                if (owed || marks.has(Marks::CHARGE))
                    && let Some(turn) = charge(&mut self.spring, flow, &self.melt)
                {
                    self.account.charged_mm3 += turn.volume;
                    self.account.charges += 1;
                    driven.rest_s += self.turn(turn, step, feeds, lines, line_end);
                    if !self.rewrites() && !step.has(Move::E_RELATIVE) {
                        self.resync(step, lines, line_end);
                    }
                }
                driven.e = self.bead(step, marks, timing, pieces, lines, line_end);
            }
            Kind::EIn | Kind::EOut => {
                if marks.has(Marks::DROP) {
                    self.account.replaced += 1;
                    driven.e = ELine::Remove;
                    return driven;
                }
                // Part of a refill may be new melt; only that is pushed, but where the reversal before it had to stay.
                let replaced = self.how != How::Not && !step.has(Move::NUMBERED);
                let volume = if replaced && step.kind == Kind::EIn { step.melt } else { step.volume };
                self.spring.rest(timing.time, volume, &self.melt);
                self.ramp.interrupt();
                driven.e = self.whole(step, volume, timing.time, lines, pieces, line_end);
                if let ELine::Word(_) | ELine::Pieces(_) = driven.e {
                    driven.e_scale = self.count.units_per_mm3(self.melt.screw_mm3_s) * step.volume / step.e;
                }
            }
            Kind::MovingEOut => {
                self.wait(timing.time);
                if marks.has(Marks::STRIP) {
                    self.account.replaced += 1;
                    driven.e = ELine::Strip;
                } else {
                    driven.e = self.whole(step, step.volume, timing.time, lines, pieces, line_end);
                }
            }
            Kind::SetE => self.count.set(step.e_count / step.unit_mm()),
            Kind::SetEOut | Kind::SetEIn if marks.has(Marks::DROP) => {
                self.account.replaced += 1;
                driven.e = ELine::Remove;
            }
            _ => {
                self.wait(timing.time);
                // A position of E that was reached before still stands on the line.
                if step.e_len > 0 && !step.has(Move::E_RELATIVE) {
                    driven.e = self.whole(step, 0.0, timing.time, lines, pieces, line_end);
                }
            }
        }
        driven
    }

    /// The machine is to stand still before a move: takes the pressure away, as far as the file makes up for the lag.
    /// Returns the time it takes, s.
    pub fn halt(&mut self, step: &Move, feeds: &mut Feeds, lines: &mut Vec<u8>, line_end: &[u8]) -> f64 {
        if !step.has(Move::SCREW) || !matches!(self.how, How::AtRest | How::AlongPath) {
            return 0.0;
        }
        self.count.see(step);
        self.ramp.interrupt();
        let Some(turn) = relieve(&mut self.spring, &self.melt) else { return 0.0 };
        self.owed = true;
        self.account.relieved_mm3 -= turn.volume;
        self.account.reliefs += 1;
        self.turn(turn, step, feeds, lines, line_end)
    }

    /// The head travels or waits.
    fn wait(&mut self, time: f64) {
        if time > 0.0 {
            let let_out = self.spring.rest(time, 0.0, &self.melt);
            if self.begun {
                self.account.drooled_mm3 += let_out;
                self.idle_s += time;
            }
            self.ramp.interrupt();
        }
    }

    /// What becomes of the E of a bead.
    fn bead(
        &mut self,
        step: &Move,
        marks: Marks,
        timing: &Timing,
        pieces: &mut Vec<EPiece>,
        lines: &mut Vec<u8>,
        line_end: &[u8],
    ) -> ELine {
        let area = step.volume / step.length;
        if self.how != How::AlongPath || step.flags & (Move::NUMBERED | Move::FEED_BEFORE) != 0 {
            self.account.beads_mm3 += step.volume;
            if timing.time > 0.0 {
                let mean = step.length / timing.time;
                let lag = self.melt.lag_s;
                if self.how == How::ByController {
                    self.spring.stored = lag * area * timing.exit;
                } else {
                    self.spring.lay(Weights::new(timing.time, mean, mean, lag), area, step.volume, step.volume);
                }
            }
            return self.whole(step, step.volume, timing.time, lines, pieces, line_end);
        }
        self.pieces.clear();
        self.ramp.bead(step, marks.has(Marks::LAST), timing, &mut self.spring, &mut self.pieces);
        let flow = if timing.time > 0.0 { step.volume / timing.time } else { 0.0 };
        let (relative, factor) = (step.has(Move::E_RELATIVE), step.flow_factor * step.unit_mm());
        let first = pieces.len();
        let mut begun = 0.0;
        for piece in &self.pieces {
            self.account.beads_mm3 += piece.volume;
            let units = (piece.volume * self.count.units_per_mm3(flow)).abs();
            let parts = parts(units, self.most_e[0]);
            for k in 1..=parts {
                let share = f64::from(k) / f64::from(parts);
                let word = self.count.word(piece.volume / f64::from(parts), flow, relative, factor);
                pieces.push(EPiece { end: begun + (piece.end - begun) * share, e: word.value });
            }
            begun = piece.end;
        }
        match pieces.get(first..) {
            Some([only]) => {
                let word = crate::passes::e_count::EWord { value: only.e, decimals: 5 };
                pieces.truncate(first);
                ELine::Word(word)
            }
            Some(list) => ELine::Pieces(list.len() as u16),
            None => ELine::Keep,
        }
    }

    /// A line whose E pushes `volume` as a whole.
    fn whole(
        &mut self,
        step: &Move,
        volume: f64,
        time: f64,
        lines: &mut Vec<u8>,
        pieces: &mut Vec<EPiece>,
        line_end: &[u8],
    ) -> ELine {
        let differs = (volume - step.volume).abs() > 1e-9 * step.volume.abs();
        if !self.rewrites() && !differs {
            self.resync(step, lines, line_end);
            self.count.set(step.e_count / step.unit_mm());
            return ELine::Keep;
        }
        let flow = if time > 0.0 { volume / time } else { 0.0 };
        let (relative, factor) = (step.has(Move::E_RELATIVE), step.flow_factor * step.unit_mm());
        let still = usize::from(step.length <= 0.0);
        let parts = parts((volume * self.count.units_per_mm3(flow)).abs(), self.most_e[still]);
        if parts == 1 || step.flags & (Move::NUMBERED | Move::ARC) != 0 {
            return ELine::Word(self.count.word(volume, flow, relative, factor));
        }
        for k in 1..=parts {
            let word = self.count.word(volume / f64::from(parts), flow, relative, factor);
            pieces.push(EPiece { end: f64::from(k) / f64::from(parts), e: word.value });
        }
        ELine::Pieces(parts)
    }

    /// Where the count of the output has left that of the file and the next E is a position of the file's: sets it back.
    fn resync(&mut self, step: &Move, lines: &mut Vec<u8>, line_end: &[u8]) {
        if step.has(Move::E_RELATIVE) {
            return;
        }
        let start = (step.e_count - step.e / step.flow_factor) / step.unit_mm();
        if (self.count.exact() - start).abs() > 5e-6 {
            lines.extend_from_slice(&[b'G', b'9', b'2', b' ', self.letter]);
            write_fixed(lines, start, 5);
            lines.extend_from_slice(line_end);
            self.count.set(start);
        }
    }

    /// Writes a turn at rest; returns the time it takes, s.
    fn turn(&mut self, turn: Turn, step: &Move, feeds: &mut Feeds, lines: &mut Vec<u8>, line_end: &[u8]) -> f64 {
        let rate = self.melt.screw_mm3_s;
        let per_mm3 = self.count.units_per_mm3(rate);
        let units = (turn.volume * per_mm3).abs();
        let speed = (rate * per_mm3).min(self.e_speed);
        let feed = feeds.turn(speed, step);
        let (relative, factor) = (step.has(Move::E_RELATIVE), step.flow_factor * step.unit_mm());
        let parts = parts(units, self.most_e[1]);
        self.account.turn_lines += u64::from(parts);
        let mut time = 0.0;
        for k in 0..parts {
            let word = self.count.word(turn.volume / f64::from(parts), rate, relative, factor);
            lines.extend_from_slice(&[b'G', b'1', b' ', self.letter]);
            write_fixed(lines, word.value, word.decimals);
            if k == 0 {
                lines.extend_from_slice(b" F");
                write_fixed(lines, feed.value, feed.decimals);
            }
            lines.extend_from_slice(line_end);
            time += at_rest(units / f64::from(parts), speed, self.e_accel);
        }
        time
    }
}

/// Lines that so much E takes.
fn parts(units: f64, most: f64) -> u16 {
    if units <= most { 1 } else { (units / most).ceil().min(f64::from(u16::MAX)) as u16 }
}

/// Time of a way from rest to rest.
fn at_rest(way: f64, speed: f64, accel: f64) -> f64 {
    if way * accel < speed * speed { 2.0 * (way / accel).sqrt() } else { way / speed + speed / accel }
}
