//! Bytes in, bytes out: with `profile/find.rs` the only part of the library that touches the file system.
//!
//! [`Input`] makes a file or a stream seekable and refuses what is not plain G-code text; [`Replacement`] puts
//! a finished file in the place of another, or leaves everything as it was.

pub mod block;
mod held;
mod input;
mod leftover;
mod replace;
mod sniff;
mod stamp;

pub use input::{Input, scratch};
pub use replace::Replacement;
pub use sniff::{HEAD, sniff};
