//! Fifth line-after-line part: what the moves come to. They are added up, and of a file that is only judged, what it asks
//! is reported.

use super::edits::{Decided, Outgoing};
use super::granules::Granules;
use super::planning::{Besides, in_output};
use super::scribe::short;
use crate::demand::capacity::Capacity;
use crate::findings::number::decimal;
use crate::findings::{Code, Findings, Place};
use crate::inspect::beads::Beads;
use crate::inspect::{self, Inspection};
use crate::motion::Timing;
use crate::motion::braking::{Braking, Seen};
use crate::moves::arc::ArcPath;
use crate::moves::{Kind, Move};
use crate::passes::e_count::ECount;
use crate::passes::lag::accel::Ruling;
use crate::passes::lag::gaps::Marks;
use crate::passes::{Reason, Verdict, peak};
use crate::summary::course::{Course, Outline};
use crate::summary::tally::{Executed, Taken, Tally};
use crate::units::Bounded;

/// Moves of a stretch.
const TOGETHER: usize = 128;

/// Some moves of a block with what is known of them and was decided on them, list by list.
#[derive(Clone, Copy)]
struct Stretch<'a> {
    steps: &'a [Move],
    before: &'a [Timing],
    asked: &'a [Verdict],
    verdicts: &'a [Verdict],
    marks: &'a [Marks],
    rulings: &'a [Ruling],
    after: &'a [Timing],
    decided: &'a [Decided],
    first_line: u64,
}

impl<'a> Stretch<'a> {
    /// Those of a block, in order.
    fn of(block: &'a Outgoing) -> impl Iterator<Item = Self> {
        fn part<T>(list: &[T], from: usize) -> &[T] {
            let rest = list.get(from..).unwrap_or_default();
            rest.get(..TOGETHER).unwrap_or(rest)
        }
        (0..block.moves.len()).step_by(TOGETHER).map(|from| Self {
            steps: part(&block.moves, from),
            before: part(&block.before, from),
            asked: part(&block.asked, from),
            verdicts: part(&block.verdicts, from),
            marks: part(&block.marks, from),
            rulings: part(&block.rulings, from),
            after: part(&block.after, from),
            decided: part(&block.decided, from),
            first_line: block.first_line,
        })
    }

    fn line(&self, step: &Move) -> u64 {
        self.first_line + u64::from(step.line)
    }

    /// How they are executed.
    #[inline]
    fn executed(self) -> impl ExactSizeIterator<Item = Executed<'a>> + Clone {
        let timed = self.steps.iter().zip(self.before).zip(self.after);
        let all = timed.zip(self.verdicts).zip(self.marks).zip(self.rulings).zip(self.decided);
        all.map(move |((((((step, before), after), verdict), mark), ruling), decided)| Executed {
            step,
            // What is taken out is bounded by nothing any more.
            reason: if mark.any(Marks::DROP, Marks::STRIP) { None } else { verdict.reason },
            before,
            after,
            rest_s: decided.rest_s,
            speed: decided.speed,
            fed_mm3: decided.fed_mm3,
            line: self.line(step),
            dropped: mark.has(Marks::DROP),
            ruling,
        })
    }

    /// How they are executed in the file. `starts`: when each of them comes, s.
    #[inline]
    fn seen(
        self,
        arcs: impl Iterator<Item = Option<&'a ArcPath>> + Clone,
        starts: &'a [f64],
    ) -> impl Iterator<Item = inspect::Seen<'a>> + Clone {
        let all = self.steps.iter().zip(self.before).zip(starts).zip(arcs);
        all.map(move |(((step, before), at_s), arc)| inspect::Seen {
            step,
            arc,
            line: self.line(step),
            seconds: before.time,
            elapsed_s: *at_s,
        })
    }
}

/// Adds up and reports.
#[derive(Debug)]
pub struct Ledger {
    /// Adds up.
    pub tally: Tally,
    /// Demand above capacity, when it is reported rather than changed.
    pub findings: Findings,
    /// What is taken from the hopper: by the output, or by the file where it is only reported on.
    pub granules: Granules,
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
    /// What the planner made of the moves, where that is reported.
    pub braking: Option<Braking>,
    /// The unit of E in the output, where it is the output of which that is reported.
    pub output_e: Option<ECount>,
    /// What the screw gives, where demands above it are reported.
    pub capacity: Option<Capacity>,
    /// The file is an output of this program.
    pub is_output: bool,
}

impl Ledger {
    /// A ledger at the start of a file.
    pub fn new(tally: Tally, granules: Granules, inspection: Inspection) -> Self {
        Self {
            tally,
            findings: Findings::default(),
            granules,
            course: None,
            inspection,
            clock: Clock::default(),
            outline: None,
            beads: None,
            braking: None,
            output_e: None,
            capacity: None,
            is_output: false,
        }
    }

    /// Enters a block whose moves are all decided: each part has its turn with some of them, so that it goes through them
    /// undisturbed, and finds them near at hand.
    pub fn enter(&mut self, block: &mut Outgoing) {
        block.noted.sort_unstable();
        let first_line = block.first_line;
        let mut noted = block.noted.as_slice();
        let mut looking = self.inspection.block(&block.side);
        let mut course = self.course.as_mut().map(|course| course.follow(&block.side));
        let mut besides = Besides::of(&block.side);
        for some in Stretch::of(block) {
            let Stretch { steps, before, .. } = some;
            self.clock.pass(some.decided);
            self.clock.note(&mut noted, steps, first_line);
            let starts = &self.clock.starts;
            let arcs = besides.ahead(steps).map(|beside| beside.arc);
            looking.at_all(some.seen(arcs.clone(), starts));
            self.tally.add(some.executed());
            self.granules.add(steps, some.decided, first_line);
            let taken = self.tally.taken();
            if let Some(outline) = &mut self.outline {
                outline.add(some.executed(), taken);
            }
            if let Some(course) = &mut course {
                course.add(some.executed().zip(arcs.clone()), taken);
            }
            if let Some(beads) = &mut self.beads {
                beads.add(some.seen(arcs, starts), &mut self.findings);
            }
            if let Some(capacity) = &self.capacity {
                report_demand(&mut self.findings, &some, taken, starts, (capacity, self.is_output));
            }
            if let Some(braking) = &mut self.braking {
                let (count, timings) =
                    (self.output_e.as_ref(), if self.output_e.is_some() { some.after } else { before });
                let ordered = |index: usize, step: &Move| {
                    let decided = some.marks.get(index).zip(some.verdicts.get(index)).zip(some.rulings.get(index));
                    match (count, decided) {
                        (Some(count), Some(((mark, verdict), ruling))) => {
                            [in_output(step, *mark, verdict.speed, count).e, ruling.bound]
                        }
                        _ => [step.e, f64::INFINITY],
                    }
                };
                braking.look_all(steps, ordered, besides.ahead(steps), timings, |index, jolts| {
                    if let Some((step, at_s)) = steps.get(index).zip(starts.get(index)) {
                        report_braking(&mut self.findings, step, jolts, (some.line(step), *at_s));
                    }
                });
            }
            besides.pass(steps);
        }
        self.clock.note_all(noted, first_line);
    }
}
/// Most lines whose times are kept; further findings go without.
const MOST_TIMED: usize = 1 << 16;

/// Keeps the times of some lines.
#[derive(Debug, Default)]
pub struct Clock {
    now_s: f64,
    /// When each of the moves at hand starts, s.
    starts: Vec<f64>,
    lines: Vec<(u64, f64)>,
}

impl Clock {
    /// Goes on by some moves.
    fn pass(&mut self, decided: &[Decided]) {
        let mut now_s = self.now_s;
        self.starts.clear();
        self.starts.extend(decided.iter().map(|decided| {
            let start = now_s;
            now_s += decided.seconds;
            start
        }));
        self.now_s = now_s;
    }

    /// Keeps the times of those lines of `noted` that come before or with one of these moves.
    fn note(&mut self, noted: &mut &[u32], steps: &[Move], first_line: u64) {
        while let Some((line, rest)) = noted.split_first()
            && let Some(start) = self.starts.get(steps.partition_point(|step| step.line < *line)).copied()
        {
            self.keep(first_line + u64::from(*line), start);
            *noted = rest;
        }
    }

    /// Keeps the time for lines behind the moves so far.
    fn note_all(&mut self, noted: &[u32], first_line: u64) {
        noted.iter().for_each(|line| self.keep(first_line + u64::from(*line), self.now_s));
    }

    fn keep(&mut self, line: u64, time_s: f64) {
        if self.lines.len() < MOST_TIMED {
            self.lines.push((line, time_s));
        }
    }

    /// When a line comes, s, if it is among them.
    pub fn time_of(&self, line: u64) -> Option<f64> {
        let place = self.lines.binary_search_by_key(&line, |(line, _)| *line).ok()?;
        self.lines.get(place).map(|(_, time)| *time)
    }
}

/// What is reported of a move that alone asks too much, for this reason.
fn code(reason: Reason, is_output: bool) -> Code {
    match reason {
        // Planned within the screw, and executed a little otherwise: a second rewrite would change nothing.
        _ if is_output => Code::OutputBeyondScrew,
        Reason::ScrewSpeed => Code::ScrewSpeed,
        _ => Code::PeakDemand,
    }
}

/// Reports the moves of a stretch that ask more than the screw gives. `taken`: what each of them asks; `starts`: when it
/// comes, s.
fn report_demand(
    findings: &mut Findings,
    some: &Stretch<'_>,
    taken: &[Taken],
    starts: &[f64],
    (capacity, is_output): (&Capacity, bool),
) {
    let least = capacity.peak_mm3_s.at_most(capacity.screw_mm3_s);
    for (index, (taken, asked)) in taken.iter().zip(some.asked).enumerate() {
        let fades = asked.reason.is_some();
        if !fades && taken.flows[0] <= least {
            continue;
        }
        let at = some.steps.get(index).zip(some.before.get(index)).zip(starts.get(index));
        let Some(((step, before), at_s)) = at else { continue };
        let reason = peak::judge(step, before.top, capacity).reason;
        if fades || reason.is_some() {
            let codes = [reason.map(|reason| code(reason, is_output)), fades.then_some(Code::SustainedDemand)];
            let flow = peak::demand(step, before.top, capacity);
            report(findings, step, flow, codes, (some.line(step), *at_s));
        }
    }
}

/// Adds a move that asks more than the screw gives, alone, on average or both: `flow`, mm³/s.
fn report(findings: &mut Findings, step: &Move, flow: f64, codes: [Option<Code>; 2], (line, at_s): (u64, f64)) {
    for code in codes.into_iter().flatten() {
        findings.add_weighted(code, flow, || Place {
            line,
            layer: u64::from(step.layer),
            z_mm: step.z,
            time_s: Some(at_s),
            detail: match step.kind {
                Kind::Bead => format!("{flow:.1} mm³/s, {}", step.role.name()),
                Kind::MovingTurn => format!("{flow:.1} mm³/s, turned along a way"),
                _ => format!("{flow:.1} mm³/s, no motion"),
            },
        });
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
            let (asked, most) = (decimal(rate.rate_hz, 0), decimal(rate.most_hz, 0));
            place(format!("{}: {asked} steps a second, at most {most}", rate.axis))
        });
    }
}
