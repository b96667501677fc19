//! Blocks between two stages.

use std::collections::VecDeque;

use super::edits::Outgoing;

/// Blocks that wait until a stage has settled all their moves.
#[derive(Clone, Debug, Default)]
pub struct Queue {
    waiting: VecDeque<Outgoing>,
}

impl Queue {
    /// Adds a block whose moves the stage has taken.
    pub fn push(&mut self, block: Outgoing) {
        self.waiting.push_back(block);
    }

    /// Shares out what the stage has settled, in the order of the moves, and adds blocks that are settled as a whole to
    /// `ready`. `field`: where a block keeps it.
    pub fn settle<T: Copy>(
        &mut self,
        settled: &mut Vec<T>,
        field: impl Fn(&mut Outgoing) -> &mut Vec<T>,
        ready: &mut Vec<Outgoing>,
    ) {
        let mut rest = settled.as_slice();
        let mut whole = 0;
        for block in &mut self.waiting {
            let all = block.moves.len();
            let list = field(block);
            let (own, others) = rest.split_at((all - list.len()).min(rest.len()));
            list.reserve(all - list.len());
            list.extend_from_slice(own);
            rest = others;
            if list.len() < all {
                break;
            }
            whole += 1;
        }
        let used = settled.len() - rest.len();
        settled.drain(..used);
        ready.extend(self.waiting.drain(..whole));
    }
}
