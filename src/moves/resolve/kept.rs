//! Modes that the file tells the controller to keep, under a name or on a stack, and to put back later.

use super::{At, Resolver};
use crate::moves::named::Keeping;
use crate::moves::state::State;
use crate::moves::{KeptCount, Kind, Move};

/// States that the file has told the controller to keep.
#[derive(Clone, Debug, Default)]
pub struct Kept {
    /// The place of each is also that of its count of E.
    named: Vec<(Box<str>, State)>,
    stack: Vec<State>,
}

impl Kept {
    /// Most that are kept, of either kind: beyond that no file is meant.
    const MOST: usize = 64;

    /// Keeps it under a name, in place of what is kept there. Returns where.
    fn keep(&mut self, name: &str, state: &State) -> Option<u8> {
        let at = self.place(name).unwrap_or(self.named.len());
        if at >= Self::MOST {
            return None;
        }
        match self.named.get_mut(at) {
            Some((_, kept)) => kept.clone_from(state),
            None => self.named.push((name.into(), state.clone())),
        }
        u8::try_from(at).ok()
    }

    /// Where something is kept under a name.
    fn place(&self, name: &str) -> Option<usize> {
        self.named.iter().position(|(kept, _)| **kept == *name)
    }

    /// What is kept under a name, and where.
    fn of(&self, name: &str) -> Option<(u8, State)> {
        let at = self.place(name)?;
        Some((u8::try_from(at).ok()?, self.named.get(at)?.1.clone()))
    }

    /// Puts it on the stack.
    fn push(&mut self, state: &State) {
        if self.stack.len() < Self::MOST {
            self.stack.push(state.clone());
        }
    }

    /// Takes the last from the stack.
    fn pop(&mut self) -> Option<State> {
        self.stack.pop()
    }
}

impl State {
    /// With what both ways of keeping put back: how places and E count, and the feed.
    fn with_modes_of(&self, kept: &Self) -> Self {
        let mut next = Self { absolute: kept.absolute, e_absolute: kept.e_absolute, ..self.clone() };
        next.set_feed(kept.feed_mm_min, kept.feed_decimals);
        next
    }
}

impl Resolver {
    /// A named command keeps the state, or puts it back.
    pub(super) fn keep_or_put_back(&mut self, keeping: Keeping<'_>, at: At<'_>) {
        let (name, returns) = match keeping {
            Keeping::Keep(name) => {
                // The feed of the file is kept, not one that was lowered.
                self.command(Kind::FeedUser, at);
                if let Some(place) = self.kept.keep(name, &self.state) {
                    self.count_is_kept(KeptCount::Keep(place), at);
                }
                return;
            }
            Keeping::PutBack { name, returns } => (name, returns),
        };
        let Some((place, kept)) = self.kept.of(name) else { return };
        let mut next = self.state.with_modes_of(&kept);
        (next.offset, next.offset_known) = (kept.offset, kept.offset_known);
        next.e = kept.e;
        if returns {
            (next.position, next.known, next.stated) = (kept.position, kept.known, kept.stated);
        }
        next.set_speed_factor(kept.speed_factor);
        self.put_back(next, at);
        self.count_is_kept(KeptCount::PutBack(place), at);
        self.set_flow_factor(None, kept.flow_factor);
    }

    /// The count of E is kept or put back: that of the output may be another than the file's.
    fn count_is_kept(&mut self, count: KeptCount, at: At<'_>) {
        self.side.counts.push(count);
        self.command(Kind::KeptE, at);
    }

    /// The modes are put on a stack.
    pub(super) fn push_modes(&mut self, at: At<'_>) {
        self.command(Kind::FeedUser, at);
        self.kept.push(&self.state);
    }

    /// The modes are taken from the stack again.
    pub(super) fn pop_modes(&mut self, at: At<'_>) {
        if let Some(kept) = self.kept.pop() {
            let next = State { unit_mm: kept.unit_mm, ..self.state.with_modes_of(&kept) };
            self.put_back(next, at);
        }
    }

    /// A command puts modes back that were kept. The feed that goes with them is not known to be that of the output.
    fn put_back(&mut self, next: State, at: At<'_>) {
        self.state = next;
        let blank = self.blank(Kind::FeedUser, at);
        self.moves.push(Move { feed_at: at.line.start, flags: blank.flags | Move::BOUND, ..blank });
        self.anchor();
    }
}
