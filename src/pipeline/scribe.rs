//! Fourth line-after-line part: what the lines become, decision after decision.

use super::drive::{Drive, Driven, LinesBefore};
use super::edits::{Decided, ELine, Edited, Outgoing, Written, line_end_at, repeats_arc};
use super::pauses::{Pauses, Stop};
use super::planning::Besides;
use super::stay::Stay;
use crate::findings::number::decimal;
use crate::findings::{Code, Findings, Place};
use crate::motion::Timing;
use crate::moves::track::Track;
use crate::moves::{KeptCount, Kind, Move};
use crate::passes::feed::{FeedEdit, FeedWord, Feeds};
use crate::passes::lag::accel::Ruling;
use crate::passes::lag::gaps::Marks;
use crate::passes::{Reason, Verdict};
use crate::soft::KnownLimits;

/// What becomes of the decisions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// They are written.
    Rewrite,
    /// They are reported as findings.
    Audit,
}

/// What a [`Scribe`] writes by.
#[derive(Clone, Copy, Debug)]
pub struct Terms {
    /// Feed in force before the first F word, mm/s.
    pub initial_feed_mm_s: f64,
    /// What becomes of the decisions.
    pub purpose: Purpose,
    /// The screw is fed by an account of its own; otherwise it is what the file lays.
    pub feeds_by_account: bool,
}

/// Decides what is written.
#[derive(Debug)]
pub struct Scribe {
    /// What was written.
    pub written: Written,
    /// What could not be written, or is not.
    pub findings: Findings,
    /// What the screw is told.
    pub drive: Drive,
    /// Where the output stands still.
    pub pauses: Pauses,
    /// Layers in time, where they need some.
    pub stay: Option<Stay>,
    feeds: Feeds,
    /// Feed that the file has in force before the block at hand.
    file_feed: FeedWord,
    purpose: Purpose,
    feeds_by_account: bool,
    /// Time so far, s: of the output, or of the file where it is only judged.
    now_s: f64,
    lines: Vec<u8>,
    /// The line that named the motion in force was taken out.
    unnamed: bool,
    /// Lines were put in since the last arc: one that repeats it has to name it.
    arc_ended: bool,
    /// How the lines of the file end.
    line_end: &'static [u8],
    /// The last line so far has no line end.
    is_open: bool,
}

impl Scribe {
    /// A scribe at the start of a file.
    pub fn new(drive: Drive, pauses: Pauses, stay: Option<Stay>, terms: Terms) -> Self {
        Self {
            written: Written::default(),
            findings: Findings::default(),
            drive,
            pauses,
            stay,
            feeds: Feeds::new(terms.initial_feed_mm_s),
            file_feed: FeedWord::initial(terms.initial_feed_mm_s),
            purpose: terms.purpose,
            feeds_by_account: terms.feeds_by_account,
            now_s: 0.0,
            lines: Vec::new(),
            unnamed: false,
            arc_ended: false,
            line_end: b"\n",
            is_open: false,
        }
    }

    /// Lines behind the last one, that put back what the file had where it was lowered and no move came behind.
    pub fn put_back(&mut self) -> Vec<u8> {
        let mut text = Vec::new();
        let mut lines = LinesBefore { text: &mut text, block: self.line_end, at: 0 };
        self.pauses.in_force.put_back_for_good(&mut lines);
        self.written.lines_added += memchr::memchr_iter(b'\n', &text).count() as u64;
        // Some controllers pass the last line over if nothing ends it.
        if self.is_open && !text.is_empty() {
            text.splice(0..0, self.line_end.iter().copied());
        }
        text
    }

    /// Decides on a block whose limits are known.
    pub fn decide(&mut self, block: &mut Outgoing) {
        let Outgoing {
            text,
            moves,
            side,
            before,
            known,
            verdicts,
            marks,
            rulings,
            after,
            ahead,
            decided,
            first_line,
            ..
        } = block;
        let lasting = if self.purpose == Purpose::Rewrite { &*after } else { &*before };
        let all = Decisions { moves, verdicts, marks, rulings, lasting };
        let around = Around {
            text,
            moves,
            known,
            before,
            after,
            ahead,
            besides: Besides::of(side),
            counts: side.counts.iter(),
            // Only who parks has to know where.
            track: self.pauses.goes().then(|| Track::of(side)),
            first_line: *first_line,
        };
        match self.drive.is_idle() {
            true => self.each(&all, around, decided, Calm::IDLE, Self::keep),
            false => self.each(&all, around, decided, Calm::DRIVEN, Self::drive),
        }
        self.file_feed = moves.last().map_or(self.file_feed, FeedWord::of_file);
        if let Some(last) = text.lines.last() {
            self.line_end = line_end_at(&text.bytes, last.end as usize);
            self.is_open = text.bytes.last() != Some(&b'\n');
        }
        // The marker came first, but what may be prose stands before it.
        if let [marker, next, ..] = text.edits.as_slice()
            && next.at < marker.at
        {
            text.edits.sort_by_key(|edit| edit.at);
        }
    }

    /// Decides on each move. `kind`: those that `go_on` decides on where nothing is due.
    #[inline(always)]
    fn each(
        &mut self,
        all: &Decisions<'_>,
        mut around: Around<'_, '_>,
        decided: &mut Vec<Decided>,
        kind: Calm,
        go_on: impl Fn(&mut Self, &mut Edited, &Move, &Verdict, Marks, &Timing) -> Decided,
    ) {
        let Decisions { moves, verdicts, marks, rulings, lasting } = *all;
        decided.reserve(moves.len());
        let mut calm = self.calm(&around, kind, moves.len());
        let all = moves.iter().zip(verdicts).zip(marks).zip(rulings).zip(lasting);
        for (index, ((((step, verdict), &mark), ruling), timing)) in all.enumerate() {
            if calm.holds(step, mark, ruling) {
                let seconds = timing.time;
                if let Some(stay) = &mut self.stay {
                    stay.go_on(step, seconds);
                }
                self.now_s += seconds;
                decided.push(go_on(self, around.text, step, verdict, mark, timing));
            } else {
                let one = self.look(&mut around, index, step, verdict, mark, ruling);
                self.now_s += one.seconds;
                decided.push(one);
                calm = self.calm(&around, kind, moves.len());
            }
        }
    }

    /// Which of the next moves, at most so many, are such that nothing has to be asked but what they are.
    fn calm(&self, around: &Around<'_, '_>, kind: Calm, moves: usize) -> Calm {
        let is_idle = self.drive.is_idle();
        let goes_on = is_idle || self.purpose == Purpose::Rewrite && self.drive.goes_on();
        // Where the head may be parked, a refill before any move would purge, and somebody has to know where the head is.
        if !goes_on || self.pauses.are_left() || around.track.is_some() {
            return Calm::NONE;
        }
        match &self.stay {
            None => kind,
            Some(stay) => match stay.calm_in(around.known, moves) {
                None => Calm::NONE,
                layer => Calm { layer, ..kind },
            },
        }
    }

    /// Goes past a move whose E stays.
    #[inline(always)]
    fn keep(&mut self, text: &mut Edited, step: &Move, verdict: &Verdict, _: Marks, timing: &Timing) -> Decided {
        let speed = self.feeds.stays(step, verdict).unwrap_or_else(|| self.rewrite(text, step, verdict, ELine::Keep));
        Decided { speed, fed_mm3: fed_by_file(step), ..Decided::lasting(timing.time) }
    }

    /// Tells the screw what to do along a bead.
    #[inline(always)]
    fn drive(&mut self, text: &mut Edited, step: &Move, verdict: &Verdict, mark: Marks, timing: &Timing) -> Decided {
        let fed_before = self.drive.account.fed_mm3;
        let e = self.drive.bead(step, full(mark, verdict), timing, &mut text.pieces);
        let speed = match (e, self.feeds.stays(step, verdict)) {
            (ELine::Word(word), Some(speed)) => {
                Written::write_e(text, step, word);
                speed
            }
            (e, Some(speed)) => {
                self.written.write_line(text, step, FeedEdit::Keep, e, None);
                speed
            }
            (e, None) => self.rewrite(text, step, verdict, e),
        };
        Decided { speed, fed_mm3: self.fed(step, fed_before), ..Decided::lasting(timing.time) }
    }

    /// New melt that is pushed with a move, mm³; `before`: all of the account up to it.
    #[inline(always)]
    fn fed(&self, step: &Move, before: f64) -> f64 {
        if self.feeds_by_account { self.drive.account.fed_mm3 - before } else { fed_by_file(step) }
    }

    /// Writes what becomes of the feed and the E of a line; returns the speed of the move, mm/s.
    #[inline(never)]
    fn rewrite(&mut self, text: &mut Edited, step: &Move, verdict: &Verdict, e: ELine) -> f64 {
        let (edit, speed) = self.feeds.next(step, verdict, 1.0);
        self.arc_ended |= matches!(edit, FeedEdit::LineBefore(_));
        if self.purpose == Purpose::Rewrite && (edit, e) != (FeedEdit::Keep, ELine::Keep) {
            self.written.write_line(text, step, edit, e, None);
        }
        speed
    }

    /// Decides on a move before which something may be due, or whose line is out of the ordinary.
    #[inline(never)]
    fn look(
        &mut self,
        around: &mut Around<'_, '_>,
        index: usize,
        step: &Move,
        verdict: &Verdict,
        mark: Marks,
        ruling: &Ruling,
    ) -> Decided {
        let Around { text, moves, known, before, after, ahead, besides, counts, track, first_line } = around;
        let [before, after] = [&**before, after].map(|all| all.get(index).unwrap_or(&Timing::NONE));
        let ahead = if mark.has(Marks::CHARGE) { ahead.get(index).copied().unwrap_or(0.0) } else { 0.0 };
        let is_idle = self.drive.is_idle();
        // What is taken out is bounded by nothing any more.
        let kept = if mark.any(Marks::DROP, Marks::STRIP) { Verdict::unlimited(step) } else { *verdict };
        let line = *first_line + u64::from(step.line);
        let at_s = self.now_s;
        let beside = besides.next(step);
        let fed_before = self.drive.account.fed_mm3;
        let mut lines = LinesBefore { text: &mut self.lines, block: &text.bytes, at: step.feed_at };
        let mut halted_s = 0.0;
        let own = index.checked_sub(1).and_then(|before| moves.get(before)).map_or(self.file_feed, FeedWord::of_file);
        let obstacle = track.as_ref().and_then(|track| self.pauses.obstacle(step, track));
        if self.purpose == Purpose::Rewrite
            && let Some(due) = self.stay.as_ref().and_then(|stay| stay.due(step))
        {
            // Numbered lines bear no others between them: that is an obstacle too.
            let obstacle = obstacle.or_else(|| self.pauses.cannot_wait());
            if let Some(track) = track.as_ref().filter(|_| obstacle.is_none()) {
                halted_s = self.drive.halt(step, &mut self.feeds, &mut lines);
                let stop = (Stop::ToCool(due.missing_s() - halted_s), own);
                let bears = |way| bears_along(self.stay.as_ref(), known, step, way);
                halted_s += self.pauses.park(step, track, &mut self.drive, &mut self.feeds, &mut lines, stop, bears);
                self.feeds.forget();
                if let Some(stay) = &mut self.stay {
                    stay.waited(halted_s);
                }
            } else {
                let code = if step.has(Move::NUMBERED) { Code::PartNumbered } else { Code::LayerHurried };
                due.report(&mut self.findings, code, (line, Some(at_s)), obstacle);
            }
        }
        let waited_s = halted_s;
        if self.pauses.is_due(step, line) {
            halted_s += self.drive.halt(step, &mut self.feeds, &mut lines);
            halted_s += match track.as_ref().filter(|_| obstacle.is_none()) {
                Some(track) if self.pauses.parks() => {
                    let stop = (Stop::ForRefill, own);
                    let bears = |way| bears_along(self.stay.as_ref(), known, step, way);
                    self.pauses.park(step, track, &mut self.drive, &mut self.feeds, &mut lines, stop, bears)
                }
                _ => {
                    self.pauses.stay(own, step, &mut self.feeds, &mut lines);
                    if let Some(reason) = obstacle.filter(|_| self.pauses.parks()) {
                        let (layer, z_mm) = (u64::from(step.layer), step.z);
                        self.findings.add(Code::PauseNotParked, || Place {
                            line,
                            layer,
                            z_mm,
                            time_s: Some(at_s),
                            detail: reason.to_owned(),
                        });
                    }
                    0.0
                }
            };
            self.feeds.forget();
        }
        if let Some(track) = track {
            let (_, at) = track.next(step);
            self.pauses.pass(step, at);
        }
        if let Some(limits) = beside.limits {
            self.pauses.in_force.follow(limits);
        }
        if let Some(stay) = &mut self.stay {
            if step.has(Move::NUMBERED) {
                let bears = stay.soft().accel(known, step);
                report_unbounded(&mut self.findings, bears, step, before.accel, (line, at_s));
            }
            if let Some(words) = stay.words(known, step, beside.limits) {
                self.pauses.in_force.set(words, &mut lines);
            }
        }
        if let Some(accel) = ruling.word {
            let is_travel = step.kind == Kind::Travel || mark.has(Marks::STRIP);
            self.pauses.in_force.set_accel(f64::from(accel), is_travel, &mut lines);
        }
        if step.runs_commands() {
            self.pauses.in_force.put_back_for_good(&mut lines);
        }
        self.drive.accel_is(ruling.bound, beside.limits);
        let mut driven = if is_idle {
            if track.is_some() {
                self.drive.follow(step);
            }
            Driven::UNTOUCHED
        } else {
            let mark = full(mark, verdict);
            self.drive.next(step, mark, after, ahead, &mut self.feeds, &mut lines, &mut text.pieces)
        };
        if step.kind == Kind::KeptE
            && let Some(count) = counts.next()
        {
            self.drive.keep_count(*count);
        }
        driven.rest_s += halted_s;
        if let Some([e, most]) = self.drive.excess.take().filter(|_| self.purpose == Purpose::Rewrite) {
            let detail = format!("{e:.1} units of E in the output, at most {most} in one line");
            let (layer, z_mm) = (u64::from(step.layer), step.z);
            self.findings.add(Code::ExcessE, || Place { line, layer, z_mm, time_s: Some(at_s), detail });
        }
        if self.purpose == Purpose::Rewrite && step.is_fixed_command() {
            let lowered = (self.feeds.lowered_for(step), self.pauses.in_force.lowered_accel());
            report_slowed(&mut self.findings, lowered, step, (line, at_s));
        }
        name_motion(&mut self.unnamed, step, driven.e, &mut lines);
        if let Some(path) = beside.arc {
            if self.arc_ended && repeats_arc(text, step) {
                lines.text.extend_from_slice(if path.arc.sweep < 0.0 { b"G2 " } else { b"G3 " });
            }
            self.arc_ended = false;
        } else {
            self.arc_ended |= !lines.text.is_empty();
        }
        let (edit, speed) = match driven.e {
            ELine::Remove => (FeedEdit::Keep, step.speed),
            _ => self.feeds.next(step, &kept, driven.e_scale),
        };
        self.arc_ended |= matches!(edit, FeedEdit::LineBefore(_));
        let seconds = match self.purpose {
            Purpose::Rewrite if mark.has(Marks::DROP) => driven.rest_s,
            Purpose::Rewrite => after.time + driven.rest_s,
            Purpose::Audit => before.time,
        };
        let purge_mm3 = if obstacle.is_none() { self.pauses.purge_mm3() } else { 0.0 };
        if let Some(stay) = &mut self.stay {
            if self.purpose == Purpose::Audit
                && let Some(due) = stay.due(step)
            {
                due.report(&mut self.findings, Code::LayerTime, (line, Some(at_s)), None);
            }
            stay.pass(known, step, seconds - waited_s);
        }
        let fed_mm3 = self.fed(step, fed_before);
        match self.purpose {
            Purpose::Rewrite if step.has(Move::TAKE_OUT) => self.written.take_out(text, step),
            Purpose::Rewrite => {
                let untouched = edit == FeedEdit::Keep
                    && driven.e == ELine::Keep
                    && self.lines.is_empty()
                    && !step.has(Move::SPLIT);
                if !untouched {
                    self.written.write(text, step, edit, driven.e, beside.arc, &mut self.lines);
                }
            }
            Purpose::Audit => self.lines.clear(),
        }
        Decided { rest_s: driven.rest_s, seconds, speed, fed_mm3, purge_mm3 }
    }
}

/// What was decided on the moves of a block so far.
struct Decisions<'a> {
    moves: &'a [Move],
    verdicts: &'a [Verdict],
    marks: &'a [Marks],
    rulings: &'a [Ruling],
    /// How they are executed: in the output, or in the file where it is only judged.
    lasting: &'a [Timing],
}

/// The block they stand in.
struct Around<'a, 'b> {
    text: &'a mut Edited,
    moves: &'a [Move],
    known: &'a KnownLimits,
    before: &'a [Timing],
    after: &'a [Timing],
    ahead: &'a [f64],
    besides: Besides<'b>,
    counts: std::slice::Iter<'b, KeptCount>,
    track: Option<Track<'b>>,
    first_line: u64,
}

/// Moves before which nothing is due, and whose lines stay or get other numbers.
#[derive(Clone, Copy)]
struct Calm {
    /// What they are, a bit for each [`Kind`].
    kinds: u32,
    /// Flags that tell, and those of them that are set.
    flags: [u16; 2],
    /// Their layer, where that tells.
    layer: Option<u32>,
}

impl Calm {
    /// None are.
    const NONE: Self = Self { kinds: 0, flags: [0; 2], layer: None };
    /// What may move by itself: before that, limits of the file are put back.
    const COMMANDS: u32 =
        1 << Kind::FeedUser as u32 | 1 << Kind::Pause as u32 | 1 << Kind::Home as u32 | 1 << Kind::End as u32;
    /// Of a drive that changes no E.
    const IDLE: Self = Self {
        kinds: !(1 << Kind::Limits as u32 | Self::COMMANDS),
        flags: [Move::NUMBERED | Move::TAKE_OUT | Move::SPLIT | Move::ARC, 0],
        layer: None,
    };
    /// Of one that [goes on](Drive::goes_on).
    const DRIVEN: Self = Self {
        kinds: 1 << Kind::Bead as u32,
        flags: [
            Self::IDLE.flags[0]
                | Move::FIXED
                | Move::WHOLE
                | Move::FEED_BEFORE
                | Move::E_UNIT
                | Move::REPEATS_0
                | Move::REPEATS_1
                | Move::SCREW,
            Move::SCREW,
        ],
        layer: None,
    };

    /// Whether a move is one.
    #[inline(always)]
    fn holds(&self, step: &Move, mark: Marks, ruling: &Ruling) -> bool {
        let [tell, set] = self.flags;
        step.flags & tell == set
            && self.kinds & 1 << step.kind as u32 != 0
            && self.layer.is_none_or(|layer| layer == step.layer)
            && !mark.any(Marks::DROP, Marks::STRIP)
            && !mark.any(Marks::RELIEVE, Marks::CHARGE)
            && ruling.word.is_none()
    }
}

/// The marks of a move, with one where it asks all that the screw keeps up.
#[inline(always)]
fn full(mut mark: Marks, verdict: &Verdict) -> Marks {
    if verdict.reason == Some(Reason::SustainedCapacity) {
        mark.add(Marks::FULL);
    }
    mark
}

/// What the part bears along a way before a move, mm/s².
fn bears_along(stay: Option<&Stay>, known: &KnownLimits, step: &Move, [x, y]: [f64; 2]) -> f64 {
    let way = Move { delta: [x, y, 0.0], length: x.hypot(y), flags: 0, ..*step };
    stay.map_or(f64::INFINITY, |stay| stay.soft().accel(known, &way))
}

/// New melt that a move pushes as the file has it, mm³.
fn fed_by_file(step: &Move) -> f64 {
    if step.has(Move::SCREW) { step.melt } else { 0.0 }
}

/// Names the motion that a line repeats, if the line that named it was taken out. `unnamed`: whether it was.
#[inline]
fn name_motion(unnamed: &mut bool, step: &Move, e: ELine, lines: &mut LinesBefore<'_>) {
    let repeats = step.flags & (Move::REPEATS_0 | Move::REPEATS_1);
    if repeats == 0 {
        if matches!(step.kind, Kind::EIn | Kind::EOut) {
            *unnamed = e == ELine::Remove;
        }
    } else if *unnamed && e != ELine::Remove && !step.has(Move::NUMBERED) {
        lines.text.extend_from_slice(if repeats == Move::REPEATS_0 { b"G0 " } else { b"G1 " });
        *unnamed = false;
    }
}

/// Adds a move that is quicker than the part bears, on a line that bears no word for it.
fn report_unbounded(findings: &mut Findings, bears: f64, step: &Move, accel: f64, (line, at_s): (u64, f64)) {
    if bears < accel {
        findings.add_weighted(Code::PartNumbered, accel / bears, || Place {
            line,
            layer: u64::from(step.layer),
            z_mm: step.z,
            time_s: Some(at_s),
            detail: format!("{} mm/s² of the {} mm/s² that the controller takes", short(bears), short(accel)),
        });
    }
}

/// Adds a command that runs under what was lowered before it: the feed in mm per minute, and the acceleration in mm/s².
fn report_slowed(findings: &mut Findings, lowered: (Option<f64>, Option<f64>), step: &Move, (line, at_s): (u64, f64)) {
    let detail = match lowered {
        (None, None) => return,
        (Some(feed), accel) => {
            let own = decimal(step.feed_mm_min, 1);
            let accel = accel.map_or_else(String::new, |accel| format!(", and at {} mm/s²", short(accel)));
            format!("at a feed of {} instead of {own} mm/min{accel}", decimal(feed, 1))
        }
        (None, Some(accel)) => format!("at {} mm/s²", short(accel)),
    };
    let (layer, z_mm) = (u64::from(step.layer), step.z);
    findings.add(Code::CommandSlowed, || Place { line, layer, z_mm, time_s: Some(at_s), detail });
}

/// A figure with one decimal where it has few digits before it.
pub fn short(value: f64) -> String {
    decimal(value, if value < 10.0 { 1 } else { 0 })
}
