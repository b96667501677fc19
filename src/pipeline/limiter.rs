//! Second line-after-line part: the passes that decide how fast each move may be.

use super::edits::Outgoing;
use crate::demand::capacity::Capacity;
use crate::passes::sustained::Sustained;
use crate::passes::{Verdict, peak};

/// Verdicts that are final, and the blocks that came meanwhile.
#[derive(Debug, Default)]
pub struct Decided {
    /// Blocks, in order; their moves may be decided now or later.
    pub blocks: Vec<Outgoing>,
    /// Verdicts, in the order of the moves.
    pub verdicts: Vec<Verdict>,
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

    /// Judges the moves of blocks one after the other.
    pub fn take_all(&mut self, resolved: &mut Vec<Outgoing>, decided: &mut Decided) {
        decided.verdicts.clear();
        for block in resolved.drain(..) {
            match &mut self.passes {
                None => decided.verdicts.extend(block.moves.iter().map(Verdict::unlimited)),
                Some((capacity, sustained)) => {
                    for step in &block.moves {
                        let offset = block.offset + u64::from(step.feed_at);
                        sustained.push(step, peak::judge(step, capacity), offset);
                    }
                    sustained.hand_over(&mut decided.verdicts);
                }
            }
            decided.blocks.push(block);
        }
    }

    /// No more blocks will come.
    pub fn finish(&mut self, decided: &mut Decided) {
        decided.verdicts.clear();
        if let Some((_, sustained)) = &mut self.passes {
            sustained.finish();
            sustained.hand_over(&mut decided.verdicts);
        }
    }
}
