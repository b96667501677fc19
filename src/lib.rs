//! meltwright: rewrites and audits sliced G-code for a screw extruder and a soft part.
#![deny(missing_docs)]
#![forbid(unsafe_code)]

pub mod error;
pub mod line;
pub mod pipeline;
pub mod profile;
pub mod source;
pub mod summary;
pub mod units;
