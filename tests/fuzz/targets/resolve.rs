//! Moves of any lines.
#![no_main]

#[path = "../../support/promises/mod.rs"]
mod promises;

use libfuzzer_sys::fuzz_target;

use promises::files::{other_profile, profile};

fuzz_target!(|text: &[u8]| {
    promises::moves::any_lines(text, &profile(3.0, 1.0, 5.0));
    promises::moves::any_lines(text, &other_profile());
});
