//! Blocks between two stages.

use std::collections::VecDeque;

use super::edits::Outgoing;

/// Blocks that wait until a stage has settled all their moves, and what it has settled so far.
#[derive(Clone, Debug)]
pub struct Queue<T> {
    waiting: VecDeque<Outgoing>,
    /// What the stage has settled and no block has yet, in the order of the moves.
    pub settled: Vec<T>,
}

impl<T> Default for Queue<T> {
    fn default() -> Self {
        Self { waiting: VecDeque::new(), settled: Vec::new() }
    }
}

impl<T: Copy> Queue<T> {
    /// Adds a block whose moves the stage has taken.
    pub fn push(&mut self, block: Outgoing) {
        self.waiting.push_back(block);
    }

    /// Shares out what the stage has settled, and adds blocks that are settled as a whole to `ready`. `field`: where a
    /// block keeps it.
    pub fn settle(&mut self, field: impl Fn(&mut Outgoing) -> &mut Vec<T>, ready: &mut Vec<Outgoing>) {
        let mut rest = self.settled.as_slice();
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
        let used = self.settled.len() - rest.len();
        self.settled.drain(..used);
        ready.extend(self.waiting.drain(..whole));
    }
}
