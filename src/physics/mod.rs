//! Pure models: numbers in, numbers out. No files, no profile, no G-code.
//!
//! Each formula stands with its symbols, units, tested ranges and source. What has no answer is an
//! [`range::OutOfRange`]; what lies outside the range a relation was made for has an answer, and says so.

pub mod buckling;
pub mod column;
pub mod cooling;
pub mod die;
pub mod drag;
pub mod estimate;
pub mod melt;
pub mod mixture;
pub mod monotone;
pub mod operating;
pub mod pump;
pub mod range;
pub mod regression;
pub mod screw;
pub mod stand;
pub mod stiffness;
pub mod student;
pub mod sway;
pub mod tanks;
pub mod viscosity;
