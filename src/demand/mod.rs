//! What the moves ask of the machine, and what the machine can give.

pub mod average;
pub mod capacity;
