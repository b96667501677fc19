//! How the file is executed as it came.

use std::borrow::Cow;

use super::edits::Outgoing;
use super::queue::{EARLY, Queue};
use crate::motion::bend::Bend;
use crate::motion::rules::{EVolumes, MotionRules};
use crate::motion::{Beside, Ordered, Planner, Replan, Timing};
use crate::moves::arc::ArcPath;
use crate::moves::limits::MotionLimits;
use crate::moves::resolve::Rules;
use crate::moves::turns::Turns;
use crate::moves::{Kind, Move, Side};
use crate::passes::e_count::ECount;
use crate::passes::lag::gaps::Marks;
use crate::profile::Profile;

/// Hands out what is kept beside the moves of a block, in their order.
#[derive(Clone)]
pub struct Besides<'a> {
    arcs: std::slice::Iter<'a, ArcPath>,
    limits: std::slice::Iter<'a, MotionLimits>,
}

impl<'a> Besides<'a> {
    /// Of a block.
    pub fn of(side: &'a Side) -> Self {
        Self { arcs: side.arcs.iter(), limits: side.limits.iter() }
    }

    /// Of each of the next moves, which stay the next ones.
    pub fn ahead(&self, steps: &'a [Move]) -> impl Iterator<Item = Beside<'a>> + Clone + use<'a> {
        let mut besides = self.clone();
        steps.iter().map(move |step| besides.next(step))
    }

    /// Passes over the next moves.
    pub fn pass(&mut self, steps: &[Move]) {
        // Of most blocks there is nothing.
        if self.arcs.len() + self.limits.len() > 0 {
            for step in steps {
                self.next(step);
            }
        }
    }

    /// Of a block as the output has it; `limits`: as [`limits_in_output`] gives them.
    pub fn with_limits(side: &'a Side, limits: &'a [MotionLimits]) -> Self {
        Self { limits: limits.iter(), ..Self::of(side) }
    }

    /// Of the next move.
    #[inline]
    pub fn next(&mut self, step: &Move) -> Beside<'a> {
        let (has_arc, sets_limits) = (step.has(Move::ARC), step.kind == Kind::Limits);
        // Nearly all moves.
        if !(has_arc | sets_limits) {
            return Beside::default();
        }
        Beside {
            arc: if has_arc { self.arcs.next() } else { None },
            limits: if sets_limits { self.limits.next() } else { None },
        }
    }
}

/// The limits of a block as the output sets them: mostly those of the file.
pub fn limits_in_output(side: &Side) -> Cow<'_, [MotionLimits]> {
    match side.limits.iter().all(MotionLimits::is_as_in_file) {
        true => Cow::Borrowed(&side.limits),
        false => side.limits.iter().map(MotionLimits::in_output).collect(),
    }
}

/// A move as the output has it at this speed. `count`: the unit of E there.
#[inline]
pub fn in_output(step: &Move, mark: Marks, speed: f64, count: &ECount) -> Ordered {
    if step.length <= 0.0 || mark.any(Marks::DROP, Marks::STRIP) {
        return rarely_in_output(step, mark, speed, count);
    }
    Ordered { kind: step.kind, e: e_in_output(step, speed, count), speed, accel: f64::INFINITY }
}

/// The same of one without motion, or of which something is taken out.
#[cold]
#[inline(never)]
fn rarely_in_output(step: &Move, mark: Marks, mut speed: f64, count: &ECount) -> Ordered {
    let (mut kind, mut e) = (step.kind, step.e);
    if mark.has(Marks::DROP) {
        kind = Kind::Feed;
    } else if mark.has(Marks::STRIP) {
        // Without its E nothing bounds a reversal along a path any more.
        (kind, e, speed) = (Kind::Travel, 0.0, step.speed);
    } else {
        e = e_in_output(step, speed, count);
    }
    if step.length <= 0.0 && step.e != 0.0 {
        // Without motion the speed is that of E.
        speed *= e / step.e;
    }
    if mark.has(Marks::NEW_MELT) {
        e *= step.melt / step.volume;
    }
    Ordered { kind, e, speed, accel: f64::INFINITY }
}

/// Travel of the extruder in the output, where it is not taken out.
#[inline]
fn e_in_output(step: &Move, speed: f64, count: &ECount) -> f64 {
    if !count.is_another_unit() || !step.has(Move::SCREW) || step.volume == 0.0 {
        return step.e;
    }
    step.volume * count.units_by(|| step.flow_at(speed))
}

/// Plans the moves as the file gives them.
#[derive(Clone, Debug)]
pub struct Planning {
    planner: Planner,
    queue: Queue<Timing>,
    /// Puts volumes right that depend on what the planner makes of the moves.
    turns: Option<Turns>,
}

impl Planning {
    /// A machine at rest, for a file that is read by these rules.
    pub fn new(profile: &Profile, rules: &Rules) -> Self {
        let motion = MotionRules::with_e(profile, EVolumes::of(rules));
        Self { planner: Planner::new(&motion), queue: Queue::default(), turns: Turns::of(rules) }
    }

    /// Volume that has left the nozzle, mm³, where the resolver cannot tell.
    pub fn laid_mm3(&self) -> Option<f64> {
        self.turns.as_ref().map(|turns| turns.laid)
    }

    /// Takes the next block; blocks whose moves are settled are added to `ready`.
    pub fn take(&mut self, mut block: Outgoing, ready: &mut Vec<Outgoing>) {
        let others = ready.len();
        match &mut self.planner {
            Planner::Host(host) => push_all(host, &mut block, &mut self.queue, ready),
            Planner::Board(board) => push_all(board, &mut block, &mut self.queue, ready),
        }
        self.queue.push(block);
        self.hand_over(ready);
        self.restate(&mut ready[others..]);
    }

    /// No more blocks will come.
    pub fn finish(&mut self, ready: &mut Vec<Outgoing>) {
        let others = ready.len();
        self.planner.end();
        self.hand_over(ready);
        self.restate(&mut ready[others..]);
    }

    fn hand_over(&mut self, ready: &mut Vec<Outgoing>) {
        self.queue.settle_by(&mut self.planner, |block| &mut block.before, ready);
    }

    fn restate(&mut self, planned: &mut [Outgoing]) {
        if let Some(turns) = &mut self.turns {
            for Outgoing { moves, before, .. } in planned {
                turns.restate(moves, before.iter().map(|timing| timing.time));
            }
        }
    }
}

/// Plans a block as the file has it. `queue`: of those before, which are added to `ready` where they are settled.
fn push_all(
    planner: &mut impl Replan<Told = Timing>,
    block: &mut Outgoing,
    queue: &mut Queue<Timing>,
    ready: &mut Vec<Outgoing>,
) {
    let mut besides = Besides::of(&block.side);
    block.bends.resize(block.moves.len(), Bend::default());
    planner.bends(block.moves.iter().zip(besides.ahead(&block.moves)), &mut block.bends, &mut block.bows);
    let mut bows = block.bows.iter();
    for (index, (step, bend)) in block.moves.iter().zip(&block.bends).enumerate() {
        if index == EARLY {
            queue.settle_by(planner, |block| &mut block.before, ready);
        }
        planner.push_bent(step, besides.next(step), bend, &mut bows, Ordered::by_file(step));
    }
}
