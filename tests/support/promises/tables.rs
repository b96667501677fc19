//! Profiles and sheets of weighings of any content.

use meltwright::error::{Error, ErrorKind};
use meltwright::profile::{Assignment, Entry, Profile, Provenance};
use meltwright::weigh::{Fit, Sheet};

/// Most of what one refusal may say, bytes for each byte of input and in any case.
const MOST_SAID: (usize, usize) = (64, 64 * 1024);

/// Values, provenance and notes, without the origins.
pub fn contents(profile: &Profile) -> Vec<(&'static str, String, Provenance, Option<String>)> {
    profile
        .entries()
        .into_iter()
        .map(|Entry { key, value, provenance, note, .. }| (key, value, provenance, note))
        .collect()
}

/// Any text gives a profile that can be shown and read back, or faults that point into the text.
pub fn loads_or_tells(text: &str, assignments: &[Assignment]) -> Option<Profile> {
    match Profile::load_with(text, "any", assignments) {
        Ok(profile) => {
            let again = Profile::load(&profile.show(), "shown").unwrap_or_else(|error| panic!("{error:?}"));
            assert_eq!(contents(&again), contents(&profile));
            assert_eq!(again.fingerprint(), profile.fingerprint());
            profile.cautions();
            Some(profile)
        }
        Err(error) => {
            let ErrorKind::Profile(faults) = error.kind() else { panic!("{error}") };
            assert!(!faults.is_empty());
            let lines = text.matches('\n').count() as u64 + 1;
            for excerpt in faults.iter().filter_map(|fault| fault.excerpt.as_ref()) {
                assert!((1..=lines).contains(&excerpt.line), "line {} of {lines}", excerpt.line);
                assert!(excerpt.start <= excerpt.end && excerpt.end <= excerpt.text.len());
            }
            says_little(&error, text.len());
            None
        }
    }
}

/// Any bytes are a sheet whose curve can be used, or are refused at a place with a remedy.
pub fn fits_or_tells(bytes: &[u8]) {
    let profile = Profile::embedded();
    let fit = match Sheet::read(bytes).and_then(|sheet| Fit::new(&sheet, &profile)) {
        Ok(fit) => fit,
        Err(error) => {
            assert!(matches!(error.kind(), ErrorKind::Sheet { .. }), "{error}");
            assert!(error.kind().help().is_some_and(|help| !help.is_empty()), "no remedy for {error}");
            return says_little(&error, bytes.len());
        }
    };
    assert!(fit.specific_output.mm3_rev.is_finite() && fit.specific_output.mm3_rev > 0.0, "{:?}", fit.specific_output);
    let mut last = 0.0;
    for speed in &fit.speeds {
        let flow = speed.curve.flow_mm3_s;
        assert!(flow.is_finite() && flow >= last, "{flow} mm3/s after {last}: {:?}", fit.speeds);
        last = flow;
    }
    // What is printed goes into the user's profile.
    let taken = Profile::load(&fit.profile_section, "section").unwrap_or_else(|error| panic!("{error:?}"));
    assert!(taken.entry("screw.max_speed_rpm").is_some());
}

/// A message does not grow out of proportion to what it is about.
fn says_little(error: &Error, given: usize) {
    let said = format!("{error:?}").len();
    assert!(said <= MOST_SAID.0 * given + MOST_SAID.1, "{said} bytes said about {given}");
}
