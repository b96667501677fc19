//! Beside the other parts, for a file that is reported on: stretches that ask more on average than the screw can keep up, as
//! the file is executed, whatever a rewrite would make of them.

use super::edits::Outgoing;
use super::queue::Queue;
use crate::demand::capacity::Capacity;
use crate::passes::Verdict;
use crate::passes::sustained::Sustained;

/// Follows what a file asks on average.
#[derive(Debug)]
pub struct Asked {
    sustained: Sustained,
    waiting: Queue<Verdict>,
}

impl Asked {
    /// Before the first move, against what the screw gives.
    pub fn new(capacity: &Capacity) -> Self {
        let rate = capacity.sustained_mm3_s;
        Self {
            // It is enough to find them; to which flow they would best be held does not matter.
            sustained: Sustained::new(rate, capacity.window_s, rate),
            waiting: Queue::default(),
        }
    }

    /// Takes blocks one after the other; those whose stretches are known are added to `ready`.
    pub fn take_all(&mut self, known: &mut Vec<Outgoing>, ready: &mut Vec<Outgoing>) {
        for block in known.drain(..) {
            for (step, before) in block.moves.iter().zip(&block.before) {
                let offset = block.offset + u64::from(step.feed_at);
                let reached = Verdict { speed: before.top, reason: None };
                self.sustained.push(step, reached, before.time, offset);
            }
            self.waiting.push(block);
            self.hand_over(ready);
        }
    }

    /// No more blocks will come.
    pub fn finish(&mut self, ready: &mut Vec<Outgoing>) {
        self.sustained.finish();
        self.hand_over(ready);
    }

    fn hand_over(&mut self, ready: &mut Vec<Outgoing>) {
        self.sustained.hand_over(&mut self.waiting.settled);
        self.waiting.settle(|block| &mut block.asked, ready);
    }
}
