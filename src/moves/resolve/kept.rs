//! Modes that the file tells the controller to keep, under a name or on a stack, and to put back later.

use super::{At, Resolver};
use crate::error::{Error, ErrorKind, Result};
use crate::moves::named::Keeping;
use crate::moves::state::State;
use crate::moves::{Kind, Move};

/// States that the file has told the controller to keep.
#[derive(Clone, Debug, Default)]
pub struct Kept {
    named: Vec<(Box<str>, State)>,
    stack: Vec<State>,
}

impl Kept {
    /// Most that are kept, of either kind: beyond that no file is meant.
    const MOST: usize = 64;

    /// Keeps it under a name, in place of what is kept there.
    fn keep(&mut self, name: &str, state: &State) {
        self.named.retain(|(kept, _)| **kept != *name);
        if self.named.len() < Self::MOST {
            self.named.push((name.into(), state.clone()));
        }
    }

    /// What is kept under a name.
    fn of(&self, name: &str) -> Option<&State> {
        self.named.iter().find(|(kept, _)| **kept == *name).map(|(_, state)| state)
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
    pub(super) fn keep_or_put_back(&mut self, keeping: Keeping<'_>, at: At<'_>) -> Result<()> {
        let (name, returns) = match keeping {
            Keeping::Keep(name) => {
                // The feed of the file is kept, not one that was lowered.
                self.feed_user(at);
                self.kept.keep(name, &self.state);
                return Ok(());
            }
            Keeping::PutBack { name, returns } => (name, returns),
        };
        let Some(kept) = self.kept.of(name).cloned() else { return Ok(()) };
        let mut next = self.state.with_modes_of(&kept);
        (next.offset, next.offset_known) = (kept.offset, kept.offset_known);
        if !next.e_is_relative() && kept.e != next.e {
            let what =
                "E is absolute where a state of the machine is put back that counts E from another place".to_owned();
            let help = "slice with relative E (M83), of which no count has to be kept".to_owned();
            let whole = at.excerpt(0, at.text().len(), "");
            return Err(Error::new(ErrorKind::Unsupported { what, help }).at(whole));
        }
        if returns {
            (next.position, next.known) = (kept.position, kept.known);
        }
        next.set_speed_factor(kept.speed_factor);
        self.put_back(next, at);
        self.set_flow_factor(None, kept.flow_factor);
        Ok(())
    }

    /// The modes are put on a stack.
    pub(super) fn push_modes(&mut self, at: At<'_>) {
        self.feed_user(at);
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
