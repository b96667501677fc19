//! What holds whatever the program is given. Each function takes input of any kind and panics, with a message that says
//! what, where something does not hold. The tests feed them with made input in bounded numbers, the fuzz targets of
//! `tests/fuzz/` for as long as one likes.

#![allow(dead_code, reason = "each test file and each target uses a part of it")]

pub mod files;
pub mod lines;
pub mod moves;
pub mod tables;
