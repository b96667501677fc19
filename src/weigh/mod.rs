//! From weighings to a calibration: a purge test to run, a sheet to fill in, a curve to print by.
//!
//! `plan` writes the test ([`Plan`]), `sheet` reads what was weighed ([`Sheet`]), `curve` chooses how output follows
//! screw speed ([`Curve`]), `fit` judges the weighings and puts everything together ([`Fit`]), `section` writes it as
//! part of a profile, and `conditions` says under which conditions a calibration holds ([`Conditions`]).

mod caution;
mod cells;
mod conditions;
mod curve;
mod fit;
mod gcode;
mod judge;
mod plan;
mod section;
mod sheet;

pub use conditions::{Conditions, FeedMode, stale};
pub use curve::{Curve, Estimate, Model, Point};
pub use fit::{Caution, Fit, MeltLag, SpecificOutput, SpeedRow, WeighedRow};
pub use judge::Drift;
pub use plan::{CAUTIONS, Pause, Plan, PlanOptions, PlannedDrool, PlannedRun};
pub use sheet::{Drool, SHEET_COLUMNS, SHEET_SETTINGS, Sheet, Weighing};

/// Share of confidence of every band.
pub const CONFIDENCE: f64 = 0.95;
