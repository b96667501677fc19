//! Second line-after-line part: how fast each move may be, by the screw and by the part.

use super::edits::Outgoing;
use super::planning::{Besides, in_output, limits_in_output};
use super::queue::Queue;
use crate::demand::capacity::Capacity;
use crate::motion::{Planner, Replan, Timing};
use crate::moves::Move;
use crate::passes::e_count::ECount;
use crate::passes::lag::gaps::{Marks, taken_out};
use crate::passes::soft::Soft;
use crate::passes::sustained::Sustained;
use crate::passes::{Verdict, peak};
use crate::soft::InLayer;
use crate::units::Bounded;

/// What moves are judged by.
#[derive(Debug)]
pub struct By {
    /// Capacity, where moves are held to it.
    pub capacity: Option<(Capacity, Sustained)>,
    /// What the soft part bears.
    pub soft: Option<Soft>,
    /// The file's own reversals are taken out, as far as they can be.
    pub drops_turns: bool,
    /// The output stops less often, or turns another E, than the input: moves may get faster than before. How fast, is
    /// planned.
    pub quickest: Option<Quickest>,
}

/// How the moves would go if nothing but the output's own E bounded them: in the output, none takes less time.
#[derive(Debug)]
pub struct Quickest {
    planner: Planner<f64>,
    count: ECount,
    times: Queue<f64>,
}

impl Quickest {
    /// Before the first move; `planner`: of the machine at rest, `count`: the unit of E in the output.
    pub fn new(planner: Planner<f64>, count: ECount) -> Self {
        Self { planner, count, times: Queue::default() }
    }

    fn take(&mut self, block: Outgoing, ready: &mut Vec<Outgoing>) {
        match &mut self.planner {
            Planner::Host(host) => push_all(host, &block, &self.count),
            Planner::Board(board) => push_all(board, &block, &self.count),
        }
        self.times.push(block);
        self.hand_over(ready);
    }

    fn hand_over(&mut self, ready: &mut Vec<Outgoing>) {
        self.planner.give(&mut self.times.settled);
        self.times.settle(|block| &mut block.least, ready);
    }
}

/// Plans a block as the output has it. `count`: the unit of E there.
fn push_all(planner: &mut impl Replan, block: &Outgoing, count: &ECount) {
    let limits = limits_in_output(&block.side);
    let mut besides = Besides::with_limits(&block.side, &limits);
    let mut bows = block.bows.iter();
    for (step, bend) in block.moves.iter().zip(&block.bends) {
        let ordered = in_output(step, taken_out(step), step.speed, count);
        planner.push_bent(step, besides.next(step), bend, &mut bows, ordered);
    }
}

/// Judges the speeds of moves.
#[derive(Debug)]
pub struct Judge {
    by: By,
    verdicts: Queue<Verdict>,
}

impl Judge {
    /// Before the first move.
    pub fn new(by: By) -> Self {
        Self { by, verdicts: Queue::default() }
    }

    /// Judges the moves of blocks one after the other; blocks that are settled are added to `ready`.
    pub fn take_all(&mut self, known: &mut Vec<Outgoing>, ready: &mut Vec<Outgoing>) {
        let mut planned = Vec::new();
        for block in known.drain(..) {
            match &mut self.by.quickest {
                Some(quickest) => quickest.take(block, &mut planned),
                None => planned.push(block),
            }
            self.judge_all(&mut planned, ready);
        }
    }

    fn judge_all(&mut self, planned: &mut Vec<Outgoing>, ready: &mut Vec<Outgoing>) {
        for block in planned.drain(..) {
            self.judge(block);
            self.hand_over(ready);
        }
    }

    /// No more blocks will come.
    pub fn finish(&mut self, ready: &mut Vec<Outgoing>) {
        if let Some(quickest) = &mut self.by.quickest {
            let mut planned = Vec::new();
            quickest.planner.end();
            quickest.hand_over(&mut planned);
            self.judge_all(&mut planned, ready);
        }
        if let Some((_, sustained)) = &mut self.by.capacity {
            sustained.finish();
        }
        self.hand_over(ready);
    }

    fn hand_over(&mut self, ready: &mut Vec<Outgoing>) {
        if let Some((_, sustained)) = &mut self.by.capacity {
            sustained.hand_over(&mut self.verdicts.settled);
        }
        self.verdicts.settle(|block| &mut block.verdicts, ready);
    }

    fn judge(&mut self, block: Outgoing) {
        let soft = self.by.soft.as_ref();
        let mut in_layer = InLayer::new(&block.known);
        let mut softened = |mut verdict: Verdict, step: &Move, before: &Timing| {
            if let Some(soft) = soft {
                soft.slow(in_layer.of(step.layer), step, before.top, &mut verdict);
            }
            verdict
        };
        match &mut self.by.capacity {
            None => {
                let steps = block.moves.iter().zip(&block.before);
                self.verdicts
                    .settled
                    .extend(steps.map(|(step, before)| softened(Verdict::unlimited(step), step, before)));
            }
            Some((capacity, sustained)) => {
                let mut least_times = block.least.iter();
                for (step, before) in block.moves.iter().zip(&block.before) {
                    let offset = block.offset + u64::from(step.feed_at);
                    let (top, time) = match least_times.next() {
                        // A feed above the peak is lowered even if the plan never reaches it: that costs nothing.
                        Some(least) if step.speed > 0.0 && step.distance() > 0.0 => {
                            (step.speed, least.at_most(before.time))
                        }
                        _ => (before.top, before.time),
                    };
                    let verdict = softened(peak::judge(step, top, capacity), step, before);
                    let taken_out = if self.by.drops_turns { taken_out(step) } else { Marks::NONE };
                    let least = match () {
                        // So few steps that a board joins them to the next move take no time of their own, however slow.
                        () if time <= 0.0 || taken_out.has(Marks::DROP) => 0.0,
                        // What is left is a travel, and bounded by nothing.
                        () if taken_out.has(Marks::STRIP) => time,
                        // Fewer turns take at least their share of the time.
                        () if taken_out.has(Marks::NEW_MELT) => {
                            verdict.least_time(step, time) * (step.melt / step.volume)
                        }
                        () => verdict.least_time(step, time),
                    };
                    sustained.push(step, verdict, least, offset);
                }
            }
        }
        self.verdicts.push(block);
    }
}
