//! Third line-after-line part: what becomes of the decisions. They are added up, and written or reported.

use std::collections::VecDeque;

use super::edits::{Outgoing, Written};
use super::limiter::Decided;
use crate::findings::{Code, Findings, Place};
use crate::moves::{Kind, Move};
use crate::passes::feed::{FeedEdit, Feeds};
use crate::passes::{ROUNDING, Reason, Verdict};
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
        }
    }

    /// Takes what was decided; blocks whose moves are all decided are added to `ready` in order.
    pub fn take(&mut self, decided: &mut Decided, ready: &mut Vec<Outgoing>) {
        self.waiting.extend(decided.blocks.drain(..));
        let mut verdicts = decided.verdicts.iter();
        for block in &mut self.waiting {
            let Outgoing { text, moves, settled, first_line, .. } = block;
            for (step, verdict) in moves[*settled..].iter().zip(&mut verdicts) {
                *settled += 1;
                let line = *first_line + u64::from(step.line);
                let (edit, speed) = self.feeds.next(step, verdict);
                self.tally.add(step, verdict, speed, line);
                match self.purpose {
                    Purpose::Rewrite if edit == FeedEdit::Keep && !step.has(Move::SPLIT) => {}
                    Purpose::Rewrite => self.written.write(text, step, edit),
                    Purpose::Audit => report(&mut self.findings, self.peak_mm3_s, step, verdict, line),
                }
            }
            if *settled < moves.len() {
                break;
            }
        }
        while self.waiting.front().is_some_and(|block| block.settled == block.moves.len()) {
            ready.extend(self.waiting.pop_front());
        }
    }
}

/// Adds the findings of a move. A bead above the peak in a stretch above the average is reported for both.
fn report(findings: &mut Findings, peak_mm3_s: f64, step: &Move, verdict: &Verdict, line: u64) {
    let Some(reason) = verdict.reason else { return };
    let flow = step.flow_at(step.speed);
    let mut add = |code| {
        findings.add_weighted(code, flow, || Place {
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
            if step.kind == Kind::Bead && flow > peak_mm3_s * ROUNDING {
                add(Code::PeakDemand);
            }
        }
    }
}
