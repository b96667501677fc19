//! Puts values into words; knows nothing of streams and terminals.

pub mod audit;
pub mod error;
pub mod json;
mod layout;
mod number;
mod parts;
pub mod plot;
pub mod profile;
pub mod replay;
pub mod summary;
pub mod weigh;

#[cfg(test)]
mod sample;
