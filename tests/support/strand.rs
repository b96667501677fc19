//! Rewrites of short texts whose E counts a strand of 1.75 mm, on a part that neither sways nor has to cool.

#![allow(dead_code, reason = "each test file uses a part of it")]

use std::f64::consts::FRAC_PI_4;

use meltwright::pipeline::Options;
use meltwright::profile::Profile;
use meltwright::summary::Summary;

use crate::runs;

/// A unit of E of a strand of 1.75 mm, mm³.
pub const STRAND: f64 = FRAC_PI_4 * 1.75 * 1.75;

/// The profile, with more set over it.
pub fn profile(more: &[&str]) -> Profile {
    let set = ["screw.virtual_diameter_mm=1.75", "part.solid_temperature_c=none", "machine.part_moves=none"];
    runs::embedded(set.into_iter().chain(more.iter().copied()))
}

/// The output and its account.
pub fn rewrite(input: &str, more: &[&str]) -> (String, Summary) {
    let options = Options { hash: false, ..Options::default() };
    let (output, summary) = runs::rewrite(input.as_bytes(), &profile(more), &options).expect("a rewrite");
    (String::from_utf8(output).expect("plain text"), summary)
}

/// The number behind a letter.
pub fn word(line: &str, letter: char) -> f64 {
    let word = line.split([' ', '*']).find_map(|word| word.strip_prefix(letter));
    word.and_then(|number| number.parse().ok()).unwrap_or_else(|| panic!("no {letter}: {line}"))
}

/// Whether a finding was made.
pub fn has(summary: &Summary, code: &str) -> bool {
    summary.findings.iter().any(|finding| finding.code == code)
}
