//! Second line-after-line part: passes, feeds, sums. Moves become edits.

use std::collections::VecDeque;

use super::edits::{Outgoing, Written};
use super::intake::Resolved;
use crate::demand::capacity::Capacity;
use crate::findings::{Code, Findings, Place};
use crate::moves::{Kind, Move};
use crate::passes::feed::Feeds;
use crate::passes::sustained::Sustained;
use crate::passes::{Limited, Reason, peak};
use crate::summary::tally::Tally;

/// What becomes of the decisions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// They are written.
    Rewrite,
    /// They are reported as findings.
    Audit,
}

/// Runs the passes over the stream of moves.
#[derive(Debug)]
pub struct Limiter {
    /// Adds up.
    pub tally: Tally,
    /// What was written.
    pub written: Written,
    /// Demand above capacity, when it is reported rather than changed.
    pub findings: Findings,
    capacity: Option<Capacity>,
    sustained: Option<Sustained>,
    feeds: Feeds,
    purpose: Purpose,
    waiting: VecDeque<Outgoing>,
    /// Blocks that have gone out: the number of the first that waits.
    released: u32,
}

impl Limiter {
    /// `capacity`: what the moves are held to, if the capacity pass runs. `initial_feed_mm_s`: feed in force before
    /// the first F word.
    pub fn new(tally: Tally, capacity: Option<Capacity>, initial_feed_mm_s: f64, purpose: Purpose) -> Self {
        let sustained =
            capacity.as_ref().map(|c| Sustained::new(c.sustained_mm3_s, c.window_s, c.peak_mm3_s.max(c.screw_mm3_s)));
        Self {
            tally,
            written: Written::default(),
            findings: Findings::default(),
            capacity,
            sustained,
            feeds: Feeds::new(initial_feed_mm_s),
            purpose,
            waiting: VecDeque::new(),
            released: 0,
        }
    }

    /// Takes blocks one after the other, and leaves their lists of moves for reuse.
    pub fn take_all(&mut self, resolved: &mut [Resolved], ready: &mut Vec<Outgoing>) {
        resolved.iter_mut().for_each(|block| self.take(block, ready));
    }

    /// Takes the next block; blocks that are settled by it are added to `ready` in order.
    pub fn take(&mut self, resolved: &mut Resolved, ready: &mut Vec<Outgoing>) {
        self.waiting.push_back(std::mem::take(&mut resolved.outgoing));
        for &step in &resolved.moves {
            self.take_move(step, resolved.offset);
        }
        self.release(ready);
    }

    /// No more blocks will come.
    pub fn finish(&mut self, ready: &mut Vec<Outgoing>) {
        if let Some(sustained) = &mut self.sustained {
            sustained.finish();
        }
        self.settle_all();
        self.release(ready);
    }

    fn take_move(&mut self, step: Move, offset: u64) {
        match (&self.capacity, &mut self.sustained) {
            (Some(capacity), Some(sustained)) => {
                sustained.push(peak::apply(step, capacity), offset + u64::from(step.feed_at));
                self.settle_all();
            }
            _ => self.settle(&Limited::unlimited(step)),
        }
    }

    fn settle_all(&mut self) {
        while let Some(limited) = self.sustained.as_mut().and_then(Sustained::pop) {
            self.settle(&limited);
        }
    }

    /// A move's speed is final: sums and text follow.
    fn settle(&mut self, limited: &Limited) {
        let step = &limited.step;
        let (edit, speed) = self.feeds.next(limited);
        let index = step.block.wrapping_sub(self.released) as usize;
        let Some(block) = self.waiting.get_mut(index) else { return };
        block.settled += 1;
        let line = block.first_line + u64::from(step.line);
        self.tally.add(limited, speed, || line);
        match self.purpose {
            Purpose::Rewrite => self.written.write(block, step, edit),
            Purpose::Audit => self.report(limited, line),
        }
    }

    fn report(&mut self, limited: &Limited, line: u64) {
        let Some(reason) = limited.reason else { return };
        let step = &limited.step;
        let flow = step.flow_at(step.speed);
        let code = match reason {
            Reason::PeakCapacity => Code::PeakDemand,
            Reason::SustainedCapacity => Code::SustainedDemand,
            Reason::ScrewSpeed => Code::ScrewSpeed,
        };
        self.findings.add_weighted(code, flow, || Place {
            line,
            layer: u64::from(step.layer),
            z_mm: step.z,
            detail: match step.kind {
                Kind::Bead => format!("{flow:.1} mm³/s, {}", step.role.name()),
                _ => format!("{flow:.1} mm³/s, no motion"),
            },
        });
    }

    fn release(&mut self, ready: &mut Vec<Outgoing>) {
        while self.waiting.front().is_some_and(|block| block.settled == block.moves) {
            ready.extend(self.waiting.pop_front());
            self.released = self.released.wrapping_add(1);
        }
    }
}
