//! Lines and words of any bytes.
#![no_main]

#[path = "../../support/promises/mod.rs"]
mod promises;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &[u8]| {
    // The first byte chooses where the block is cut.
    let cut = text.first().map_or(0, |byte| usize::from(*byte));
    promises::lines::cut_before(text, cut % (1 + line_ends(text)));
    promises::lines::edited(text);
});

/// Line ends in a text.
fn line_ends(text: &[u8]) -> usize {
    text.iter().filter(|byte| **byte == b'\n').count()
}
