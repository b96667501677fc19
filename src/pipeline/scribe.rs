//! Third line-after-line part: what becomes of the decisions. They are added up, and written or reported.

use std::collections::VecDeque;

use super::edits::{Outgoing, Written};
use super::limiter::Decided;
use crate::findings::{Code, Findings, Place};
use crate::moves::Kind;
use crate::passes::feed::Feeds;
use crate::passes::{Limited, Reason};
use crate::summary::tally::Tally;

/// What becomes of the decisions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// They are written.
    Rewrite,
    /// They are reported as findings.
    Audit,
}

/// Adds up, writes and reports.
#[derive(Debug)]
pub struct Scribe {
    /// Adds up.
    pub tally: Tally,
    /// What was written.
    pub written: Written,
    /// Demand above capacity, when it is reported rather than changed.
    pub findings: Findings,
    peak_mm3_s: f64,
    feeds: Feeds,
    purpose: Purpose,
    waiting: VecDeque<Outgoing>,
    /// Blocks that have gone out: the number of the first that waits.
    released: u32,
}

impl Scribe {
    /// `initial_feed_mm_s`: feed in force before the first F word; `peak_mm3_s`: peak capacity.
    pub fn new(tally: Tally, peak_mm3_s: f64, initial_feed_mm_s: f64, purpose: Purpose) -> Self {
        Self {
            tally,
            written: Written::default(),
            findings: Findings::default(),
            peak_mm3_s,
            feeds: Feeds::new(initial_feed_mm_s),
            purpose,
            waiting: VecDeque::new(),
            released: 0,
        }
    }

    /// Takes what was decided; blocks whose moves are all decided are added to `ready` in order.
    pub fn take(&mut self, decided: &mut Decided, ready: &mut Vec<Outgoing>) {
        self.waiting.extend(decided.blocks.drain(..));
        for limited in &decided.moves {
            self.take_move(limited);
        }
        while self.waiting.front().is_some_and(|block| block.settled == block.moves) {
            ready.extend(self.waiting.pop_front());
            self.released = self.released.wrapping_add(1);
        }
    }

    fn take_move(&mut self, limited: &Limited) {
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

    /// A bead above the peak in a stretch above the average is reported for both.
    fn report(&mut self, limited: &Limited, line: u64) {
        let Some(reason) = limited.reason else { return };
        let step = &limited.step;
        let flow = step.flow_at(step.speed);
        let mut add = |code| {
            self.findings.add_weighted(code, flow, || Place {
                line,
                layer: u64::from(step.layer),
                z_mm: step.z,
                detail: match step.kind {
                    Kind::Bead => format!("{flow:.1} mm³/s, {}", step.role.name()),
                    _ => format!("{flow:.1} mm³/s, no motion"),
                },
            });
        };
        match reason {
            Reason::PeakCapacity => add(Code::PeakDemand),
            Reason::ScrewSpeed => add(Code::ScrewSpeed),
            Reason::SustainedCapacity => {
                add(Code::SustainedDemand);
                if step.kind == Kind::Bead && flow > self.peak_mm3_s * (1.0 + 1e-9) {
                    add(Code::PeakDemand);
                }
            }
        }
    }
}
