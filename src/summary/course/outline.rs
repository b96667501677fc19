//! Demand over time and times of layers, and nothing else: what a report in plain text draws.

use super::layers::LayerTimes;
use super::series::{Pushed, Series};
use crate::summary::tally::{Executed, Taken};

/// The course of a print in two rows, as the file has it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outline {
    /// Demand over time.
    pub demand: Series,
    /// Times of layers.
    pub layers: LayerTimes,
}

impl Outline {
    /// Takes the next moves with what they take and ask.
    #[inline]
    pub fn add<'a>(&mut self, moves: impl Iterator<Item = Executed<'a>> + Clone, taken: &[Taken]) {
        self.demand.push_all(moves.clone().zip(taken).map(|(done, taken)| Pushed {
            time_s: taken.before_s,
            peak_mm3_s: if done.step.is_screw_bead() { taken.flows[0] } else { 0.0 },
            melt_mm3: taken.melt_mm3,
            line: done.line,
        }));
        for (done, taken) in moves.zip(taken) {
            if done.step.is_screw_bead() {
                self.layers.begin(done.step.layer, done.step.z);
            }
            self.layers.pass(taken.before_s, taken.before_s);
        }
    }

    /// No more moves will come.
    pub fn finish(&mut self) {
        self.layers.end();
    }
}
