//! How a print runs over time and by layer, thinned out as it streams by: what a report draws.
//!
//! It is kept only where it was asked for. Memory does not grow with the file: series of bins double their width, lists
//! of layers keep every second, fourth ... entry, and the beads of layers have a budget of bytes. What is kept depends on
//! the moves alone, neither on threads nor on the size of blocks.

mod beads;
mod layers;
mod outline;
mod series;

pub use beads::{CLASS_EDGES, CLASSES, Sample, Samples};
pub use layers::{Ground, Grounds, LayerSpan, LayerTimes};
pub use outline::Outline;
pub use series::{Bin, Pushed, Series};

use super::tally::{Executed, Taken};
use crate::demand::capacity::Capacity;
use crate::moves::Side;
use crate::moves::arc::ArcPath;
use crate::moves::track::Track;

/// Steps of the distribution of demand, share of the peak capacity.
const FLOW_STEP: f64 = 0.02;
/// Their number; the last holds all above.
const FLOW_STEPS: usize = 128;

/// Time spent on beads by their demand.
#[derive(Clone, Debug, PartialEq)]
pub struct FlowTimes {
    /// Time, s, by steps of the demand.
    times: Vec<f64>,
}

impl Default for FlowTimes {
    fn default() -> Self {
        Self { times: vec![0.0; FLOW_STEPS] }
    }
}

impl FlowTimes {
    fn add(&mut self, share: f64, time_s: f64) {
        // The cast saturates; what is no number counts as nothing asked.
        let step = ((share / FLOW_STEP) as usize).min(FLOW_STEPS - 1);
        if let Some(time) = self.times.get_mut(step) {
            *time += time_s;
        }
    }

    /// The demand, as a share of the peak capacity, that beads stay below for `share` of their time (0 to 1), to the
    /// upper end of a step of 0.02; `None` without beads.
    pub fn quantile(&self, share: f64) -> Option<f64> {
        let all: f64 = self.times.iter().sum();
        if all <= 0.0 {
            return None;
        }
        let mut sum = 0.0;
        let reached = self.times.iter().position(|time| {
            sum += time;
            sum >= share * all
        });
        Some((reached.unwrap_or(FLOW_STEPS - 1) + 1) as f64 * FLOW_STEP)
    }
}

/// The course of one print, as the file has it and as the output has it or would have it.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    /// Over the time of the file as it came.
    pub before: Series,
    /// Over the time of the output, turns of the screw at rest and waits included.
    pub after: Series,
    /// What is fed over that time: in the output, or in the file where it is only judged.
    pub fed: Series,
    /// Time by demand, of the file as it came.
    pub flows_before: FlowTimes,
    /// The same of the output.
    pub flows_after: FlowTimes,
    /// Times of layers.
    pub layers: LayerTimes,
    /// Beads of some layers.
    pub samples: Samples,
    /// What stands in some layers.
    pub grounds: Grounds,
    peak_mm3_s: f64,
}

impl Course {
    /// Before the first move.
    pub fn new(capacity: &Capacity) -> Self {
        Self {
            before: Series::default(),
            after: Series::default(),
            fed: Series::default(),
            flows_before: FlowTimes::default(),
            flows_after: FlowTimes::default(),
            layers: LayerTimes::default(),
            samples: Samples::default(),
            grounds: Grounds::default(),
            peak_mm3_s: capacity.peak_mm3_s,
        }
    }

    /// Follows the moves of a block from where it starts.
    pub fn follow<'a>(&'a mut self, side: &'a Side) -> Following<'a> {
        Following { course: self, track: Track::of(side) }
    }

    /// No more moves will come.
    pub fn finish(&mut self) {
        self.layers.end();
        self.samples.end();
    }

    fn add(&mut self, done: &Executed<'_>, taken: &Taken, [from, to]: [[f64; 3]; 2], arc: Option<&ArcPath>) {
        let step = done.step;
        let mut flows = [0.0; 2];
        if done.step.is_screw_bead() {
            flows = taken.flows;
            let shares = flows.map(|flow| flow / self.peak_mm3_s);
            self.flows_before.add(shares[0], done.before.time);
            self.flows_after.add(shares[1], done.after.time);
            if step.layer != self.layers.layer() {
                self.samples.begin(step.layer);
            }
            self.layers.begin(step.layer, step.z);
            self.samples.add(step, shares, from, to, arc);
        }
        let pushed = |time_s, peak_mm3_s, melt_mm3| Pushed { time_s, peak_mm3_s, melt_mm3, line: done.line };
        self.before.push(pushed(taken.before_s, flows[0], taken.melt_mm3));
        self.after.push(pushed(taken.after_s, flows[1], taken.melt_mm3));
        // The screw pushes ahead of its lag, and otherwise than the file where its reversals give way.
        self.fed.push(pushed(taken.after_s, flows[1], done.fed_mm3));
        self.layers.pass(taken.before_s, taken.after_s);
    }
}

/// A course that takes the moves of one block.
#[derive(Debug)]
pub struct Following<'a> {
    course: &'a mut Course,
    track: Track<'a>,
}

impl Following<'_> {
    /// Takes the next moves of the block, each with its path, if that is an arc, and with what they take and ask.
    pub fn add<'b>(&mut self, moves: impl Iterator<Item = (Executed<'b>, Option<&'b ArcPath>)>, taken: &[Taken]) {
        for ((done, arc), taken) in moves.zip(taken) {
            let (from, to) = self.track.next(done.step);
            self.course.add(&done, taken, [from, to], arc);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_of_demand() {
        let mut flows = FlowTimes::default();
        assert_eq!(flows.quantile(0.5), None);
        flows.add(0.31, 60.0);
        flows.add(0.99, 30.0);
        flows.add(9.0, 10.0);
        flows.add(f64::NAN, 0.0);
        let at = |share| flows.quantile(share).unwrap_or(f64::NAN);
        assert!((at(0.05) - 0.32).abs() < 1e-12 && (at(0.6) - 0.32).abs() < 1e-12, "{}", at(0.05));
        assert!((at(0.9) - 1.0).abs() < 1e-12, "{}", at(0.9));
        assert!((at(1.0) - 2.56).abs() < 1e-12, "{}", at(1.0));
    }
}
