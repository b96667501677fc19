//! How much melt each layer of a file takes.

use std::io::{Read, Seek};

use super::account::other_profile;
use super::edits::Outgoing;
use super::intake::Intake;
use super::planning::Planning;
use super::prescan::prescan;
use crate::error::{Error, ErrorKind, Result};
use crate::line::Block;
use crate::moves::Move;
use crate::moves::resolve::{Resolver, Rules};
use crate::profile::Profile;
use crate::source::block::BlockReader;

/// Most layers that are told apart: eight bytes of memory each.
const MOST_LAYERS: usize = 1 << 20;
/// Bytes read at a time.
const BLOCK: usize = 64 * 1024;

/// Volume of new melt that the screw lays in each layer, mm³; the first entry is what is laid before layer 1.
///
/// The file streams through; only the list itself is kept. A file that was rewritten before is taken as well, since
/// that changed no volume. `progress` is called with the number of bytes worked on so far.
///
/// # Errors
/// As [`super::audit`]; and [`ErrorKind::Unsupported`] for a file that lays nothing, or has more than a million layers.
pub fn volume_by_layer<R: Read + Seek>(
    input: &mut R,
    profile: &Profile,
    lenient: bool,
    progress: &mut (dyn FnMut(u64) + Send),
) -> Result<Vec<f64>> {
    let mut layers = Vec::new();
    each_move(input, profile, lenient, progress, |step| add(&mut layers, step))?;
    if layers.iter().all(|volume| *volume <= 0.0) {
        return Err(lays_nothing());
    }
    Ok(layers)
}

/// Whether `input` was rewritten, and with another profile, so that what is told of it may hold for neither.
///
/// # Errors
/// When it cannot be read.
pub fn is_of_other_profile<R: Read + Seek>(input: &mut R, profile: &Profile) -> Result<bool> {
    Ok(other_profile(profile, &prescan(input)?.settings).is_some())
}

/// A file without melt.
pub(super) fn lays_nothing() -> Error {
    Error::new(ErrorKind::Unsupported {
        what: "the file lays no melt with this screw".to_owned(),
        help: "check screw.tools and screw.axis in the profile, and that the file is the sliced one".to_owned(),
    })
}

/// Shows each move of the screw to `see`. Files that were rewritten before are taken as well.
pub(super) fn each_move<R: Read + Seek>(
    input: &mut R,
    profile: &Profile,
    lenient: bool,
    progress: &mut (dyn FnMut(u64) + Send),
    mut see: impl FnMut(&Move) -> Result<()>,
) -> Result<()> {
    let scan = prescan(input)?;
    let rules = Rules::new(profile, &scan.settings, lenient);
    let planning = Planning::new(profile, &rules);
    let mut intake = Intake::new(Resolver::new(rules, &scan.settings, true), planning, None);
    let mut reader = BlockReader::new(input, BLOCK);
    let (mut block, mut bytes) = (Block::default(), 0);
    let (mut planned, mut spare) = (Vec::new(), Vec::new());
    let mut see_all = |planned: &mut Vec<Outgoing>, spare: &mut Vec<Outgoing>| {
        let moves = planned.iter().flat_map(|block| &block.moves);
        moves.filter(|step| step.has(Move::SCREW)).try_for_each(&mut see)?;
        spare.append(planned);
        Ok(())
    };
    while reader.next(&mut block.bytes)? {
        bytes += block.bytes.len() as u64;
        block.lex();
        intake.take(&mut block, spare.pop().unwrap_or_default(), &mut planned)?;
        see_all(&mut planned, &mut spare)?;
        progress(bytes);
    }
    intake.finish(&mut planned);
    see_all(&mut planned, &mut spare)
}

fn add(layers: &mut Vec<f64>, step: &Move) -> Result<()> {
    let layer = step.layer as usize;
    if layer >= MOST_LAYERS {
        return Err(Error::new(ErrorKind::Unsupported {
            what: format!("the file has more than {MOST_LAYERS} layers"),
            help: "give a file that is sliced in layers".to_owned(),
        }));
    }
    if layer >= layers.len() {
        layers.resize(layer + 1, 0.0);
    }
    if let Some(volume) = layers.get_mut(layer) {
        *volume += step.melt;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::{Options, audit};
    use proptest::prelude::*;
    use std::io::Cursor;

    fn profile() -> Profile {
        Profile::embedded_with(&["screw.e_unit=mm3".parse().unwrap()]).unwrap()
    }

    /// By hand: a purge of 30 mm³ and two layers of 40 and 25 mm³, one of them with a reversal and its refill.
    #[test]
    fn layers_by_hand() {
        let text = "M83\nG1 E30 F60\n;LAYER_CHANGE\nG1 Z0.5 F600\nG1 X20 E40 F600\nG1 E-5 F300\n;LAYER_CHANGE\n\
                    G1 Z1\nG1 E5\nG1 X0 E25\n";
        let layers = volume_by_layer(&mut Cursor::new(text), &profile(), false, &mut |_| {}).unwrap();
        assert_eq!(layers, [30.0, 40.0, 25.0]);
    }

    #[test]
    fn the_sum_is_that_of_the_audit() {
        let demo = include_str!("../../fixtures/demo/casting_pads.gcode");
        let profile = Profile::embedded();
        let layers = volume_by_layer(&mut Cursor::new(demo), &profile, false, &mut |_| {}).unwrap();
        let summary = audit(&mut Cursor::new(demo), &profile, &Options::default(), &mut |_| {}).unwrap();
        let sum: f64 = layers.iter().sum();
        assert!((sum / summary.before.volume_mm3 - 1.0).abs() < 1e-9, "{sum} {}", summary.before.volume_mm3);
        assert_eq!(layers.len() as u64, summary.before.layers + 1);
    }

    proptest! {
        #[test]
        fn no_input_makes_it_panic(text in "([GMT;(NXYZEF0-9. \\n-]|G1 X|E1|;LAYER_CHANGE\\n|G92 E0\\n){0,60}") {
            for lenient in [false, true] {
                let Ok(layers) = volume_by_layer(&mut Cursor::new(&text), &profile(), lenient, &mut |_| {}) else { continue };
                prop_assert!(layers.iter().all(|volume| volume.is_finite() && *volume >= 0.0));
            }
        }
    }

    #[test]
    fn a_file_without_melt_is_refused() {
        let error = volume_by_layer(&mut Cursor::new("G28\nG1 X5 F600\n"), &profile(), false, &mut |_| {}).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::Unsupported { .. }));
    }
}
