//! Blocks between two stages.

use std::collections::VecDeque;

use super::edits::Outgoing;

/// Blocks that wait until a stage has settled all their moves.
#[derive(Debug, Default)]
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
    pub fn settle<T>(
        &mut self,
        settled: &mut Vec<T>,
        field: impl Fn(&mut Outgoing) -> &mut Vec<T>,
        ready: &mut Vec<Outgoing>,
    ) {
        let mut rest = settled.drain(..);
        for block in &mut self.waiting {
            let all = block.moves.len();
            let list = field(block);
            list.extend(rest.by_ref().take(all - list.len()));
            if list.len() < all {
                break;
            }
        }
        while let Some(mut block) = self.waiting.pop_front() {
            if field(&mut block).len() < block.moves.len() {
                self.waiting.push_front(block);
                break;
            }
            ready.push(block);
        }
    }
}
