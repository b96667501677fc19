//! The virtual machine: timings become pieces of even acceleration, pieces feed the melt.

use std::collections::VecDeque;

use super::align::Span;
use super::judge::Judge;
use super::{Conditions, ReplayFigures};
use crate::motion::{Beside, Ordered, Plan, Timing};
use crate::moves::turns::Turns;
use crate::moves::{Kind, Move};
use crate::physics::melt::Melt;
use crate::units::VolumeFlow;

/// Time over which a controller that compensates spreads a jump of the extruder, s (0.040 s unless it is set, common practice, no source).
const SMOOTHING_S: f64 = 0.040;
/// Flows closer to zero than this do not turn the screw, mm³/s.
const STANDS_MM3_S: f64 = 1e-9;
/// Jumps of the compensation smaller than this are rounding, mm³.
const NO_JUMP_MM3: f64 = 1e-9;
/// Shorter paths are none to the planners, mm.
const LEAST_PATH_MM: f64 = 1e-9;

/// A part of a move with even acceleration: speeding up, cruising or braking.
#[derive(Clone, Copy, Debug, Default)]
struct Part {
    length: f64,
    from: f64,
    to: f64,
}

impl Part {
    /// Time it takes if it ends at speed `to`, s.
    fn time(&self, to: f64) -> f64 {
        2.0 * self.length / (self.from + to)
    }
}

/// What is kept of a move until its timing is known.
#[derive(Clone, Copy, Debug)]
struct Waiting {
    /// Path length, or travel of the extruder without motion, mm or units of E.
    distance: f64,
    /// Volume the file commands for each unit of it, mm³; signed.
    volume: f64,
    /// Units of E that it turns.
    e: f64,
    /// Bead area wanted, mm²; 0 where nothing is to be laid.
    area: f64,
    has_path: bool,
    is_bead: bool,
    /// Constant the file sets the controller's compensation to, s.
    compensation: Option<f64>,
}

/// What a controller's own compensation adds to the command.
#[derive(Clone, Copy, Debug, Default)]
struct Compensation {
    /// Its constant K, s; 0 if there is none.
    constant: f64,
    /// K times the flow it last answered to: how far the extruder is ahead, mm³.
    ahead: f64,
    /// Volume of a jump that is still to be turned, mm³, and the time left for it, s.
    owed: f64,
    owed_for: f64,
}

impl Compensation {
    /// It neither adds nor takes back anything.
    fn is_idle(&self) -> bool {
        self.constant == 0.0 && self.ahead == 0.0 && self.owed_for <= 0.0
    }
}

/// Executes a file move by move.
#[derive(Debug)]
pub struct Machine<P> {
    planner: P,
    turns: Option<Turns>,
    waiting: VecDeque<Waiting>,
    timings: Vec<Timing>,
    melt: Melt,
    judge: Judge,
    compensation: Compensation,
    /// A move the planner gave no time: a controller in whole steps joins it to the next.
    joined: Option<Waiting>,
    is_backward: bool,
    reversals: u64,
    time: f64,
}

impl<P: Plan> Machine<P> {
    /// A machine at rest, without pressure in the melt.
    pub fn new(planner: P, conditions: &Conditions) -> Self {
        let capacity = VolumeFlow::from_mm3_s(conditions.screw_mm3_s);
        Self {
            planner,
            turns: None,
            waiting: VecDeque::new(),
            timings: Vec::new(),
            melt: Melt::new(conditions.lag_s, conditions.dead_time_s, capacity),
            judge: Judge::new(conditions.bore_mm),
            compensation: Compensation { constant: conditions.compensation_s, ..Compensation::default() },
            joined: None,
            is_backward: false,
            reversals: 0,
            time: 0.0,
        }
    }

    /// E counts turns of the screw along a curve, whose volumes depend on how fast the moves are executed.
    pub fn reads_turns(self, turns: Option<Turns>) -> Self {
        Self { turns, ..self }
    }

    /// Takes the next move. `wanted`: what is to be laid along its path.
    ///
    /// A reversal the controller is set to (`G10`, `G11`) has no volume in the file and moves nothing here.
    pub fn take(&mut self, step: &Move, beside: Beside<'_>, wanted: Span) {
        self.planner.push(step, beside, Ordered::by_file(step));
        let has_path = step.length >= LEAST_PATH_MM;
        let distance = if has_path { step.length } else { step.e.abs() };
        let volume = if distance > 0.0 && step.has(Move::SCREW) { step.volume / distance } else { 0.0 };
        self.waiting.push_back(Waiting {
            distance,
            volume,
            e: step.e,
            area: wanted.area,
            has_path,
            is_bead: has_path && step.kind == Kind::Bead && volume > 0.0,
            compensation: beside.limits.and_then(|limits| limits.e_lag_s),
        });
    }

    /// Executes the moves whose timing is settled.
    pub fn run(&mut self) {
        let mut timings = std::mem::take(&mut self.timings);
        self.planner.hand_over(&mut timings);
        for timing in timings.drain(..) {
            let Some(mut step) = self.waiting.pop_front() else { break };
            if let Some(turns) = self.turns.as_ref().filter(|_| step.has_path && step.volume != 0.0)
                && let Some(volume) = turns.volume(step.e, timing.time)
            {
                // What is wanted of a file alone is what it commands.
                if step.area == step.volume {
                    step.area = volume / step.distance;
                }
                step.volume = volume / step.distance;
            }
            self.execute(&step, &timing);
        }
        self.timings = timings;
    }

    /// Executes what is left and gives the figures.
    pub fn finish(mut self) -> ReplayFigures {
        self.planner.finish();
        self.run();
        if let Some(left) = self.joined.take() {
            self.pass_over(&left);
        }
        let asked = self.melt.asked();
        ReplayFigures {
            commanded_mm3: asked.net.as_mm3(),
            refused_mm3: asked.refused.as_mm3(),
            refused_back_mm3: asked.refused_back.as_mm3(),
            stored_at_end_mm3: self.melt.stored().as_mm3(),
            time_s: self.time,
            reversals: self.reversals,
            highest_screw_flow_mm3_s: asked.highest.as_mm3_s(),
            saturated_s: asked.saturated_s,
            ..self.judge.finish()
        }
    }

    fn execute(&mut self, step: &Waiting, timing: &Timing) {
        self.time += timing.time;
        if let Some(constant) = step.compensation {
            self.compensation.constant = constant;
        }
        if step.distance <= 0.0 {
            if timing.time > 0.0 {
                let out = self.drive(timing.time, 0.0, 0.0, false);
                self.judge.still(out);
            }
            return;
        }
        let step = &match self.joined.take() {
            Some(before) => self.join(before, *step),
            None => *step,
        };
        if timing.time <= 0.0 {
            self.joined = Some(*step);
            return;
        }
        let mut parts = parts(step.distance, timing);
        keep_time(&mut parts, timing.time);
        for part in parts {
            if part.length <= 0.0 {
                continue;
            }
            if step.has_path && step.area > 0.0 {
                self.lay(part, step);
            } else {
                let out = self.cover(part, part.to, step);
                if step.has_path { self.judge.travel(out) } else { self.judge.still(out) }
            }
        }
    }

    /// Makes one move of two of a kind. Of others the first is passed over at once, and its command goes to the second.
    fn join(&mut self, before: Waiting, step: Waiting) -> Waiting {
        let command = before.volume * before.distance + step.volume * step.distance;
        if before.has_path && step.has_path && (before.area > 0.0) == (step.area > 0.0) {
            let distance = before.distance + step.distance;
            let area = (before.area * before.distance + step.area * step.distance) / distance;
            let is_bead = before.is_bead || step.is_bead;
            return Waiting { distance, volume: command / distance, area, is_bead, ..step };
        }
        self.pass_over(&before);
        Waiting { volume: command / step.distance, ..step }
    }

    /// Path gone in no time, so that nothing comes out.
    fn pass_over(&mut self, step: &Waiting) {
        if step.has_path && step.area > 0.0 {
            self.judge.bead(step.distance, step.area * step.distance, 0.0);
        } else if step.has_path {
            self.judge.travel(0.0);
        }
    }

    /// Bead path, cut where stretches end.
    fn lay(&mut self, mut part: Part, step: &Waiting) {
        let mut stretch = self.judge.to_end_of_stretch();
        if part.length <= stretch {
            let out = self.cover(part, part.to, step);
            self.judge.bead(part.length, step.area * part.length, out);
            return;
        }
        // Change of the speed's square for each mm.
        let rise = (part.to * part.to - part.from * part.from) / part.length;
        while part.length > stretch {
            let to =
                if part.from == part.to { part.to } else { (part.from * part.from + rise * stretch).max(0.0).sqrt() };
            let out = self.cover(Part { length: stretch, ..part }, to, step);
            self.judge.bead(stretch, step.area * stretch, out);
            part.length -= stretch;
            part.from = to;
            stretch = self.judge.to_end_of_stretch();
        }
        if part.length > 0.0 {
            let out = self.cover(part, part.to, step);
            self.judge.bead(part.length, step.area * part.length, out);
        }
    }

    /// Covers a distance at even acceleration up to speed `to`; what comes out.
    fn cover(&mut self, part: Part, to: f64, step: &Waiting) -> f64 {
        self.drive(part.time(to), step.volume * part.from, step.volume * to, step.is_bead)
    }

    /// Lets time pass while the file's command goes evenly from one flow to another; what comes out.
    fn drive(&mut self, time: f64, from: f64, to: f64, is_bead: bool) -> f64 {
        if self.compensation.is_idle() {
            return self.turn(time, from, to);
        }
        let ahead = &mut self.compensation;
        let (first, last) = if is_bead { (ahead.constant * from, ahead.constant * to) } else { (0.0, 0.0) };
        let jump = first - ahead.ahead;
        if jump.abs() > NO_JUMP_MM3 {
            ahead.owed += jump;
            ahead.owed_for = SMOOTHING_S;
        }
        ahead.ahead = last;
        let extra = (last - first) / time;
        let (from, to) = (from + extra, to + extra);
        let owed_for = ahead.owed_for.min(time);
        if owed_for <= 0.0 {
            return self.turn(time, from, to);
        }
        let owed_flow = ahead.owed / ahead.owed_for;
        ahead.owed -= owed_flow * owed_for;
        ahead.owed_for -= owed_for;
        let between = if owed_for < time { from + (to - from) * (owed_for / time) } else { to };
        let out = self.turn(owed_for, from + owed_flow, between + owed_flow);
        if owed_for < time { out + self.turn(time - owed_for, between, to) } else { out }
    }

    /// Turns the screw.
    fn turn(&mut self, time: f64, from: f64, to: f64) -> f64 {
        for flow in [from, to] {
            if flow > STANDS_MM3_S {
                self.is_backward = false;
            } else if flow < -STANDS_MM3_S && !self.is_backward {
                self.is_backward = true;
                self.reversals += 1;
            }
        }
        self.melt.run(time, VolumeFlow::from_mm3_s(from), VolumeFlow::from_mm3_s(to)).as_mm3()
    }
}

/// The parts of a move: speeding up, cruise, braking; their lengths add up to `distance`.
fn parts(distance: f64, timing: &Timing) -> [Part; 3] {
    let Timing { entry, top, exit, accel, time, .. } = *timing;
    if top <= 0.0 {
        // No speed is known: the time alone tells.
        let speed = if time > 0.0 { distance / time } else { 0.0 };
        let length = if speed > 0.0 { distance } else { 0.0 };
        return [Part::default(), Part { length, from: speed, to: speed }, Part::default()];
    }
    let by_accel = if accel > 0.0 && (entry < top || exit < top) { 0.5 / accel } else { 0.0 };
    let ramp = |speed: f64| ((top - speed) * (top + speed) * by_accel).max(0.0);
    let (mut up, mut down) = (ramp(entry), ramp(exit));
    let ramps = up + down;
    if ramps > distance {
        up *= distance / ramps;
        down = distance - up;
    }
    [
        Part { length: up, from: entry, to: top },
        Part { length: (distance - up - down).max(0.0), from: top, to: top },
        Part { length: down, from: top, to: exit },
    ]
}

/// Scales the speeds so that the parts take `time`.
///
/// They do not by themselves for arcs, whose timing is that of their chords together, and where a controller rounds
/// lengths to whole steps.
fn keep_time(parts: &mut [Part; 3], time: f64) {
    /// Rounding, as a share of the time.
    const SAME: f64 = 1e-9;
    let taken: f64 = parts.iter().filter(|part| part.length > 0.0).map(|part| part.time(part.to)).sum();
    if taken > 0.0 && (taken - time).abs() > SAME * time {
        for part in parts {
            part.from *= taken / time;
            part.to *= taken / time;
        }
    }
}
