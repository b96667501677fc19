//! Pure models: numbers in, numbers out. No files, no profile, no G-code.

pub mod melt;
pub mod monotone;
pub mod regression;
pub mod screw;
pub mod student;
