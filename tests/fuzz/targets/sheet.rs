//! Sheets of weighings of any bytes.
#![no_main]

#[path = "../../support/promises/mod.rs"]
mod promises;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| promises::tables::fits_or_tells(bytes));
