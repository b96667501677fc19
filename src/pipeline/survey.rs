//! A pass of its own over a file: what stands where.

use std::io::{Read, Seek};

use super::batch::{Batch, Spare};
use super::edits::Outgoing;
use super::intake::{Intake, no_commands};
use super::planning::Planning;
use super::prescan::prescan;
use super::ring::{self, Next, Work};
use super::{Options, assemble};
use crate::demand::capacity::Capacity;
use crate::error::{Error, ErrorKind, Result};
use crate::moves::resolve::{Resolver, Rules};
use crate::profile::{Excess, Profile};
use crate::source::block::BlockReader;
use crate::survey::{LayerRecord, SurveyAccount, Surveyor};

/// Reads `input` and gives a record of each layer, in the order of the file, with times as the file's own feeds and
/// the controller make them.
///
/// `input` is read from its start and left there, ready for a rewrite. What is found on the way is dropped, since a
/// rewrite finds it too. Of `options` only `lenient`, `again` and `block_size` count. The records depend on neither
/// threads nor block size; memory is bounded by the largest layer. `progress` is called with the bytes worked on so far.
///
/// ```
/// use meltwright::pipeline::{Options, survey::survey};
/// use meltwright::profile::Profile;
///
/// // One bead of 20 mm with 20 mm³, 0.5 mm above the bed: 2 mm wide.
/// let mut file = std::io::Cursor::new("M83\nG1 Z0.5 F600\nG1 X20 E20\n");
/// let profile = Profile::embedded_with(&["screw.e_unit=mm3".parse()?])?;
/// let mut layers = Vec::new();
/// let account = survey(&mut file, &profile, &Options::default(), &mut |_| {}, &mut |layer| layers.push(layer))?;
/// assert_eq!((account.layers, layers[0].islands.len()), (1, 1));
/// assert_eq!(layers[0].islands[0].bead_width_mm, 2.0);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// As [`super::rewrite`], but for writing.
pub fn survey<R: Read + Seek + Send>(
    input: &mut R,
    profile: &Profile,
    options: &Options,
    progress: &mut (dyn FnMut(u64) + Send),
    take: &mut (dyn FnMut(LayerRecord) + Send),
) -> Result<SurveyAccount> {
    let scan = prescan(input)?;
    if scan.settings.is_rewritten && !options.again {
        return Err(Error::new(ErrorKind::AlreadyRewritten));
    }
    let mut rules = Rules::new(profile, &scan.settings, options.lenient);
    // Nothing is written: long lines need not be split.
    rules.excess_e = Excess::Report;
    let (capacity, is_numbered) = (Capacity::of(profile), scan.settings.is_numbered);
    let choice = assemble::choice(profile, options.passes, &capacity, rules.e_volume_mm3, is_numbered);
    rules.lag_taken_out = assemble::lag_taken_out(profile, choice.how);
    let planning = Planning::new(profile, &rules);
    let mut intake = Intake::new(Resolver::new(rules, &scan.settings, options.again), planning, None);
    let mut surveyor = Surveyor::new(profile.nozzle.diameter_mm.value);
    let mut reader = BlockReader::new(&mut *input, scan.block_size(options.block_size));
    rest(&mut reader, &mut intake, &mut surveyor, progress, take)?;
    if !intake.has_commands {
        return Err(no_commands());
    }
    let mut last = Vec::new();
    let account = surveyor.finish(&mut last);
    last.into_iter().for_each(take);
    input.rewind().map_err(|error| Error::io("read the file", error))?;
    Ok(SurveyAccount { layers: intake.resolver.layer_count(), ..account })
}

/// What a surveyor makes of some moves.
#[derive(Debug, Default)]
pub struct Surveyed {
    /// Layers that they finish.
    pub layers: Vec<LayerRecord>,
    /// Number and object of the layer that they leave open.
    pub at: Option<(u32, u32)>,
}

impl Surveyed {
    /// Shows the next block to the surveyor.
    pub fn take(&mut self, surveyor: &mut Surveyor, block: &Outgoing) {
        surveyor.take(&block.moves, &block.before, &block.side, &mut self.layers);
        self.at = surveyor.at();
    }
}

/// Surveys all that `reader` still gives, but for the layer that is open in the end.
pub(super) fn rest<R: Read + Send>(
    reader: &mut BlockReader<R>,
    intake: &mut Intake,
    surveyor: &mut Surveyor,
    progress: &mut (dyn FnMut(u64) + Send),
    take: &mut (dyn FnMut(LayerRecord) + Send),
) -> Result<()> {
    let (mut bytes, spare) = (0, Spare::default());
    // What is made of the layers has a station of its own: with many towers that takes its time.
    let works: Vec<Work<'_, Batch>> = vec![
        Box::new(|batch| batch.fill(reader, None, &mut bytes)),
        Box::new(|batch| {
            batch.lex();
            Ok(Next::On)
        }),
        Box::new(|batch| batch.resolve(intake, &spare).map(|()| Next::On)),
        Box::new(|batch| {
            batch.survey(surveyor);
            spare.give(&mut batch.moves);
            Ok(Next::On)
        }),
        Box::new(|batch| {
            batch.surveyed.layers.drain(..).for_each(&mut *take);
            progress(batch.bytes);
            Ok(Next::On)
        }),
    ];
    ring::run(Batch::all(), works)?;
    let mut last = Batch::default();
    intake.finish(&mut last.moves);
    last.survey(surveyor);
    last.surveyed.layers.into_iter().for_each(take);
    Ok(())
}
