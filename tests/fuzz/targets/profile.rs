//! Profiles of any text, and a rewrite with those that load.
#![no_main]

#[path = "../../support/promises/mod.rs"]
mod promises;

use libfuzzer_sys::fuzz_target;

use promises::files::plain_with;
use promises::tables::loads_or_tells;

fuzz_target!(|text: &str| {
    if let Some(profile) = loads_or_tells(text, &[]) {
        plain_with(&profile);
    }
});
