//! Wires reading, lexing, resolving, passes and writing, in bounded memory.
//!
//! Ten jobs run side by side on batches of blocks that go round: reading, lexing, resolving ([`intake`]), surveying,
//! waiting for what is to be known (`foresight`), limiting ([`judge`], [`limiter`]), deciding ([`scribe`]), adding up ([`ledger`]),
//! formatting, writing. Order is kept throughout, so that the output does not depend on the number of threads or the size
//! of blocks.

mod account;
mod asked;
pub mod assemble;
mod batch;
pub mod compose;
pub mod drive;
pub mod edits;
pub mod expectations;
mod foresight;
mod granules;
mod in_force;
pub mod intake;
pub mod judge;
pub mod layers;
pub mod ledger;
pub mod limiter;
mod part;
mod pauses;
pub mod planning;
pub mod predict;
pub mod prescan;
pub mod queue;
mod replay;
mod ring;
mod run;
pub mod screw_account;
pub mod scribe;
mod stations;
mod stay;
pub mod survey;

use std::io::{Read, Seek, Write};

use crate::error::{Error, ErrorKind, Result};
use crate::findings::{Code, Findings, Place};
use crate::hopper::HopperPlan;
use crate::profile::Profile;
use crate::summary::{Record, Summary};
pub use account::digest;
use pauses::Pauses;
use prescan::{Prescan, prescan};
pub use replay::{Original, ReplayAccount, Rereadable, replay};
use run::Run;
use scribe::Purpose;
use stations::{Inlet, Outlet, Round, Stations};

/// Which passes run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Passes {
    /// Clamp each move to the peak, the screw and the sustained capacity.
    pub capacity: bool,
    /// Hold accelerations to what the melt can follow, and, with `starts`, write the E of beads so that flow follows.
    pub ramps: bool,
    /// Hold accelerations and speeds to what the soft part bears.
    pub softness: bool,
    /// Give each layer time to cool.
    pub layer_time: bool,
    /// Replace fixed reversals and refills by what the melt asks for.
    pub starts: bool,
    /// Count E in the unit of the output.
    pub scale: bool,
}

impl Passes {
    /// No pass: the output is the input, byte for byte.
    pub const NONE: Self =
        Self { capacity: false, ramps: false, softness: false, layer_time: false, starts: false, scale: false };
    /// Every pass.
    pub const ALL: Self =
        Self { capacity: true, ramps: true, softness: true, layer_time: true, starts: true, scale: true };
    /// Names of all passes, in the order they run.
    pub const NAMES: [&'static str; 6] = ["capacity", "ramps", "softness", "layer-time", "starts", "scale"];

    /// Switches the pass of this name on; says whether there is one.
    pub fn add(&mut self, name: &str) -> bool {
        match name {
            "capacity" => self.capacity = true,
            "ramps" => self.ramps = true,
            "softness" => self.softness = true,
            "layer-time" => self.layer_time = true,
            "starts" => self.starts = true,
            "scale" => self.scale = true,
            _ => return false,
        }
        true
    }

    /// Whether no pass runs.
    pub fn is_none(self) -> bool {
        !self.on().contains(&true)
    }

    /// Whether each runs, in the order of their names.
    fn on(self) -> [bool; 6] {
        [self.capacity, self.ramps, self.softness, self.layer_time, self.starts, self.scale]
    }

    /// Names of the passes that run, in the order they run.
    pub fn names(self) -> Vec<&'static str> {
        Self::NAMES.into_iter().zip(self.on()).filter(|(_, on)| *on).map(|(name, _)| name).collect()
    }
}

/// How a file is worked on; nothing here changes the result except what the names say.
#[derive(Clone, Debug)]
pub struct Options {
    /// Which passes run. Default: all.
    pub passes: Passes,
    /// Bytes read at a time, at most: of small files less, so that all threads have something to do. Default: 32 KiB. The
    /// result does not depend on it.
    pub block_size: usize,
    /// Pass lines through that cannot be read, with a warning, instead of stopping. Default: no.
    pub lenient: bool,
    /// Let a file with this program's marker through unchanged instead of refusing it. Default: no.
    pub again: bool,
    /// Name the input in the summary by its SHA-256, at about a fifteenth of the time. Default: yes.
    pub hash: bool,
    /// Keep what a report draws in [`Summary::course`]: series over time, and beads and islands of some layers, in a few
    /// megabytes at most. Default: no.
    pub course: bool,
    /// In an audit, work out what a rewrite would make of the file, too. Without, which takes three quarters of the time,
    /// [`Summary::after`] and [`Summary::changes`] say that nothing changes. Default: yes.
    pub foretell: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            passes: Passes::ALL,
            block_size: 32 * 1024,
            lenient: false,
            again: false,
            hash: true,
            course: false,
            foretell: true,
        }
    }
}

/// Rewrites `input` to `output` and says what was changed.
///
/// `input` is read from its start; it must not change meanwhile. `progress` is called with the number of bytes
/// worked on so far. The work is spread over the current rayon pool.
///
/// # Errors
/// When the input is not G-code, was rewritten before, holds a motion line that cannot be read (unless
/// `lenient`), gives no volume for E, or when reading or writing fails. `output` then holds a part of the text, which is of
/// no use.
pub fn rewrite<R: Read + Seek + Send, W: Write + Send>(
    input: &mut R,
    output: &mut W,
    profile: &Profile,
    options: &Options,
    progress: &mut (dyn FnMut(u64) + Send),
) -> Result<Summary> {
    if options.passes.is_none() {
        return copy(input, output, profile, options, progress);
    }
    let scan = prescan(input)?;
    if options.again && scan.settings.is_rewritten {
        return copy(input, output, profile, options, progress);
    }
    if !Pauses::are_wanted(profile, options.passes) {
        return run(input, &scan, Some(output), profile, options, None, progress);
    }
    // Where to stop is known only once the whole file was seen: it is run through once more.
    let look = Options { hash: false, course: false, ..options.clone() };
    let seen = run(input, &scan, Some(&mut std::io::sink()), profile, &look, None, &mut |_| {})?;
    input.rewind().map_err(|error| Error::io("read the file", error))?;
    run(input, &scan, Some(output), profile, options, seen.hopper.as_ref(), progress)
}

/// Reads `input` and says what a rewrite would find, and on request change, without writing anything.
///
/// # Errors
/// As [`rewrite`].
pub fn audit<R: Read + Seek + Send>(
    input: &mut R,
    profile: &Profile,
    options: &Options,
    progress: &mut (dyn FnMut(u64) + Send),
) -> Result<Summary> {
    let scan = prescan(input)?;
    run::<R, std::io::Sink>(input, &scan, None, profile, options, None, progress)
}

/// Copies `input` byte for byte; the figures are those of an audit, or are left out with a note.
fn copy<R: Read + Seek + Send, W: Write + Send>(
    input: &mut R,
    output: &mut W,
    profile: &Profile,
    options: &Options,
    progress: &mut (dyn FnMut(u64) + Send),
) -> Result<Summary> {
    let look = Options { passes: Passes::NONE, lenient: true, again: true, foretell: false, ..options.clone() };
    let judged = audit(input, profile, &look, &mut |_| {});
    let failed = |error| Error::io("read the file", error);
    input.rewind().map_err(failed)?;
    let mut buffer = vec![0; options.block_size.clamp(1, 1 << 20)];
    let mut copied = 0;
    loop {
        let read = input.read(&mut buffer).map_err(failed)?;
        if read == 0 {
            break;
        }
        output.write_all(&buffer[..read]).map_err(|error| Error::io("write the output", error))?;
        copied += read as u64;
        progress(copied);
    }
    output.flush().map_err(|error| Error::io("write the output", error))?;
    Ok(judged.map_or_else(
        |error| {
            let mut findings = Findings::default();
            findings.add(Code::NotJudged, || Place::of_file(error.to_string()));
            Summary {
                allowed: findings.allow(&profile.audit.allow.value),
                findings: findings.into_list(),
                provenance: Record { input_bytes: copied, output_bytes: copied, ..Record::of_this_program() },
                ..Summary::default()
            }
        },
        |mut summary| {
            summary.provenance.output_bytes = copied;
            summary.provenance.output_sha256.clone_from(&summary.provenance.input_sha256);
            summary
        },
    ))
}

/// Runs a file through all stations. `refills`: where a pause goes, if any are written.
fn run<R: Read + Seek + Send, W: Write + Send>(
    input: &mut R,
    scan: &Prescan,
    output: Option<&mut W>,
    profile: &Profile,
    options: &Options,
    refills: Option<&HopperPlan>,
    progress: &mut (dyn FnMut(u64) + Send),
) -> Result<Summary> {
    let purpose = if output.is_some() { Purpose::Rewrite } else { Purpose::Audit };
    let run = Run::new(profile, options, scan, purpose)?;
    let mut inlet = Inlet::new(input, scan.block_size(options.block_size), options.hash);
    let mut outlet = Outlet::new(output, options.hash, progress);
    let mut stations = Stations::new(&run, refills);
    stations.look_beside(&run, &mut inlet)?;
    while stations.go_round(&mut inlet, &mut outlet)? == Round::Stopped {
        stations.look_ahead(&mut inlet)?;
    }
    if inlet.bytes < scan.length {
        return Err(Error::new(ErrorKind::Changed));
    }
    stations.last_round(&inlet, &mut outlet)?;
    Ok(stations.into_summary(&run, inlet, outlet))
}
