//! Whole rewrites of any bytes.
#![no_main]

#[path = "../../support/promises/mod.rs"]
mod promises;

use libfuzzer_sys::fuzz_target;

use promises::files::{Case, copied, judged, rewritten};

fuzz_target!(|bytes: &[u8]| {
    // The first byte chooses the setting.
    let Some((case, input)) = bytes.split_first() else { return };
    if case & 32 != 0 {
        copied(input);
        judged(input, Case::of(*case));
    }
    rewritten(input, Case::of(*case));
});
