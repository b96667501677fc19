//! Where nobody makes up for the lag, flow is kept from jumping where bead areas change inside a run: the thicker bead
//! is slowed until both ask for nearly the same.
//!
//! The head changes its speed within hundredths of a second, far faster than flow can; so what counts is the flow of
//! the beads, not the speed through their junction. To pass the junction slowly instead was tried and makes it worse:
//! melt goes on at the old flow while the head brakes, speeds up, and lays it there.

use std::collections::VecDeque;

use crate::moves::{Kind, Move};
use crate::passes::{Reason, Verdict};

/// So many moves wait at most. It takes that many beads in a row without one that settles them.
const MOST_WAITING: usize = 1 << 14;

/// A move that waits for the beads behind it.
#[derive(Clone, Copy, Debug)]
struct Waiting {
    verdict: Verdict,
    /// Bead area, mm²; 0 for what is no bead.
    area: f64,
}

impl Waiting {
    fn flow(&self) -> Option<f64> {
        (self.area > 0.0).then_some(self.area * self.verdict.speed)
    }

    fn hold(&mut self, flow: f64) {
        self.verdict.limit(flow / self.area, Reason::MeltLag);
    }
}

/// Holds the flows of neighbours in a run together.
///
/// |A2 v2 - A1 v1| <= step for every two beads in a row: each flow is at most that of either neighbour and the step.
/// Flows are only lowered, to the largest that keep to it. A bead waits until later ones can no longer lower it: k beads
/// on, that is by a flow of k steps at least.
#[derive(Clone, Debug)]
pub struct FlowSteps {
    most_mm3_s: f64,
    waiting: VecDeque<Waiting>,
    /// Beads among them, all of the run that goes on.
    beads: usize,
    settled: Vec<Verdict>,
}

impl FlowSteps {
    /// `most_mm3_s`: largest jump of flow, mm³/s, above 0.
    pub fn new(most_mm3_s: f64) -> Self {
        Self { most_mm3_s, waiting: VecDeque::new(), beads: 0, settled: Vec::new() }
    }

    /// Takes the next move and how fast it may be.
    pub fn push(&mut self, step: &Move, verdict: Verdict) {
        let is_bead = step.lays();
        if !is_bead {
            if !matches!(step.kind, Kind::Limits | Kind::SetE | Kind::KeptE | Kind::Feed) {
                self.finish();
            }
            self.waiting.push_back(Waiting { verdict, area: 0.0 });
            self.settle();
            return;
        }
        let mut newest = Waiting { verdict, area: step.volume / step.length };
        let last = self.waiting.iter().rev().find_map(Waiting::flow);
        if let Some(last) = last {
            newest.hold(last + self.most_mm3_s);
        }
        // Back along the run, as far as the new flow pulls others down.
        let mut behind = newest.flow().unwrap_or(0.0);
        for step in self.waiting.iter_mut().rev() {
            let Some(flow) = step.flow() else { continue };
            if flow <= behind + self.most_mm3_s {
                break;
            }
            behind += self.most_mm3_s;
            step.hold(behind);
        }
        self.waiting.push_back(newest);
        self.beads += 1;
        self.settle();
    }

    /// Settles what no later bead can lower.
    fn settle(&mut self) {
        while let Some(first) = self.waiting.front() {
            match first.flow() {
                None => {}
                Some(flow) => {
                    let behind = self.beads.saturating_sub(1);
                    let sure = behind > 0 && behind as f64 * self.most_mm3_s >= flow;
                    if !sure && self.waiting.len() < MOST_WAITING {
                        return;
                    }
                    self.beads -= 1;
                }
            }
            self.settled.extend(self.waiting.pop_front().map(|first| first.verdict));
        }
    }

    /// The run ends: all that waits is settled.
    pub fn finish(&mut self) {
        self.settled.extend(self.waiting.drain(..).map(|step| step.verdict));
        self.beads = 0;
    }

    /// Adds the verdicts that are settled, in the order of the moves.
    pub fn hand_over(&mut self, out: &mut Vec<Verdict>) {
        out.append(&mut self.settled);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moves::sample::bead;

    /// Speeds of beads of 10 mm that begin at 50 mm/s; an area of 0 stands for a travel.
    fn levelled(most: f64, areas: &[f64]) -> Vec<f64> {
        let mut steps = FlowSteps::new(most);
        let mut out = Vec::new();
        for area in areas {
            let mut step = bead(10.0, 10.0 * area);
            if *area == 0.0 {
                step.kind = Kind::Travel;
            }
            steps.push(&step, Verdict::unlimited(&step));
            steps.hand_over(&mut out);
        }
        steps.finish();
        steps.hand_over(&mut out);
        out.iter().map(|verdict| verdict.speed).collect()
    }

    #[test]
    fn thick_beads_go_as_slowly_as_their_neighbours_need() {
        // Flows of 5, 25, 25, 25 and 5 mm³/s in steps of 2: 5, 7, 9, 7 and 5.
        let expected = [50.0, 14.0, 18.0, 14.0, 50.0];
        for (found, want) in levelled(2.0, &[0.1, 0.5, 0.5, 0.5, 0.1]).into_iter().zip(expected) {
            assert!((found - want).abs() < 1e-9, "{found} {want}");
        }
        assert_eq!(levelled(20.0, &[0.1, 0.5, 0.1]), [50.0; 3]);
        assert_eq!(levelled(2.0, &[0.1, 0.0, 0.5]), [50.0; 3], "a travel between them");
    }

    #[test]
    fn settling_early_changes_nothing_and_little_waits() {
        let areas: Vec<f64> = (0..5000_u32).map(|k| 0.02 + f64::from(k * 37 % 101) * 0.005).collect();
        let found = levelled(0.5, &areas);
        // The slow way: over all of it, forward and back.
        let mut flows: Vec<f64> = areas.iter().map(|area| area * 50.0).collect();
        for index in 1..flows.len() {
            flows[index] = flows[index].min(flows[index - 1] + 0.5);
        }
        for index in (1..flows.len()).rev() {
            flows[index - 1] = flows[index - 1].min(flows[index] + 0.5);
        }
        for ((found, flow), area) in found.iter().zip(&flows).zip(&areas) {
            assert!((found * area - flow).abs() < 1e-9, "{found} {flow}");
        }
        let mut steps = FlowSteps::new(0.5);
        for area in &areas {
            let step = bead(10.0, 10.0 * area);
            steps.push(&step, Verdict::unlimited(&step));
            // At most 26 mm³/s, in steps of 0.5.
            assert!(steps.waiting.len() <= 53, "{}", steps.waiting.len());
        }
        let mut steps = FlowSteps::new(1e-9);
        for _ in 0..2 * MOST_WAITING {
            let step = bead(10.0, 1.0);
            steps.push(&step, Verdict::unlimited(&step));
            assert!(steps.waiting.len() < MOST_WAITING);
        }
    }
}
