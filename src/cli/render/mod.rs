//! Puts values into words; knows nothing of streams and terminals.

pub mod audit;
pub mod blend;
pub mod changeover;
pub mod controller;
mod demand;
pub mod error;
pub mod feedstock;
pub mod hopper;
pub mod html;
pub mod json;
pub mod layout;
mod part;
mod parts;
pub mod plot;
pub mod plot_lines;
pub mod profile;
pub mod reconcile;
pub mod record;
pub mod replay;
pub mod screw;
pub mod spark;
pub mod summary;
pub mod weigh;
pub mod why;

use meltwright::findings::number;

#[cfg(test)]
mod sample;
