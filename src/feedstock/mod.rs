//! What goes into the hopper: generic grades, recipes of several of them, and the change from one to another.
//!
//! - [`library`] holds generic grades, each value with its source.
//! - [`component`] reads what a recipe names: a share of a grade, or of values of the user's own.
//! - [`blend`] mixes components: density, stiffness, output, drying, and what speaks against mixing them.
//! - [`changeover`] says how much has to be purged, and where in a print the hopper has to be changed.

pub mod blend;
pub mod changeover;
pub mod component;
pub mod library;

use crate::error::{Error, ErrorKind};
use crate::physics::range::OutOfRange;

/// A wrong number or word that was typed, as an error of the command line.
fn usage(what: impl Into<String>, help: impl Into<String>) -> Error {
    Error::new(ErrorKind::Usage { what: what.into(), help: help.into() })
}

/// A number for which a model has no answer, as an error of the command line.
pub fn no_answer(refusal: OutOfRange) -> Error {
    usage(refusal.to_string(), "look at the sign and the unit of the number")
}
