//! Bytes in, bytes out.

pub mod block;
