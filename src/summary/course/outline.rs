//! Demand over time and times of layers, and nothing else: what a report in plain text draws.

use super::layers::LayerTimes;
use super::series::Series;
use crate::demand::capacity::Capacity;
use crate::moves::{Kind, Move};
use crate::passes::peak;
use crate::summary::tally::Executed;

/// The course of a print in two rows, as the file has it.
#[derive(Clone, Debug, PartialEq)]
pub struct Outline {
    /// Demand over time.
    pub demand: Series,
    /// Times of layers.
    pub layers: LayerTimes,
    capacity: Capacity,
}

impl Outline {
    /// Before the first move.
    pub fn new(capacity: &Capacity) -> Self {
        Self { demand: Series::default(), layers: LayerTimes::default(), capacity: capacity.clone() }
    }

    /// Takes the next move.
    #[inline]
    pub fn add(&mut self, done: &Executed<'_>) {
        let (step, time) = (done.step, done.before.time);
        let own = step.has(Move::SCREW);
        let mut flow = 0.0;
        if own && step.kind == Kind::Bead && step.length > 0.0 {
            flow = peak::demand(step, done.before.top, &self.capacity);
            self.layers.begin(step.layer, step.z);
        }
        self.demand.push(time, flow, if own { step.melt } else { 0.0 }, done.line);
        self.layers.pass(time, time);
    }

    /// No more moves will come.
    pub fn finish(&mut self) {
        self.layers.end();
    }
}
