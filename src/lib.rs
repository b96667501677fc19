//! meltwright: rewrites and audits sliced G-code for a screw extruder and a soft part.
#![deny(missing_docs)]
#![forbid(unsafe_code)]

pub mod demand;
pub mod error;
pub mod findings;
pub mod line;
pub mod moves;
pub mod passes;
pub mod physics;
pub mod pipeline;
pub mod profile;
pub mod source;
pub mod summary;
pub mod units;
