//! From weighings to a calibration: a purge test to run, a sheet to fill in, a curve to print by.
//!
//! - `plan` plans the test ([`Plan`]) and `gcode` writes it.
//! - `sheet` reads what was weighed ([`Sheet`]), cell by cell (`cells`).
//! - `curve` chooses how output follows screw speed ([`Curve`]), by what `evidence` tells; `judge` finds stray weighings,
//!   scatter and drift.
//! - `fitting` puts it all together ([`Fit::new`]); `caution` says what to mind, `section` writes lines for a profile.
//! - `conditions` says under which conditions a calibration holds ([`Conditions`], [`stale`]).

mod caution;
mod cells;
mod conditions;
mod curve;
mod evidence;
mod fit;
mod fitting;
mod gcode;
mod judge;
mod plan;
mod section;
mod sheet;

use crate::profile::{EUnit, OutputUnit, Screw};

pub use conditions::{Conditions, FeedMode, stale};
pub use curve::{Curve, Estimate, Model};
pub use evidence::Point;
pub use fit::{Caution, Fit, MeltLag, SpecificOutput, SpeedRow, WeighedRow};
pub use judge::Drift;
pub use plan::{AIM_DROOL_G, CAUTIONS, Pause, Plan, PlanOptions, PlannedDrool, PlannedRun};
pub use sheet::{Drool, SHEET_COLUMNS, SHEET_SETTINGS, Sheet, Weighing};

/// Least mass of a weighing, g. Common practice, no source: below, cut strands and drops count too much.
pub const LEAST_MASS_G: f64 = 10.0;

/// Share of confidence of every band.
pub const CONFIDENCE: f64 = 0.95;

/// Whether E of what is written counts turns of the screw, so that the controller need not know what a turn gives.
fn counts_turns(screw: &Screw) -> bool {
    match screw.output_e_unit.value {
        OutputUnit::ScrewTurns => true,
        OutputUnit::AsInFile => screw.e_unit.value == EUnit::ScrewTurns,
        OutputUnit::VirtualFilament | OutputUnit::Mm3 => false,
    }
}

/// A number with what it counts.
fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}
