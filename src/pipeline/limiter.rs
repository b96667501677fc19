//! Third line-after-line part: what becomes of the file's own reversals, how quickly each move may change its speed, and how
//! all of it is executed then.

use std::collections::VecDeque;

use super::edits::Outgoing;
use super::planning::{Besides, in_output, limits_in_output};
use super::queue::{EARLY, Queue};
use crate::motion::trapezoid::from_rest;
use crate::motion::{Beside, Ordered, Planner, Replan, Timing};
use crate::moves::limits::MotionLimits;
use crate::moves::{Kind, Move};
use crate::passes::e_count::ECount;
use crate::passes::feed::Evened;
use crate::passes::lag::accel::{self, Accels, Ruling};
use crate::passes::lag::flow_step::FlowSteps;
use crate::passes::lag::gaps::{Gaps, Marks};
use crate::passes::lag::rest::Ahead;
use crate::passes::lag::spring::Melt;
use crate::passes::soft::{Bears, Soft};
use crate::passes::{Reason, Verdict};
use crate::soft::KnownLimits;
use crate::units::Bounded;

/// The passes that run; `None` for those that do not.
#[derive(Debug)]
pub struct Passes {
    /// Jumps of flow inside a run.
    pub flow_steps: Option<FlowSteps>,
    /// Accelerations.
    pub accels: Option<Accels>,
    /// Accelerations of travels, where the part bounds them and the controller has a word of its own for them.
    pub travels: Option<Accels>,
    /// They are held to what the melt can follow.
    pub eases: bool,
    /// What the soft part bears.
    pub soft: Option<Soft>,
    /// Share by which flow may be astray on ramps; `None`: what the screw can follow bounds the accelerations.
    pub ramp_error: Option<f64>,
    /// Reversals and refills.
    pub gaps: Option<Gaps>,
    /// The unit of E in the output.
    pub count: ECount,
    /// The melt.
    pub melt: Melt,
    /// Bore of the nozzle, mm.
    pub bore_mm: f64,
}

/// Runs the passes behind the [`Judge`](super::judge::Judge) over the stream of moves.
#[derive(Debug)]
pub struct Limiter {
    passes: Passes,
    /// The output stops less often, or turns another E, than the input: moves may get faster than before, up to their
    /// feeds.
    may_quicken: bool,
    levels: Queue<Verdict>,
    evened: Evened,
    marks: Queue<Marks>,
    planner: Planner,
    timings: Queue<Timing>,
    /// For each timing to come whether it is of a stop that the output adds; only where it does.
    added: VecDeque<bool>,
    raw: Vec<Timing>,
    /// Where the screw is charged at rest, the flow to come is looked for.
    ahead: Option<Ahead>,
    flows: Queue<f64>,
}

impl Limiter {
    /// `at_rest`: the screw is charged at rest; `planner`: of the machine at rest.
    pub fn new(passes: Passes, at_rest: bool, planner: Planner) -> Self {
        Self {
            may_quicken: passes.gaps.is_some() || passes.count.is_another_unit(),
            passes,
            levels: Queue::default(),
            evened: Evened::default(),
            marks: Queue::default(),
            planner,
            timings: Queue::default(),
            added: VecDeque::new(),
            raw: Vec::new(),
            ahead: at_rest.then(Ahead::default),
            flows: Queue::default(),
        }
    }

    /// Limits the moves of judged blocks one after the other; blocks that are settled are added to `ready`.
    pub fn take_all(&mut self, judged: &mut Vec<Outgoing>, ready: &mut Vec<Outgoing>) {
        for block in judged.drain(..) {
            self.take(block);
            self.hand_over(ready);
        }
    }

    fn take(&mut self, mut block: Outgoing) {
        match &mut self.passes.flow_steps {
            None => self.mark(block),
            Some(steps) => {
                let verdicts = std::mem::take(&mut block.verdicts);
                block.moves.iter().zip(verdicts).for_each(|(step, verdict)| steps.push(step, verdict));
                self.levels.push(block);
            }
        }
    }

    /// No more blocks will come.
    pub fn finish(&mut self, ready: &mut Vec<Outgoing>) {
        if let Some(steps) = &mut self.passes.flow_steps {
            steps.finish();
        }
        self.hand_over(ready);
        if let Some(gaps) = &mut self.passes.gaps {
            gaps.finish();
        }
        self.hand_over(ready);
        self.planner.end();
        self.hand_over(ready);
        if let Some(ahead) = &mut self.ahead {
            ahead.finish();
        }
        self.hand_over(ready);
    }

    /// Hands on what each stage has settled.
    fn hand_over(&mut self, ready: &mut Vec<Outgoing>) {
        let mut blocks = Vec::new();
        if let Some(steps) = &mut self.passes.flow_steps {
            steps.hand_over(&mut self.levels.settled);
            self.levels.settle(|block| &mut block.verdicts, &mut blocks);
        }
        for block in blocks.drain(..) {
            self.mark(block);
        }
        if let Some(gaps) = &mut self.passes.gaps {
            gaps.hand_over(&mut self.marks.settled);
        }
        self.marks.settle(|block| &mut block.marks, &mut blocks);
        let mut planned = Vec::new();
        for block in blocks.drain(..) {
            self.plan(block, &mut planned);
        }
        match &mut self.ahead {
            None => {
                self.timings.settle_by(&mut self.planner, |block| &mut block.after, &mut planned);
                ready.append(&mut planned);
            }
            Some(ahead) => {
                self.planner.give(&mut self.raw);
                for timing in self.raw.drain(..) {
                    if self.added.pop_front() == Some(false) {
                        self.timings.settled.push(timing);
                    }
                }
                self.timings.settle(|block| &mut block.after, &mut blocks);
                for block in blocks.drain(..) {
                    for ((step, &mark), after) in block.moves.iter().zip(&block.marks).zip(&block.after) {
                        ahead.push(step, mark, after.time);
                    }
                    self.flows.push(block);
                }
                ahead.hand_over(&mut self.flows.settled);
                self.flows.settle(|block| &mut block.ahead, ready);
            }
        }
    }

    /// First: what becomes of the file's own reversals, and where the screw is turned instead.
    fn mark(&mut self, mut block: Outgoing) {
        block.moves.iter().zip(&mut block.verdicts).for_each(|(step, verdict)| self.evened.next(step, verdict));
        match &mut self.passes.gaps {
            None => self.marks.settled.extend(block.moves.iter().map(|_| Marks::NONE)),
            Some(gaps) => {
                let mut bears = self.passes.soft.as_ref().map(|_| Bears::new(&block.known));
                for ((step, before), verdict) in block.moves.iter().zip(&block.before).zip(&block.verdicts) {
                    // On a part that bears little, the head takes its time for a short way too.
                    let sway = |bears: &mut Bears<'_>| match bears.accel(step) {
                        accel if accel < f64::INFINITY => from_rest(step.length, verdict.speed, accel, f64::INFINITY),
                        _ => 0.0,
                    };
                    gaps.push(step, || {
                        verdict.least_time(step, before.time).at_least(bears.as_mut().map_or(0.0, sway))
                    });
                }
            }
        }
        self.marks.push(block);
    }

    /// Second: accelerations, and how all of it is executed.
    fn plan(&mut self, mut block: Outgoing, planned: &mut Vec<Outgoing>) {
        let earlier = match self.ahead {
            None => Earlier::Planned(&mut self.timings, planned),
            Some(_) => Earlier::WithStops(&mut self.added),
        };
        match &mut self.planner {
            Planner::Host(host) => self.passes.plan(host, self.may_quicken, earlier, &mut block),
            Planner::Board(board) => self.passes.plan(board, self.may_quicken, earlier, &mut block),
        }
        self.timings.push(block);
    }
}

/// What becomes of the plan of blocks before.
enum Earlier<'a> {
    /// The output adds no stops: blocks are added to the list as soon as they are settled.
    Planned(&'a mut Queue<Timing>, &'a mut Vec<Outgoing>),
    /// It does: which they are is noted.
    WithStops(&'a mut VecDeque<bool>),
}

impl Passes {
    /// Plans a block. `may_quicken`: moves may get faster than before.
    fn plan(
        &mut self,
        planner: &mut impl Replan<Told = Timing>,
        may_quicken: bool,
        mut earlier: Earlier<'_>,
        block: &mut Outgoing,
    ) {
        let Outgoing { moves, side, bends, bows, before, known, verdicts, marks, rulings, .. } = block;
        let limits = limits_in_output(side);
        let mut besides = Besides::with_limits(side, &limits);
        let bounds = self.accel_bounds(moves, verdicts, before, known, &limits, may_quicken);
        let mut bows = bows.iter();
        let beside_them = bends.iter().zip(&*verdicts).zip(&*marks).zip(&bounds);
        rulings.extend(moves.iter().zip(beside_them).enumerate().map(|(index, (step, beside_it))| {
            let (((bend, verdict), &mark), bounds) = beside_it;
            if index == EARLY
                && let Earlier::Planned(queue, planned) = &mut earlier
            {
                queue.settle_by(planner, |block| &mut block.after, planned);
            }
            let beside = besides.next(step);
            let ordered = in_output(step, mark, verdict.speed, &self.count);
            let Ordered { kind, speed, .. } = ordered;
            let mut left = f64::INFINITY;
            if let Some(soft) = &mut self.soft {
                if soft.words(known, step, beside.limits).is_some() {
                    planner.hold(soft.held());
                }
                left = soft.left(step);
            }
            if let Some(limits) = beside.limits {
                self.accels.iter_mut().chain(&mut self.travels).for_each(|accels| accels.follow(limits));
            }
            if step.runs_commands() {
                self.accels.iter_mut().chain(&mut self.travels).for_each(Accels::are_put_back);
            }
            let of_travels = self.travels.as_mut().filter(|_| kind == Kind::Travel);
            let mut ruling = match (of_travels, &mut self.accels) {
                (Some(travels), _) => travels.next(step, kind, (bounds.sway, Reason::Sway), speed),
                (None, None) => Ruling::NONE,
                (None, Some(accels)) => accels.next(step, kind, bounds.least(), bounds.top),
            };
            if left < ruling.bound {
                (ruling.bound, ruling.reason) = (left, Reason::Sway);
            }
            if let Earlier::WithStops(added) = &mut earlier {
                if mark.any(Marks::RELIEVE, Marks::CHARGE) {
                    added.push_back(true);
                    let stop = Move { kind: Kind::Stop, wait_s: 0.0, ..*step };
                    planner.push_bent(&stop, Beside::default(), bend, &mut bows, Ordered::by_file(&stop));
                }
                added.push_back(false);
            }
            planner.push_bent(step, beside, bend, &mut bows, Ordered { accel: ruling.bound, ..ordered });
            ruling
        }));
    }

    /// What bounds the accelerations of moves, whatever the plan. All of it first, so that roots and divisions of one move do not
    /// wait for those of the one before. `limits`: those that moves among them set.
    fn accel_bounds(
        &self,
        moves: &[Move],
        verdicts: &[Verdict],
        before: &[Timing],
        known: &KnownLimits,
        limits: &[MotionLimits],
        may_quicken: bool,
    ) -> Vec<AccelBounds> {
        let mut accels = self.accels.clone().filter(|_| self.eases);
        let mut bears = Bears::new(known);
        let by_move = self.soft.as_ref().filter(|soft| soft.is_by_move());
        let swaying = by_move.map_or(0, |soft| soft.in_layers(known, moves));
        let mut limits = limits.iter();
        let timed = moves.iter().zip(verdicts.iter().zip(before)).enumerate();
        let bounds = timed.map(|(index, (step, (verdict, before)))| {
            let sway = if index < swaying { bears.accel(step) } else { f64::INFINITY };
            let top = if may_quicken { verdict.speed } else { verdict.speed.at_most(before.top) };
            let Some(accels) = &mut accels else {
                return AccelBounds { top, sway, melt: f64::INFINITY };
            };
            if step.kind == Kind::Limits
                && let Some(limits) = limits.next()
            {
                accels.follow(limits);
            }
            let (own, bore) = (accels.own(), self.bore_mm);
            let melt = match self.ramp_error {
                None => accel::limit(step, top, [before.entry, before.exit], own, bore, &self.melt),
                Some(error) => accel::within_error(step, top, own, bore, &self.melt, error),
            };
            AccelBounds { top, sway, melt }
        });
        bounds.collect()
    }
}

/// What bounds the acceleration of a move, whatever the moves beside it do.
#[derive(Clone, Copy, Debug)]
struct AccelBounds {
    /// Speed that it does not exceed, mm/s.
    top: f64,
    /// What the part bears, mm/s².
    sway: f64,
    /// What the melt can follow, mm/s².
    melt: f64,
}

impl AccelBounds {
    /// The lower of both, and which it is.
    fn least(&self) -> (f64, Reason) {
        if self.sway < self.melt { (self.sway, Reason::Sway) } else { (self.melt, Reason::MeltLag) }
    }
}
