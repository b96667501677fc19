//! Profiles in words.

use meltwright::profile::{Profile, Provenance};

use super::number::count;

/// The values in force as TOML, behind a line that says where they were found.
pub fn shown(profile: &Profile, origin: &str) -> String {
    let origin: String = origin.chars().map(|c| if c.is_control() { '?' } else { c }).collect();
    format!("# Profile: {origin}\n# Fingerprint {}; {}\n\n{}", profile.fingerprint(), assumed(profile), profile.show())
}

/// What a check without faults says.
pub fn checked(name: &str, profile: &Profile) -> String {
    format!("{name}: no faults; {}\n", assumed(profile))
}

fn assumed(profile: &Profile) -> String {
    let entries = profile.entries();
    let assumed = entries.iter().filter(|entry| entry.provenance == Provenance::Assumed).count();
    match entries.len() - assumed {
        0 => format!("all {} values are assumed, none is measured", count(assumed as u64)),
        measured => {
            format!(
                "{} of {} values are assumed, {} measured",
                count(assumed as u64),
                count(entries.len() as u64),
                count(measured as u64)
            )
        }
    }
}
