//! What a file asks for in all, to be held against a scale.

use std::io::{Read, Seek};

use serde::Serialize;

use super::account::other_profile;
use super::layers::{each_move, lays_nothing};
use super::prescan::prescan;
use crate::error::Result;
use crate::moves::resolve::output_e_volume_mm3;
use crate::profile::{EUnit, Output, OutputUnit, Profile};
use crate::units::{Density, Volume};

/// Units whose volumes differ by a smaller share are the same.
const SAME_UNIT: f64 = 1e-6;

/// What a file asks for.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Prediction {
    /// New melt that the screw is to lay, mm³: part, support, skirt and purge together.
    pub volume_mm3: f64,
    /// The same with the density of the profile, g.
    pub mass_g: f64,
    /// The file was written by this program.
    pub rewritten: bool,
    /// It was written with another profile than it is judged with: what a turn gives, density and strand may be others.
    pub other_profile: bool,
    /// And its E counts turns, or may: its unit is none of this profile's. What a turn gives is that of the other one then.
    pub turns_of_other_profile: bool,
    /// E counts turns of the screw, so that the specific output of the profile decides how much one gives; otherwise the
    /// controller does.
    pub counts_turns: bool,
}

/// Adds up what `input` asks for. A file that was rewritten states its unit of E itself.
///
/// # Errors
/// As [`super::layers::volume_by_layer`].
pub fn predict<R: Read + Seek>(
    input: &mut R,
    profile: &Profile,
    lenient: bool,
    progress: &mut (dyn FnMut(u64) + Send),
) -> Result<Prediction> {
    let scan = prescan(input)?;
    let screw = &profile.screw;
    // The file knows what it counts; a volume for a unit is a turn where that is what a turn gives.
    let counts_turns = match (scan.settings.stated_e_mm3, &screw.output.value) {
        _ if scan.settings.counts_turns => true,
        (Some(stated), Output::Constant(mm3_rev)) => {
            screw.output_e_unit.value == OutputUnit::ScrewTurns && (stated / mm3_rev - 1.0).abs() < SAME_UNIT
        }
        (Some(_), Output::Curve(_)) => false,
        (None, _) => screw.e_unit.value == EUnit::ScrewTurns,
    };
    let other_profile = other_profile(profile, &scan.settings).is_some();
    let own_unit = output_e_volume_mm3(profile).filter(|_| screw.output_e_unit.value != OutputUnit::ScrewTurns);
    // A cubic millimetre is one for any profile; no screw is so fine.
    let counts_own =
        |stated: f64| [own_unit, Some(1.0)].iter().flatten().any(|own| (stated / own - 1.0).abs() < SAME_UNIT);
    let may_count_turns = counts_turns || scan.settings.stated_e_mm3.is_some_and(|stated| !counts_own(stated));
    let mut volume_mm3 = 0.0;
    each_move(input, profile, lenient, progress, |step| {
        volume_mm3 += step.melt;
        Ok(())
    })?;
    if volume_mm3 <= 0.0 {
        return Err(lays_nothing());
    }
    let density = Density::from_g_cm3(profile.feedstock.density_g_cm3.value);
    Ok(Prediction {
        volume_mm3,
        mass_g: (Volume::from_mm3(volume_mm3) * density).as_g(),
        rewritten: scan.settings.is_rewritten,
        other_profile,
        turns_of_other_profile: other_profile && may_count_turns,
        counts_turns,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::layers::volume_by_layer;
    use crate::pipeline::{Options, rewrite};
    use std::io::Cursor;

    const DEMO: &str = include_str!("../../fixtures/demo/casting_pads.gcode");

    fn profile(set: &[&str]) -> Profile {
        Profile::embedded_with(&set.iter().map(|text| text.parse().unwrap()).collect::<Vec<_>>()).unwrap()
    }

    #[test]
    fn by_hand() {
        // 30 + 40 mm³ at 1.12 g/cm³; what is drawn back and refilled does not count.
        let text = "M83\nG1 E30 F60\nG1 X20 E40 F600\nG1 E-5 F300\nG1 E5\n";
        let found = predict(&mut Cursor::new(text), &profile(&["screw.e_unit=mm3"]), false, &mut |_| {}).unwrap();
        assert!((found.volume_mm3 - 70.0).abs() < 1e-9 && (found.mass_g - 0.0784).abs() < 1e-9);
        assert!(!found.rewritten && !found.other_profile && !found.counts_turns);
    }

    #[test]
    fn a_rewritten_file_asks_for_what_its_own_account_says() {
        for (set, turns) in [
            (&[][..], false),
            (&["screw.output_e_unit=screw-turns"], true),
            (&["screw.output_e_unit=mm3", "screw.lag_compensated_by=none"], false),
            (&["screw.output_e_unit=as-in-file", "screw.lag_compensated_by=controller"], false),
        ] {
            let profile = profile(set);
            let mut output = Vec::new();
            let options = Options::default();
            let summary = rewrite(&mut Cursor::new(DEMO), &mut output, &profile, &options, &mut |_| {}).unwrap();
            let screw = summary.screw;
            let found = predict(&mut Cursor::new(&output), &profile, false, &mut |_| {}).unwrap();
            assert!(found.rewritten && !found.other_profile && found.counts_turns == turns, "{set:?}");
            let given = screw.beads_mm3 + screw.charged_mm3 - screw.relieved_mm3;
            assert!((found.volume_mm3 / given - 1.0).abs() < 1e-4, "{set:?}: {given} {found:?}");
            let layers = volume_by_layer(&mut Cursor::new(&output), &profile, false, &mut |_| {}).unwrap();
            let in_all: f64 = layers.iter().sum();
            assert!((in_all / given - 1.0).abs() < 1e-4, "{set:?}: {given} {in_all}");
        }
    }

    /// The mark of the file says what its E counts, whatever unit the profile has meanwhile.
    #[test]
    fn a_file_is_believed_against_the_profile() {
        let (turns, curve) = ("screw.output_e_unit=screw-turns", "screw.output_curve=[[20, 8], [60, 15], [120, 28]]");
        for (written, read, is_turns) in [
            (&[turns, curve][..], &[curve][..], true),
            (&[turns], &[], false),
            (&[turns], &[turns], true),
            (&[], &[turns], false),
            (&[], &[turns, curve], false),
        ] {
            let mut output = Vec::new();
            let options = Options::default();
            rewrite(&mut Cursor::new(DEMO), &mut output, &profile(written), &options, &mut |_| {}).unwrap();
            let found = predict(&mut Cursor::new(&output), &profile(read), false, &mut |_| {}).unwrap();
            assert_eq!((found.counts_turns, found.other_profile), (is_turns, written != read), "{written:?} {read:?}");
            assert_eq!(found.turns_of_other_profile, written != read, "{written:?} {read:?}");
        }
        // The unit of both is a strand, which is as much in every profile.
        let mut output = Vec::new();
        rewrite(&mut Cursor::new(DEMO), &mut output, &profile(&[]), &Options::default(), &mut |_| {}).unwrap();
        for (read, of_other) in [("screw.specific_output_mm3_rev=16", false), ("screw.output_diameter_mm=8", true)] {
            let found = predict(&mut Cursor::new(&output), &profile(&[read]), false, &mut |_| {}).unwrap();
            assert_eq!((found.other_profile, found.turns_of_other_profile), (true, of_other), "{read}");
        }
        // So is a cubic millimetre.
        let mut output = Vec::new();
        let written = profile(&["screw.output_e_unit=mm3"]);
        rewrite(&mut Cursor::new(DEMO), &mut output, &written, &Options::default(), &mut |_| {}).unwrap();
        let found = predict(&mut Cursor::new(&output), &profile(&[]), false, &mut |_| {}).unwrap();
        assert!(found.other_profile && !found.turns_of_other_profile);
    }

    /// What a turn gives is taken at the speed it is executed at: in ramps it is another one.
    #[test]
    fn turns_along_a_curve_are_read_by_their_speed() {
        let set = ["screw.output_e_unit=screw-turns", "screw.output_curve=[[20, 8], [60, 15], [120, 28]]"];
        let profile = profile(&set);
        let mut output = Vec::new();
        let summary = rewrite(&mut Cursor::new(DEMO), &mut output, &profile, &Options::default(), &mut |_| {}).unwrap();
        let screw = summary.screw;
        let found = predict(&mut Cursor::new(&output), &profile, false, &mut |_| {}).unwrap();
        let given = screw.beads_mm3 + screw.charged_mm3 - screw.relieved_mm3;
        assert!(found.counts_turns && (found.volume_mm3 / given - 1.0).abs() < 0.01, "{given} {found:?}");
    }
}
