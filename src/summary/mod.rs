//! What was found and what was changed, as values that serialise.
//!
//! The JSON form is stable: keys are only ever added. Every number carries its unit in the key.

pub mod course;
mod part;
pub mod tally;

use serde::Serialize;

pub use crate::findings::{Allowed, Finding, Level, Place};
pub use crate::hopper::{HopperPlan, HourMark, PlaceKind, Refill};
pub use crate::inspect::StopFigures;
pub use crate::passes::Reason;
pub use crate::replay::{Replay, ReplayFigures};
pub use crate::soft::Band;
pub use part::PartFigures;

/// The whole account of one file.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Summary {
    /// The file as it came in.
    pub before: Figures,
    /// The file as it goes out; equal to `before` where nothing was changed.
    pub after: Figures,
    /// What was changed, and why.
    pub changes: Changes,
    /// What the screw is told in the output.
    pub screw: ScrewFigures,
    /// Starts and stops of the screw in the file as it came.
    pub stops: StopFigures,
    /// What the part bears and how long its layers take, where that was looked at.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part: Option<PartFigures>,
    /// What the print takes from the hopper: the output, or the file itself where it was only judged.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hopper: Option<HopperPlan>,
    /// Both files executed on the virtual machine, where that was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub replay: Option<Replay>,
    /// Assumed values of the profile that the result depends on.
    pub assumed: Vec<AssumedValue>,
    /// What the reader should know or act on, worst first.
    pub findings: Vec<Finding>,
    /// Findings the profile allows, which are counted only.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub allowed: Vec<Allowed>,
    /// Where the result comes from.
    pub provenance: Record,
    /// How the print runs over time and by layer, where that was asked for; no part of the JSON.
    #[serde(skip)]
    pub course: Option<Box<course::Course>>,
    /// The same in two rows, where the file was only judged; no part of the JSON.
    #[serde(skip)]
    pub outline: Option<Box<course::Outline>>,
}

/// Figures of one file.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Figures {
    /// Print time, s, as the controller executes the moves, dwells included.
    pub time_s: f64,
    /// Highest demand of a single bead, mm³/s.
    pub peak_demand_mm3_s: f64,
    /// Highest moving average of demand, mm³/s.
    pub sustained_demand_mm3_s: f64,
    /// Volume that is pushed out, mm³ (reversals and their refills cancel): as the file wants it, and by E of the output.
    pub volume_mm3: f64,
    /// The same as mass, g.
    pub mass_g: f64,
    /// Layers laid; objects printed one after the other count each layer of their own.
    pub layers: u64,
    /// Moves of any kind.
    pub moves: u64,
    /// Moves of the screw that extrude along a path.
    pub beads: u64,
    /// Moves without extrusion.
    pub travels: u64,
    /// Turns of the screw without motion.
    pub e_only: u64,
    /// Moves that turn the screw back along a way, and moves of other tools that push anything; with beads, travels and turns
    /// without motion these are all moves.
    pub other_moves: u64,
    /// Volume of the beads alone, mm³.
    pub bead_volume_mm3: f64,
    /// Path length of the beads, mm.
    pub bead_path_mm: f64,
    /// Path length of moves without extrusion, mm.
    pub travel_path_mm: f64,
}

/// What [`ScrewFigures::e_unit`] says of E that is not counted anew.
pub const E_AS_IN_FILE: &str = "as in the file";

/// What was changed.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Changes {
    /// Moves whose speed was lowered.
    pub moves_slowed: u64,
    /// Beads among them.
    pub beads_slowed: u64,
    /// The same by reason; a move slowed for two reasons counts for both.
    pub by_reason: Vec<ReasonCount>,
    /// Time that all else adds, s: stops, and moves beside those that were slowed; below zero where stops that were taken out
    /// spare more. With the times by reason, and rounding, it is what the print takes longer.
    pub other_time_s: f64,
    /// Lines in which a feed was written.
    pub feeds_written: u64,
    /// Lines in which an acceleration was written.
    pub accelerations_written: u64,
    /// Lines in which a corner rule was written.
    pub corner_rules_written: u64,
    /// Lines added (marker, pieces of split lines, restored feeds, turns of the screw, accelerations, corner rules).
    pub lines_added: u64,
    /// Lines taken out: the file's own reversals and refills.
    pub lines_removed: u64,
    /// Lines that switch on the controller's own compensation of melt lag, made comments.
    pub lag_commands_taken_out: u64,
    /// Lines written as several.
    pub lines_split: u64,
    /// By role of the bead.
    pub roles: Vec<Share>,
    /// By band of layers.
    pub layer_bands: Vec<Share>,
    /// Time and volume by demand, relative to the peak capacity.
    pub histogram: Vec<Bin>,
    /// The changes that cost most time, largest first; at most ten.
    pub largest: Vec<LargestChange>,
}

/// What the screw is told in the output, and what the model of the melt makes of it.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct ScrewFigures {
    /// How the lag of the melt is made up for: `none`, `at-rest`, `along-path` or `by-controller`.
    pub lag_compensation: &'static str,
    /// What one unit of E is in the output.
    pub e_unit: String,
    /// Pushed along beads, net, mm³.
    pub beads_mm3: f64,
    /// Pushed at rest before runs of beads, mm³.
    pub charged_mm3: f64,
    /// Turned back at rest behind runs of beads, mm³.
    pub relieved_mm3: f64,
    /// Let out while travelling and waiting, mm³.
    pub drooled_mm3: f64,
    /// Between screw and nozzle at the end, mm³.
    pub stored_at_end_mm3: f64,
    /// Charges at rest.
    pub charges: u64,
    /// Turns back at rest.
    pub reliefs: u64,
    /// The file's own reversals and refills that were taken out.
    pub replaced: u64,
    /// Longest time without a bead once the print has begun, s.
    pub longest_idle_s: f64,
}

/// Moves slowed for one reason.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct ReasonCount {
    /// The reason.
    pub reason: Reason,
    /// How many moves.
    pub moves: u64,
    /// Time it adds, s.
    pub time_added_s: f64,
}

/// Figures of a part of the file: one role, or one band of layers.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Share {
    /// Name of the role, or the layers `12-23`.
    pub name: String,
    /// Beads in it.
    pub beads: u64,
    /// Beads slowed.
    pub slowed: u64,
    /// Volume, mm³.
    pub volume_mm3: f64,
    /// Time before, s.
    pub time_before_s: f64,
    /// Time after, s.
    pub time_after_s: f64,
    /// Highest demand before, mm³/s.
    pub peak_before_mm3_s: f64,
    /// Highest demand after, mm³/s.
    pub peak_after_mm3_s: f64,
}

/// One bin of the histogram of demand.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Bin {
    /// Lower edge, share of the peak capacity.
    pub from: f64,
    /// Upper edge; `None` for the last bin.
    pub to: Option<f64>,
    /// Bead time in the bin before, s.
    pub time_before_s: f64,
    /// Bead time in the bin after, s.
    pub time_after_s: f64,
    /// Bead volume in the bin before, mm³.
    pub volume_before_mm3: f64,
    /// Bead volume in the bin after, mm³.
    pub volume_after_mm3: f64,
}

/// One changed move.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct LargestChange {
    /// Line in the input, counted from 1.
    pub line: u64,
    /// Layer, counted from 1; 0 before the first bead.
    pub layer: u64,
    /// Height, mm.
    pub z_mm: f64,
    /// Role of the bead.
    pub role: &'static str,
    /// The binding reason.
    pub reason: Reason,
    /// Speed before, mm/s (of E units where there is no motion).
    pub speed_before_mm_s: f64,
    /// Speed after, mm/s.
    pub speed_after_mm_s: f64,
    /// Demand before, mm³/s.
    pub demand_before_mm3_s: f64,
    /// Demand after, mm³/s.
    pub demand_after_mm3_s: f64,
    /// Time it adds, s.
    pub time_added_s: f64,
}

/// An assumed value that the result depends on.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct AssumedValue {
    /// `section.key`.
    pub key: String,
    /// The value as text.
    pub value: String,
    /// Where it was set, in words.
    pub origin: String,
}

/// Where a result comes from.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Record {
    /// Name of this program.
    pub tool: &'static str,
    /// Its version.
    pub version: &'static str,
    /// Where the profile was found, in words.
    pub profile: String,
    /// Fingerprint of the effective profile.
    pub profile_fingerprint: String,
    /// Passes that ran, in order.
    pub passes: Vec<&'static str>,
    /// Bytes in.
    pub input_bytes: u64,
    /// Bytes out.
    pub output_bytes: u64,
    /// Lines in.
    pub input_lines: u64,
    /// SHA-256 of the input bytes, hexadecimal; empty where it was not asked for.
    pub input_sha256: String,
    /// The same of the output; empty where there is none.
    pub output_sha256: String,
    /// The input is an output of this program, of which nothing is to be changed any more.
    pub input_is_output: bool,
    /// Fingerprint of the profile that such an input was written with.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub input_written_with: Option<String>,
    /// What one unit of E is, in words, and where that comes from.
    pub e_unit: String,
    /// Peak capacity the result was computed with, mm³/s.
    pub peak_capacity_mm3_s: f64,
    /// Sustained capacity, mm³/s.
    pub sustained_capacity_mm3_s: f64,
    /// Window of the moving average, s.
    pub sustained_window_s: f64,
}

impl Record {
    /// A record that names this program and its version.
    pub fn of_this_program() -> Self {
        Self { tool: env!("CARGO_PKG_NAME"), version: env!("CARGO_PKG_VERSION"), ..Self::default() }
    }
}
