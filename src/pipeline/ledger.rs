//! Fifth line-after-line part: what the moves come to. They are added up, and of a file that is only judged, what it asks
//! is reported.

use super::edits::{Decided, Outgoing};
use super::granules::Granules;
use super::planning::Besides;
use super::scribe::short;
use crate::demand::capacity::Capacity;
use crate::findings::number::decimal;
use crate::findings::{Code, Findings, Place};
use crate::inspect::beads::Beads;
use crate::inspect::{self, Inspection};
use crate::motion::braking::{Braking, Seen};
use crate::moves::{Kind, Move};
use crate::passes::lag::gaps::Marks;
use crate::passes::{Reason, Verdict, peak};
use crate::summary::course::{Course, Outline};
use crate::summary::tally::{Executed, Tally};

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
            capacity: None,
            is_output: false,
        }
    }

    /// Enters a block whose moves are all decided.
    pub fn enter(&mut self, block: &mut Outgoing) {
        let Outgoing {
            moves, side, before, asked, verdicts, marks, rulings, after, decided, noted, first_line, ..
        } = block;
        noted.sort_unstable();
        let mut noted = noted.iter().copied().peekable();
        let mut looking = self.inspection.block(side);
        let mut besides = Besides::of(side);
        let mut course = self.course.as_mut().map(|course| course.follow(side));
        let all = moves.iter().zip(&*before).zip(verdicts).zip(marks).zip(rulings).zip(after).zip(decided);
        for (index, ((((((step, before), verdict), mark), ruling), after), decided)) in all.enumerate() {
            let Decided { rest_s, seconds, speed, fed_mm3, purge_mm3 } = *decided;
            let line = *first_line + u64::from(step.line);
            while let Some(index) = noted.next_if(|index| *index <= step.line) {
                self.clock.note(*first_line + u64::from(index));
            }
            let at_s = self.clock.now_s;
            let beside = besides.next(step);
            let seen = inspect::Seen { step, arc: beside.arc, line, seconds: before.time, elapsed_s: at_s };
            looking.at(&seen);
            // What is taken out is bounded by nothing any more.
            let kept = if mark.any(Marks::DROP, Marks::STRIP) { Verdict::unlimited(step) } else { *verdict };
            let dropped = mark.has(Marks::DROP);
            let held = ruling.bound.is_finite().then_some(ruling.reason);
            let executed = Executed { step, verdict: &kept, before, after, rest_s, speed, line, dropped, held };
            self.tally.add(&executed);
            if let Some(outline) = &mut self.outline {
                outline.add(&executed);
            }
            if let Some(course) = &mut course {
                course.add(&executed, beside.arc);
            }
            self.granules.add(step, line, seconds, fed_mm3, purge_mm3);
            self.clock.now_s += seconds;
            if let Some(beads) = &mut self.beads {
                beads.add(&seen, &mut self.findings);
            }
            if let Some(capacity) = &self.capacity {
                let fades = asked.get(index).is_some_and(|asked| asked.reason.is_some());
                let reason = peak::judge(step, before.top, capacity).reason;
                if fades || reason.is_some() {
                    let is_output = self.is_output;
                    let codes = [reason.map(|reason| code(reason, is_output)), fades.then_some(Code::SustainedDemand)];
                    let flow = peak::demand(step, before.top, capacity);
                    report(&mut self.findings, step, flow, codes, (line, at_s));
                }
            }
            if let Some(braking) = &mut self.braking {
                let jolts = braking.look(step, beside, before);
                if jolts != Seen::default() {
                    report_braking(&mut self.findings, step, &jolts, (line, at_s));
                }
            }
        }
        for index in noted {
            self.clock.note(*first_line + u64::from(index));
        }
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

/// What is reported of a move that alone asks too much, for this reason.
fn code(reason: Reason, is_output: bool) -> Code {
    match reason {
        // Planned within the screw, and executed a little otherwise: a second rewrite would change nothing.
        _ if is_output => Code::OutputBeyondScrew,
        Reason::ScrewSpeed => Code::ScrewSpeed,
        _ => Code::PeakDemand,
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
                Kind::MovingEOut => format!("{flow:.1} mm³/s, turned back along a way"),
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
