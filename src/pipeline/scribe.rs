//! Fourth line-after-line part: what becomes of the decisions. They are added up, and written or reported.

use super::drive::{Drive, Driven, LinesBefore};
use super::edits::{ELine, Outgoing, Written};
use super::granules::Granules;
use super::pauses::{Pauses, Stop};
use super::planning::Besides;
use super::stay::{Due, Stay};
use crate::findings::{Code, Findings, Place};
use crate::inspect::beads::Beads;
use crate::inspect::{self, Inspection};
use crate::line::number::write_fixed;
use crate::motion::braking::{Braking, Seen};
use crate::moves::named::RIGHT_ANGLE_SPEED;
use crate::moves::track::Track;
use crate::moves::{Kind, Move};
use crate::passes::corners::CornerWord;
use crate::passes::feed::{FeedEdit, Feeds};
use crate::passes::lag::gaps::Marks;
use crate::passes::{ROUNDING, Reason, Verdict};
use crate::profile::{AccelWords, Corner};
use crate::summary::course::{Course, Outline};
use crate::summary::tally::{Executed, Tally};

/// Decimals of a corner rule: as many as a file or a profile may have put there.
const CORNER_DECIMALS: u8 = 5;

/// What becomes of the decisions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// They are written.
    Rewrite,
    /// They are reported as findings.
    Audit,
}

/// What a [`Scribe`] writes or reports by.
#[derive(Clone, Copy, Debug)]
pub struct Terms {
    /// Peak capacity, mm³/s.
    pub peak_mm3_s: f64,
    /// Feed in force before the first F word, mm/s.
    pub initial_feed_mm_s: f64,
    /// How accelerations are written.
    pub accel_words: AccelWords,
    /// What becomes of the decisions.
    pub purpose: Purpose,
    /// What a rewrite makes of the file is told; without, that nothing changes.
    pub foretells: bool,
}

/// Adds up, writes and reports.
#[derive(Debug)]
pub struct Scribe {
    /// Adds up.
    pub tally: Tally,
    /// What was written.
    pub written: Written,
    /// Demand above capacity, when it is reported rather than changed.
    pub findings: Findings,
    /// What the screw is told.
    pub drive: Drive,
    /// What is taken from the hopper: by the output, or by the file where it is only reported on.
    pub granules: Granules,
    /// Where the output stands still.
    pub pauses: Pauses,
    /// Layers in time, where they need some.
    pub stay: Option<Stay>,
    /// What a report draws, where one is wanted.
    pub course: Option<Box<Course>>,
    /// What does not fit machine, nozzle and screw.
    pub inspection: Inspection,
    /// When the lines come at which something was found, s: of the output, or of the file where it is only judged.
    pub clock: Clock,
    /// What a report in plain text draws, where the file is only judged.
    pub outline: Option<Box<Outline>>,
    /// Beads against the nozzle, where they are reported on.
    pub beads: Option<Box<Beads>>,
    peak_mm3_s: f64,
    accel_words: AccelWords,
    feeds: Feeds,
    purpose: Purpose,
    foretells: bool,
    braking: Braking,
    lines: Vec<u8>,
    /// The line that named the motion in force was taken out.
    unnamed: bool,
}

impl Scribe {
    /// A scribe at the start of a file. `braking`: looks at what the planner made of it.
    pub fn new(
        tally: Tally,
        drive: Drive,
        granules: Granules,
        braking: Braking,
        inspection: Inspection,
        terms: Terms,
    ) -> Self {
        Self {
            tally,
            written: Written::default(),
            findings: Findings::default(),
            drive,
            granules,
            pauses: Pauses::default(),
            stay: None,
            course: None,
            outline: None,
            beads: None,
            inspection,
            clock: Clock::default(),
            peak_mm3_s: terms.peak_mm3_s,
            accel_words: terms.accel_words,
            feeds: Feeds::new(terms.initial_feed_mm_s),
            purpose: terms.purpose,
            foretells: terms.foretells,
            braking,
            lines: Vec::new(),
            unnamed: false,
        }
    }

    /// Takes blocks whose moves are all decided, and adds them to `ready` in order.
    pub fn take(&mut self, decided: &mut Vec<Outgoing>, ready: &mut Vec<Outgoing>) {
        for mut block in decided.drain(..) {
            self.block(&mut block);
            ready.push(block);
        }
    }

    fn block(&mut self, block: &mut Outgoing) {
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
            noted,
            first_line,
            ..
        } = block;
        noted.sort_unstable();
        let mut noted = noted.iter().copied().peekable();
        let mut looking = self.inspection.block(side);
        let mut besides = Besides::of(side);
        let is_idle = self.drive.is_idle();
        let tells = !is_idle && self.purpose == Purpose::Rewrite;
        let purge_mm3 = self.pauses.purge_mm3();
        // Only who parks has to know where.
        let mut track = self.pauses.goes().then(|| Track::of(side));
        let mut course = self.course.as_mut().map(|course| course.follow(side));
        let after = if self.foretells { after } else { &*before };
        let all = moves.iter().zip(&*before).zip(verdicts).zip(marks).zip(rulings).zip(after);
        for (index, (((((step, before), verdict), &mut mark), ruling), after)) in all.enumerate() {
            let ahead = if mark.has(Marks::CHARGE) { ahead.get(index).copied().unwrap_or(0.0) } else { 0.0 };
            // What is taken out is bounded by nothing any more.
            let is_free = !self.foretells || mark.any(Marks::DROP, Marks::STRIP);
            let kept = if is_free { Verdict::unlimited(step) } else { *verdict };
            let line = *first_line + u64::from(step.line);
            while let Some(index) = noted.next_if(|index| *index <= step.line) {
                self.clock.note(*first_line + u64::from(index));
            }
            let at_s = self.clock.now_s;
            let beside = besides.next(step);
            let seen = inspect::Seen { step, arc: beside.arc, line, seconds: before.time, elapsed_s: at_s };
            looking.at(&seen);
            let fed_before = self.drive.account.fed_mm3;
            let mut lines = LinesBefore { text: &mut self.lines, block: &text.bytes, at: step.feed_at };
            let mut halted_s = 0.0;
            let obstacle = track.as_ref().and_then(|track| self.pauses.obstacle(step, track));
            if self.purpose == Purpose::Rewrite
                && let Some(due) = self.stay.as_ref().and_then(|stay| stay.due(step))
            {
                // Numbered lines bear no others between them: that is an obstacle too.
                if let Some(track) = track.as_ref().filter(|_| obstacle.is_none()) {
                    halted_s = self.drive.halt(step, &mut self.feeds, &mut lines);
                    let stop = Stop::ToCool(due.missing_s() - halted_s);
                    halted_s += self.pauses.park(step, track, &mut self.drive, &mut self.feeds, &mut lines, stop);
                    self.feeds.forget();
                    if let Some(stay) = &mut self.stay {
                        stay.waited(halted_s);
                    }
                } else {
                    let code = if step.has(Move::NUMBERED) { Code::PartNumbered } else { Code::LayerHurried };
                    report_hurry(&mut self.findings, code, step, &due, (line, at_s), obstacle);
                }
            }
            let waited_s = halted_s;
            if self.pauses.is_due(step, line) {
                halted_s += self.drive.halt(step, &mut self.feeds, &mut lines);
                halted_s += match track.as_ref().filter(|_| obstacle.is_none()) {
                    Some(track) if self.pauses.parks() => {
                        let stop = Stop::ForRefill;
                        self.pauses.park(step, track, &mut self.drive, &mut self.feeds, &mut lines, stop)
                    }
                    _ => {
                        self.pauses.stay(&mut lines);
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
            if let Some(track) = &mut track {
                track.next(step);
                self.pauses.pass(step, beside.limits);
            }
            if let Some(stay) = &mut self.stay {
                if step.has(Move::NUMBERED) {
                    report_unbounded(
                        &mut self.findings,
                        stay.soft().accel(known, step),
                        step,
                        before.accel,
                        (line, at_s),
                    );
                }
                if let Some(words) = stay.words(known, step, beside.limits) {
                    by_axis(words.accels, &mut lines, &mut self.written.accels);
                    if let Some(word) = words.corner {
                        corner(word, &mut lines);
                        self.written.corners += 1;
                    }
                }
            }
            if let Some(accel) = ruling.word {
                let is_travel = step.kind == Kind::Travel || mark.has(Marks::STRIP);
                lines.text.extend_from_slice(match self.accel_words {
                    AccelWords::AllMoves => b"M204 S",
                    AccelWords::Beads if is_travel => b"M204 T",
                    AccelWords::Beads => b"M204 P",
                });
                lines.text.extend_from_slice(accel.to_string().as_bytes());
                lines.end();
                self.written.accels += 1;
            }
            let mut driven = if is_idle {
                if track.is_some() {
                    self.drive.follow(step);
                }
                Driven::UNTOUCHED
            } else {
                self.drive.next(step, mark, after, ahead, &mut self.feeds, &mut lines, &mut text.pieces)
            };
            driven.rest_s += halted_s;
            name_motion(&mut self.unnamed, step, driven.e, &mut lines);
            let (edit, speed) = match driven.e {
                ELine::Remove => (FeedEdit::Keep, step.speed),
                _ => self.feeds.next(step, &kept, driven.e_scale),
            };
            let dropped = mark.has(Marks::DROP);
            let held = ruling.bound.is_finite().then_some(ruling.reason);
            let executed =
                Executed { step, verdict: &kept, before, after, rest_s: driven.rest_s, speed, line, dropped, held };
            self.tally.add(&executed);
            if let Some(outline) = &mut self.outline {
                outline.add(&executed);
            }
            if let Some(course) = &mut course {
                course.add(&executed, beside.arc);
            }
            let seconds = match self.purpose {
                Purpose::Rewrite if dropped => driven.rest_s,
                Purpose::Rewrite => after.time + driven.rest_s,
                Purpose::Audit => before.time,
            };
            let purge_mm3 = if obstacle.is_none() { purge_mm3 } else { 0.0 };
            if let Some(stay) = &mut self.stay {
                if self.purpose == Purpose::Audit
                    && let Some(due) = stay.due(step)
                {
                    report_hurry(&mut self.findings, Code::LayerTime, step, &due, (line, at_s), None);
                }
                stay.pass(known, step, seconds - waited_s);
            }
            let fed_mm3 = match tells {
                true => self.drive.account.fed_mm3 - fed_before,
                false if step.has(Move::SCREW) => step.melt,
                false => 0.0,
            };
            self.granules.add(step, line, seconds, fed_mm3, purge_mm3);
            self.clock.now_s += seconds;
            match self.purpose {
                Purpose::Rewrite => {
                    if step.has(Move::TAKE_OUT) {
                        self.written.take_out(text, step);
                        continue;
                    }
                    let untouched = edit == FeedEdit::Keep
                        && driven.e == ELine::Keep
                        && self.lines.is_empty()
                        && !step.has(Move::SPLIT);
                    if !untouched {
                        self.written.write(text, step, edit, driven.e, beside.arc, &mut self.lines);
                    }
                }
                Purpose::Audit => {
                    self.lines.clear();
                    if let Some(beads) = &mut self.beads {
                        beads.add(&seen, &mut self.findings);
                    }
                    report(&mut self.findings, self.peak_mm3_s, step, verdict, before.top, (line, at_s));
                    let jolts = self.braking.look(step, beside, before);
                    if jolts != Seen::default() {
                        report_braking(&mut self.findings, step, &jolts, (line, at_s));
                    }
                }
            }
        }
        // The marker came first, but what may be prose stands before it.
        if let [marker, next, ..] = text.edits.as_slice()
            && next.at < marker.at
        {
            text.edits.sort_by_key(|edit| edit.at);
        }
        for index in noted {
            self.clock.note(*first_line + u64::from(index));
        }
    }
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

/// Most lines whose times are kept; further findings go without.
const MOST_TIMED: usize = 1 << 16;

/// Keeps the times of some lines.
#[derive(Debug, Default)]
pub struct Clock {
    now_s: f64,
    lines: Vec<(u64, f64)>,
}

impl Clock {
    fn note(&mut self, line: u64) {
        if self.lines.len() < MOST_TIMED {
            self.lines.push((line, self.now_s));
        }
    }

    /// When a line comes, s, if it is among them.
    pub fn time_of(&self, line: u64) -> Option<f64> {
        let place = self.lines.binary_search_by_key(&line, |(line, _)| *line).ok()?;
        self.lines.get(place).map(|(_, time)| *time)
    }
}

/// Writes accelerations along X and Y.
fn by_axis(words: [Option<u32>; 2], lines: &mut LinesBefore<'_>, written: &mut u64) {
    if words == [None; 2] {
        return;
    }
    lines.text.extend_from_slice(b"M201");
    for (letter, word) in b"XY".iter().zip(words) {
        if let Some(accel) = word {
            lines.text.extend_from_slice(&[b' ', *letter]);
            lines.text.extend_from_slice(accel.to_string().as_bytes());
        }
    }
    lines.end();
    *written += 1;
}

/// Writes a corner rule.
fn corner(CornerWord { rule, axes }: CornerWord, lines: &mut LinesBefore<'_>) {
    let text = &mut *lines.text;
    match rule {
        Corner::RightAngleSpeed(speed) => {
            text.extend_from_slice(RIGHT_ANGLE_SPEED.as_bytes());
            write_fixed(text, speed, CORNER_DECIMALS);
        }
        Corner::Deviation(deviation) => {
            text.extend_from_slice(b"M205 J");
            write_fixed(text, deviation, CORNER_DECIMALS);
        }
        Corner::AxisStep(steps) => {
            text.extend_from_slice(b"M205");
            for ((letter, step), _) in b"XY".iter().zip(steps).zip(axes).filter(|(_, named)| *named) {
                text.extend_from_slice(&[b' ', *letter]);
                write_fixed(text, step, CORNER_DECIMALS);
            }
        }
    }
    lines.end();
}

/// Adds a layer that gets less time than it needs.
fn report_hurry(
    findings: &mut Findings,
    code: Code,
    step: &Move,
    due: &Due,
    (line, at_s): (u64, f64),
    obstacle: Option<&str>,
) {
    let why = obstacle.map_or_else(String::new, |why| format!(": {why}"));
    findings.add_weighted(code, due.missing_s(), || Place {
        line,
        layer: u64::from(due.layer),
        z_mm: step.z,
        time_s: Some(at_s),
        detail: format!("{} s of the {} s it needs{why}", short(due.taken_s), short(due.least_s)),
    });
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

/// Adds the findings of a move. A bead above the peak in a stretch above the average is reported for both.
fn report(
    findings: &mut Findings,
    peak_mm3_s: f64,
    step: &Move,
    verdict: &Verdict,
    top: f64,
    (line, at_s): (u64, f64),
) {
    let Some(reason) = verdict.reason else { return };
    let flow = step.flow_at(top);
    let mut add = |code| {
        findings.add_weighted(code, flow, || Place {
            line,
            layer: u64::from(step.layer),
            z_mm: step.z,
            time_s: Some(at_s),
            detail: match step.kind {
                Kind::Bead => format!("{flow:.1} mm³/s, {}", step.role.name()),
                _ => format!("{flow:.1} mm³/s, no motion"),
            },
        });
    };
    match reason {
        Reason::PeakCapacity => add(Code::PeakDemand),
        Reason::ScrewSpeed => add(Code::ScrewSpeed),
        Reason::SustainedCapacity => {
            add(Code::SustainedDemand);
            if step.kind == Kind::Bead && flow > peak_mm3_s * ROUNDING {
                add(Code::PeakDemand);
            }
        }
        Reason::MeltLag | Reason::Sway | Reason::NozzleDrag | Reason::LayerTime => {}
    }
}

/// Adds what the controller makes of a move, by the time it costs.
fn report_braking(findings: &mut Findings, step: &Move, seen: &Seen, (line, at_s): (u64, f64)) {
    let (layer, time_s) = (u64::from(step.layer), Some(at_s));
    let place = |detail: String| Place { line, layer, z_mm: step.z, time_s, detail };
    if let Some(stall) = &seen.e_step {
        let [before, behind] = stall.e_per_mm;
        findings.add_weighted(Code::EStepStall, stall.lost_s, || {
            let speeds = format!("from {} to {} mm/s", short(stall.from), short(stall.to));
            place(format!("{speeds}: E per mm goes {before:.2} to {behind:.2}"))
        });
    }
    if let Some(slowed) = &seen.e_limit {
        findings.add_weighted(Code::ELimit, slowed.lost_s, || {
            let unit = if slowed.of_accel { "mm/s²" } else { "mm/s" };
            let kind = if slowed.of_accel { "units of E/s²" } else { "units of E/s" };
            place(format!(
                "{} instead of {} {unit}: at most {} {kind}",
                short(slowed.to),
                short(slowed.from),
                short(slowed.limit)
            ))
        });
    }
    if let Some(rate) = &seen.step_rate {
        findings.add_weighted(Code::StepRate, rate.rate_hz, || {
            place(format!("{}: {:.0} steps a second, at most {:.0}", rate.axis, rate.rate_hz, rate.most_hz))
        });
    }
}

/// A figure with one decimal where it has few digits before it.
pub fn short(value: f64) -> String {
    if value < 10.0 { format!("{value:.1}") } else { format!("{value:.0}") }
}
