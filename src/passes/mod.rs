//! What is changed, and why. Each pass only ever lowers speeds; the order is
//!
//! 1. [`peak`]: each move alone against the peak capacity and the screw speed;
//! 2. [`sustained`]: stretches against the moving average, at the speeds the first pass left.
//!
//! The second needs the first: what a stretch takes in time depends on the speeds in it. [`feed`] then puts the speeds
//! into F words.

pub mod feed;
pub mod peak;
pub mod sustained;

use crate::moves::Move;

/// What is above a limit by less than this factor is on the limit: the difference is rounding, not demand.
pub const ROUNDING: f64 = 1.0 + 1e-9;

/// Why a move was slowed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// A single move asked more than the peak capacity.
    PeakCapacity,
    /// The moving average was above the sustained capacity.
    SustainedCapacity,
    /// A reversal or a refill asked a faster screw than there is.
    ScrewSpeed,
}

impl Reason {
    /// All reasons, in the order of the passes.
    pub const ALL: [Self; 3] = [Self::PeakCapacity, Self::SustainedCapacity, Self::ScrewSpeed];
}

/// How fast a move may be, and why.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Verdict {
    /// Highest speed allowed, mm/s (E units per second without motion); at most the commanded speed.
    pub speed: f64,
    /// The limit that binds, if any does.
    pub reason: Option<Reason>,
}

impl Verdict {
    /// A move as it came: its commanded speed.
    pub fn unlimited(step: &Move) -> Self {
        Self { speed: step.speed, reason: None }
    }

    /// Lowers the speed to `speed` if it is above it (by more than rounding), for `reason`.
    pub fn limit(&mut self, speed: f64, reason: Reason) {
        if self.speed > speed * ROUNDING {
            self.speed = speed;
            self.reason = Some(reason);
        }
    }

    /// Time the move takes at the allowed speed, s.
    pub fn time(&self, step: &Move) -> f64 {
        if self.reason.is_some() { step.distance() / self.speed } else { step.time }
    }
}
