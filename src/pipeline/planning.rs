//! How the file is executed as it came.

use super::edits::Outgoing;
use super::queue::Queue;
use crate::motion::{Beside, Ordered, Plan, Planner, Timing};
use crate::moves::arc::ArcPath;
use crate::moves::limits::MotionLimits;
use crate::moves::{Kind, Move, Side};
use crate::passes::e_count::ECount;
use crate::passes::lag::gaps::Marks;

/// Hands out what is kept beside the moves of a block, in their order.
#[derive(Clone)]
pub struct Besides<'a> {
    /// Nothing is, as for most blocks.
    is_bare: bool,
    arcs: std::slice::Iter<'a, ArcPath>,
    limits: std::slice::Iter<'a, MotionLimits>,
}

impl<'a> Besides<'a> {
    /// Of a block.
    pub fn of(side: &'a Side) -> Self {
        let is_bare = side.arcs.is_empty() && side.limits.is_empty();
        Self { is_bare, arcs: side.arcs.iter(), limits: side.limits.iter() }
    }

    /// Of each of the next moves, which stay the next ones.
    pub fn ahead(&self, steps: &'a [Move]) -> impl Iterator<Item = Beside<'a>> + Clone + use<'a> {
        let mut besides = self.clone();
        steps.iter().map(move |step| besides.next(step))
    }

    /// Passes over the next moves.
    pub fn pass(&mut self, steps: &[Move]) {
        if !self.is_bare {
            for step in steps {
                self.next(step);
            }
        }
    }

    /// Of the next move.
    #[inline]
    pub fn next(&mut self, step: &Move) -> Beside<'a> {
        if self.is_bare {
            return Beside::default();
        }
        Beside {
            arc: if step.has(Move::ARC) { self.arcs.next() } else { None },
            limits: if step.kind == Kind::Limits { self.limits.next() } else { None },
        }
    }
}

/// A move as the output has it at this speed. `count`: the unit of E there.
#[inline]
pub fn in_output(step: &Move, mark: Marks, mut speed: f64, count: &ECount) -> Ordered {
    let (mut kind, mut e) = (step.kind, step.e);
    if mark.has(Marks::DROP) {
        kind = Kind::Feed;
    } else if mark.has(Marks::STRIP) {
        // Without its E nothing bounds a reversal along a path any more.
        (kind, e, speed) = (Kind::Travel, 0.0, step.speed);
    } else if step.has(Move::SCREW) && step.volume != 0.0 && count.is_another_unit() {
        e = step.volume * count.units_by(|| step.flow_at(speed));
    }
    if step.length <= 0.0 && step.e != 0.0 {
        // Without motion the speed is that of E.
        speed *= e / step.e;
    }
    Ordered { kind, e, speed, accel: f64::INFINITY }
}

/// Plans the moves as the file gives them.
#[derive(Clone, Debug)]
pub struct Planning {
    planner: Planner,
    queue: Queue<Timing>,
}

impl Planning {
    /// A machine at rest.
    pub fn new(planner: Planner) -> Self {
        Self { planner, queue: Queue::default() }
    }

    /// Takes the next block; blocks whose moves are settled are added to `ready`.
    pub fn take(&mut self, mut block: Outgoing, ready: &mut Vec<Outgoing>) {
        match &mut self.planner {
            Planner::Host(host) => push_all(host, &mut block),
            Planner::Board(board) => push_all(board, &mut block),
        }
        self.queue.push(block);
        self.hand_over(ready);
    }

    /// No more blocks will come.
    pub fn finish(&mut self, ready: &mut Vec<Outgoing>) {
        self.planner.finish();
        self.hand_over(ready);
    }

    fn hand_over(&mut self, ready: &mut Vec<Outgoing>) {
        self.planner.hand_over(&mut self.queue.settled);
        self.queue.settle(|block| &mut block.before, ready);
    }
}

/// Plans a block as the file has it.
fn push_all(planner: &mut impl Plan, block: &mut Outgoing) {
    let mut besides = Besides::of(&block.side);
    block.bends.clear();
    block.bends.extend(block.moves.iter().map(|step| {
        let beside = besides.next(step);
        let bend = planner.bend(step, beside);
        planner.push_bent(step, beside, &bend, Ordered::by_file(step));
        bend
    }));
}
