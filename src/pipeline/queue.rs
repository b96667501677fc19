//! Blocks between two stages.

use std::collections::VecDeque;

use super::edits::Outgoing;
use crate::motion::Replan;

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

/// Moves of a block after which a planner is asked for the block before: most of that is settled by then, and little of
/// this one.
pub const EARLY: usize = 192;

impl<T: Copy> Queue<T> {
    /// Adds a block whose moves the stage has taken.
    pub fn push(&mut self, block: Outgoing) {
        self.waiting.push_back(block);
    }

    /// Adds blocks to `ready` of which all is settled that `planner` tells. `field`: where a block keeps it.
    pub fn settle_by(
        &mut self,
        planner: &mut impl Replan<Told = T>,
        field: impl Fn(&mut Outgoing) -> &mut Vec<T>,
        ready: &mut Vec<Outgoing>,
    ) {
        while let Some(block) = self.waiting.front_mut() {
            if !planner.give_first(block.moves.len(), field(block)) {
                break;
            }
            ready.extend(self.waiting.pop_front());
        }
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
