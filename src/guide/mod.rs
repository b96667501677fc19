//! Long reads: the library at work, and the way from a bag of granules to a part.
//!
//! - [`library`] reads a file as moves, rewrites one, audits and replays one, and fits a curve to weighings, each
//!   in a few lines that run.
//! - [`tutorial`] goes with the command line from granules by way of weighings to a printed and weighed part.
//!
//! Nothing is in these modules but words; every example in them is run by the tests.

#[doc = include_str!("library.md")]
pub mod library {}

#[doc = include_str!("tutorial.md")]
pub mod tutorial {}
