//! Second line-after-line part: how fast each move may be, by the screw and by the part.

use super::edits::Outgoing;
use super::queue::Queue;
use crate::demand::capacity::Capacity;
use crate::motion::Timing;
use crate::moves::Move;
use crate::passes::lag::gaps::is_dropped;
use crate::passes::soft::Soft;
use crate::passes::sustained::Sustained;
use crate::passes::{Verdict, peak};
use crate::units::Bounded;

/// What moves are judged by.
#[derive(Debug)]
pub struct By {
    /// Capacity, where moves are held to it.
    pub capacity: Option<(Capacity, Sustained)>,
    /// What the soft part bears.
    pub soft: Option<Soft>,
    /// The file's own reversals are taken out, as far as they can be: those take no time.
    pub drops_turns: bool,
    /// The output stops less often, or turns another E, than the input: moves may get faster than before, up to their
    /// feeds.
    pub may_quicken: bool,
}

/// Judges the speeds of moves.
#[derive(Debug)]
pub struct Judge {
    by: By,
    speeds: Queue,
    verdicts: Vec<Verdict>,
}

impl Judge {
    /// Before the first move.
    pub fn new(by: By) -> Self {
        Self { by, speeds: Queue::default(), verdicts: Vec::new() }
    }

    /// Judges the moves of blocks one after the other; blocks that are settled are added to `ready`.
    pub fn take_all(&mut self, known: &mut Vec<Outgoing>, ready: &mut Vec<Outgoing>) {
        for block in known.drain(..) {
            self.judge(block);
            self.hand_over(ready);
        }
    }

    /// No more blocks will come.
    pub fn finish(&mut self, ready: &mut Vec<Outgoing>) {
        if let Some((_, sustained)) = &mut self.by.capacity {
            sustained.finish();
        }
        self.hand_over(ready);
    }

    fn hand_over(&mut self, ready: &mut Vec<Outgoing>) {
        if let Some((_, sustained)) = &mut self.by.capacity {
            sustained.hand_over(&mut self.verdicts);
        }
        self.speeds.settle(&mut self.verdicts, |block| &mut block.verdicts, ready);
    }

    fn judge(&mut self, block: Outgoing) {
        let soft = self.by.soft.as_ref();
        let softened = |mut verdict: Verdict, step: &Move, before: &Timing| {
            if let Some(soft) = soft {
                soft.slow(&block.known, step, before.top, &mut verdict);
            }
            verdict
        };
        match &mut self.by.capacity {
            None => {
                let steps = block.moves.iter().zip(&block.before);
                self.verdicts.extend(steps.map(|(step, before)| softened(Verdict::unlimited(step), step, before)));
            }
            Some((capacity, sustained)) => {
                for (step, before) in block.moves.iter().zip(&block.before) {
                    let offset = block.offset + u64::from(step.feed_at);
                    let (top, time) = match self.by.may_quicken && step.speed > 0.0 && step.distance() > 0.0 {
                        true => (step.speed, step.time.at_most(before.time)),
                        false => (before.top, before.time),
                    };
                    let verdict = softened(peak::judge(step, top, capacity), step, before);
                    let goes = self.by.drops_turns && is_dropped(step);
                    let least = if goes { 0.0 } else { verdict.least_time(step, time) };
                    sustained.push(step, verdict, least, offset);
                }
            }
        }
        self.speeds.push(block);
    }
}
