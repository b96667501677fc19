//! Second line-after-line part: the passes that decide how fast each move may be.

use super::edits::Outgoing;
use super::intake::Resolved;
use crate::demand::capacity::Capacity;
use crate::passes::sustained::Sustained;
use crate::passes::{Limited, peak};

/// Moves whose speed is final, and the blocks that came meanwhile.
#[derive(Debug, Default)]
pub struct Decided {
    /// Blocks, in order; their moves may be decided now or later.
    pub blocks: Vec<Outgoing>,
    /// Moves, in order.
    pub moves: Vec<Limited>,
}

/// Runs the passes over the stream of moves.
#[derive(Debug)]
pub struct Limiter {
    passes: Option<(Capacity, Sustained)>,
}

impl Limiter {
    /// `capacity`: what the moves are held to, if the capacity pass runs.
    pub fn new(capacity: Option<Capacity>) -> Self {
        let passes = capacity.map(|c| {
            let sustained = Sustained::new(c.sustained_mm3_s, c.window_s, c.peak_mm3_s.max(c.screw_mm3_s));
            (c, sustained)
        });
        Self { passes }
    }

    /// Takes blocks one after the other; their lists of moves stay for reuse.
    pub fn take_all(&mut self, resolved: &mut [Resolved], decided: &mut Decided) {
        decided.moves.clear();
        for block in resolved {
            decided.blocks.push(std::mem::take(&mut block.outgoing));
            match &mut self.passes {
                None => decided.moves.extend(block.moves.iter().map(|&step| Limited::unlimited(step))),
                Some((capacity, sustained)) => {
                    for &step in &block.moves {
                        sustained.push(peak::apply(step, capacity), block.offset + u64::from(step.feed_at));
                    }
                    sustained.hand_over(&mut decided.moves);
                }
            }
        }
    }

    /// No more blocks will come.
    pub fn finish(&mut self, decided: &mut Decided) {
        decided.moves.clear();
        if let Some((_, sustained)) = &mut self.passes {
            sustained.finish();
            sustained.hand_over(&mut decided.moves);
        }
    }
}
