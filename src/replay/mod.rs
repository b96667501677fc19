//! An independent check: a file is executed on a virtual machine, and what is laid is compared with what was wanted.
//!
//! The machine is the controller's planner, the melt ([`crate::physics::melt`]) and the capacity of the screw. It shares
//! no code with the passes beyond parsing and planning. [`machine`] turns the timing of each move into at most three
//! pieces and feeds the melt; [`judge`] compares and keeps account; [`align`] finds, for a rewritten file, what the
//! original wanted along the same path.
//!
//! Flow is judged over stretches of path as long as the nozzle's bore is wide: whatever a file asks for on a shorter
//! scale, a nozzle lays it as one blurred bead. Everything streams: memory holds the moves the planner has not settled.

pub mod align;
pub mod judge;
pub mod machine;

use serde::Serialize;

use crate::demand::capacity::Capacity;
use crate::profile::{LagCompensation, Profile};

/// A file before and after it was rewritten.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Replay {
    /// The original, against what it wants itself; `None` if no original was given.
    pub before: Option<ReplayFigures>,
    /// The file, against what the original wants, or against what it wants itself.
    pub after: ReplayFigures,
}

/// What a replay finds.
///
/// Account of the melt: `commanded_mm3` - `refused_mm3` + `refused_back_mm3` is what the screw gave, and that is
/// `laid_on_path_mm3` + `at_starts_mm3` + `at_stops_mm3` + `drool_mm3` + `elsewhere_mm3` + `stored_at_end_mm3`.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct ReplayFigures {
    /// Path along which something is wanted, mm.
    pub bead_path_mm: f64,
    /// Share of it where what is laid differs by more than 5 %, percent.
    pub path_outside_5_pct: f64,
    /// The same for 10 %.
    pub path_outside_10_pct: f64,
    /// The same for 25 %.
    pub path_outside_25_pct: f64,
    /// Root of the mean square over the path of laid less wanted, each per mm, in percent of the mean bead area.
    ///
    /// The mean is the reference so that a bead of next to nothing behind a thick one does not drown all others.
    pub rms_error_pct: f64,
    /// What lacks on the stretches that got too little, mm³.
    pub missing_mm3: f64,
    /// What is too much on the others, mm³.
    pub surplus_mm3: f64,
    /// Let out while standing, between a travel and a bead, mm³.
    pub at_starts_mm3: f64,
    /// Let out while standing after a bead, before a travel or the next bead, mm³.
    pub at_stops_mm3: f64,
    /// Let out along paths on which nothing is wanted, mm³.
    pub drool_mm3: f64,
    /// Let out while standing with no bead before or behind: priming, purging, waiting, mm³.
    pub elsewhere_mm3: f64,
    /// What the beads should hold, mm³.
    pub wanted_mm3: f64,
    /// Laid along the beads, mm³.
    pub laid_on_path_mm3: f64,
    /// Laid on the part: along the beads and as blobs at their ends, mm³.
    pub laid_mm3: f64,
    /// `laid_mm3` over `wanted_mm3`; 0 where nothing is wanted.
    pub laid_over_wanted: f64,
    /// What the screw is asked to push, less what it is asked to draw back, mm³.
    pub commanded_mm3: f64,
    /// What is asked faster than the screw turns, and lost, mm³; 0 or above.
    pub refused_mm3: f64,
    /// What is asked back faster than the screw turns, and not drawn back, mm³; 0 or above.
    pub refused_back_mm3: f64,
    /// What is between screw and nozzle at the end; negative if melt was drawn back last, mm³.
    pub stored_at_end_mm3: f64,
    /// Time of the print, s.
    pub time_s: f64,
    /// How often the screw changes to turning backward.
    pub reversals: u64,
    /// Highest flow asked of the screw, forward or backward, mm³/s.
    pub highest_screw_flow_mm3_s: f64,
    /// Time in which more is asked than the screw can turn, s.
    pub saturated_s: f64,
}

/// What the virtual machine is made of, apart from its planner.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Conditions {
    /// Time constant of the melt, s.
    pub lag_s: f64,
    /// Time between the screw's turning and the first answer of the melt, s.
    pub dead_time_s: f64,
    /// Flow at the highest screw speed, forward and backward, mm³/s.
    pub screw_mm3_s: f64,
    /// Bore of the nozzle, the length over which flow is judged, mm.
    pub bore_mm: f64,
    /// Constant of the controller's own compensation before the file sets one, s; 0 if it does not compensate.
    pub compensation_s: f64,
}

impl Conditions {
    /// Those of a profile. A controller that compensates is taken to be set to the lag of the melt.
    pub fn of(profile: &Profile) -> Self {
        let screw = &profile.screw;
        let lag_s = screw.melt_lag_s.value;
        Self {
            lag_s,
            dead_time_s: screw.dead_time_s.value,
            screw_mm3_s: Capacity::of(profile).screw_mm3_s,
            bore_mm: profile.nozzle.diameter_mm.value,
            compensation_s: match screw.lag_compensated_by.value {
                LagCompensation::Controller => lag_s,
                LagCompensation::File | LagCompensation::None => 0.0,
            },
        }
    }
}
