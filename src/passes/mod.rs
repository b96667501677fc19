//! What is changed, and why. Each pass only ever lowers speeds; the order is
//!
//! 1. [`peak`]: each move alone against the peak capacity and the screw speed;
//! 2. [`sustained`]: stretches against the moving average, at the speeds the first pass left;
//! 3. [`lag`]: accelerations the melt can follow, and the volume the screw has to push for it;
//! 4. [`soft`]: accelerations and speeds the part bears, and the time its layers need;
//! 5. [`e_count`]: the unit in which that is written.
//!
//! Each needs the one before: what a stretch takes in time depends on the speeds in it, and how quickly flow may change
//! on how much of the screw's speed is left. [`feed`] puts the speeds into F words.

pub mod corners;
pub mod e_count;
pub mod feed;
pub mod lag;
pub mod peak;
pub mod soft;
pub mod sustained;

use crate::moves::Move;
use crate::units::Bounded;

/// What is above a limit by less than this factor is on the limit: the difference is rounding, not demand.
pub const ROUNDING: f64 = 1.0 + 1e-9;

/// Why a move was slowed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// A single move asked more than the peak capacity.
    PeakCapacity,
    /// The moving average was above the sustained capacity.
    SustainedCapacity,
    /// A reversal or a refill asked a faster screw than there is.
    ScrewSpeed,
    /// The melt could not have followed so quick a change of speed or so large a jump of flow.
    MeltLag,
    /// The part would have swayed too far.
    Sway,
    /// The nozzle would have dragged the part too far.
    NozzleDrag,
    /// The layer has to cool.
    LayerTime,
}

impl Reason {
    /// All reasons, in the order of the passes.
    pub const ALL: [Self; 7] = [
        Self::PeakCapacity,
        Self::SustainedCapacity,
        Self::ScrewSpeed,
        Self::MeltLag,
        Self::Sway,
        Self::NozzleDrag,
        Self::LayerTime,
    ];
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

    /// Least time the move takes at the allowed speed, s, where it takes `time` at its own.
    pub fn least_time(&self, step: &Move, time: f64) -> f64 {
        if self.reason.is_some() { (step.distance() / self.speed).at_least(time) } else { time }
    }
}
