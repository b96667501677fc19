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
pub mod scribe;
mod stay;
pub mod survey;

use std::io::{Read, Seek, SeekFrom, Write};
use std::sync::atomic::{AtomicBool, Ordering};

use sha2::{Digest, Sha256};

use crate::demand::capacity::Capacity;
use crate::error::{Error, ErrorKind, Result};
use crate::findings::{Code, Finding, Level, Place};
use crate::hopper::HopperPlan;
use crate::inspect::Inspection;
use crate::inspect::beads::Beads;
use crate::line::number::power_of_ten;
use crate::motion::Planner;
use crate::motion::braking::Braking;
use crate::motion::rules::{EVolumes, MotionRules};
use crate::moves::resolve::{MARKER, MARKER_E, Resolver, Rules};
use crate::passes::e_count::{DECIMALS, Unit};
use crate::profile::{Excess, Profile};
use crate::soft::Terms;
use crate::source::block::BlockReader;
use crate::summary::course::{Course, Outline};
use crate::summary::tally::Tally;
use crate::summary::{Record, Summary};
use crate::survey::Surveyor;
pub use account::digest;
use account::{Run, e_unit, hexadecimal, summary};
use asked::Asked;
use assemble::Grounds;
use batch::{Batch, Spare};
use drive::How;
use edits::Outgoing;
use foresight::Foresight;
use granules::Granules;
use intake::Intake;
use ledger::Ledger;
use pauses::Pauses;
use planning::Planning;
use prescan::{Prescan, prescan};
pub use replay::{Original, ReplayAccount, Rereadable, replay};
use ring::{Next, Work};
use scribe::{Purpose, Scribe};
use stay::Stay;

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
/// `lenient`), gives no volume for E, or when reading or writing fails.
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
        |error| Summary {
            findings: vec![Finding {
                level: Level::Note,
                code: "not-judged",
                what: format!("the file was copied as it is; its figures are missing: {error}"),
                why: "nothing is known of what it asks of the screw".to_owned(),
                help: error.kind().help().unwrap_or_else(|| "nothing needs to be done".to_owned()),
                count: 1,
                places: Vec::new(),
                worst_first: false,
            }],
            provenance: Record { input_bytes: copied, output_bytes: copied, ..Record::of_this_program() },
            ..Summary::default()
        },
        |mut summary| {
            summary.provenance.output_bytes = copied;
            summary.provenance.output_sha256.clone_from(&summary.provenance.input_sha256);
            summary
        },
    ))
}

/// An output whose bytes are hashed on the way.
struct Hashed<'a, W> {
    output: &'a mut W,
    hash: Option<Sha256>,
}

impl<W: Write> Write for Hashed<'_, W> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let written = self.output.write(bytes)?;
        if let Some(hash) = &mut self.hash {
            hash.update(bytes.get(..written).unwrap_or_default());
        }
        Ok(written)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.output.flush()
    }
}

/// What a file is judged by, and the passes it goes through. `e_mm3`: volume of a unit of E, where this program wrote it.
///
/// Nothing of an output is to be changed any more, and its E, which leads the flow, tells neither how wide beads are nor what
/// the part bears: that is told of the file before.
fn capacity_and_passes(profile: &Profile, passes: Passes, e_mm3: Option<f64>) -> (Capacity, Passes) {
    match e_mm3 {
        Some(e_mm3) => {
            let capacity = Capacity::of_output(profile, e_mm3 / power_of_ten(DECIMALS));
            (capacity, Passes { capacity: passes.capacity, ..Passes::NONE })
        }
        None => (Capacity::of(profile), passes),
    }
}

/// The capacity by which an output is judged, in words: what it has beyond that of other files.
fn told_of_capacity(profile: &Profile, capacity: &Capacity) -> String {
    let (peak, sustained) = (capacity.peak_mm3_s, capacity.sustained_mm3_s);
    let kept_up = Capacity::of(profile).sustained_mm3_s;
    let stored = (sustained - kept_up) * capacity.window_s;
    let of_which = match stored < 0.05 {
        true => String::new(),
        false => {
            format!(
                ": {kept_up:.1} mm³/s kept up, and {stored:.1} mm³ stored before the nozzle over {} s",
                capacity.window_s
            )
        }
    };
    format!("{peak:.1} mm³/s at once, {sustained:.1} mm³/s on average{of_which}")
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
    if scan.settings.is_rewritten && !options.again {
        return Err(Error::new(ErrorKind::AlreadyRewritten));
    }
    let purpose = if output.is_some() { Purpose::Rewrite } else { Purpose::Audit };
    let foretells = purpose == Purpose::Rewrite || options.foretell;
    let mut rules = Rules::new(profile, &scan.settings, options.lenient);
    let own_e_mm3 = rules.e_volume_mm3.filter(|_| rules.e_leads);
    let (capacity, passes) = capacity_and_passes(profile, options.passes, own_e_mm3);
    if purpose == Purpose::Audit {
        // What a rewrite would split is named.
        rules.excess_e = Excess::Report;
    }
    let e_mm3 = match assemble::unit(profile, passes) {
        Unit::AsInFile => None,
        unit => assemble::output_volume(&unit, None),
    };
    let mark = (purpose == Purpose::Rewrite).then(|| marker(profile, e_mm3));
    let choice = assemble::choice(profile, passes, &capacity, rules.e_volume_mm3);
    if purpose == Purpose::Rewrite {
        rules.lag_taken_out = assemble::lag_taken_out(profile, choice.how);
        rules.has_own_e_unit = assemble::unit(profile, passes) != Unit::AsInFile;
    }
    let output_volumes = assemble::output_volumes(profile, passes, &rules);
    let drive = match foretells {
        true => assemble::drive(profile, passes, &capacity, choice.how, output_volumes),
        false => assemble::drive(profile, Passes::NONE, &capacity, How::Not, output_volumes),
    };
    let own_rules = MotionRules::with_e(profile, EVolumes::of(&rules));
    let output_rules = MotionRules::with_e(profile, output_volumes);
    let planning = Planning::new(Planner::new(&own_rules));
    let mut intake = Intake::new(Resolver::new(rules, &scan.settings, options.again), planning, mark);
    let initial_feed = profile.controller.initial_feed_mm_s.value;
    let (sways, cools) = (passes.softness, passes.layer_time);
    let judged_by = (sways || cools).then(|| Terms::of(profile, sways, cools)).flatten();
    let mut foresight = Foresight::new(judged_by.as_ref(), options.course);
    let mut surveyor = foresight.asks().then(|| Surveyor::new(profile.nozzle.diameter_mm.value));
    let block_size = scan.block_size(options.block_size);
    let mut pauses = Pauses::of(profile);
    pauses.stand_at(refills);
    if let Some(surveyor) = surveyor.take_if(|_| judged_by.as_ref().is_some_and(Terms::looks_beside)) {
        foresight.look_through(surveyor, intake.clone(), input, 0, block_size)?;
        if let Some(plan) = foresight.plan().filter(|plan| plan.cools) {
            pauses.wait_beside(profile, plan.beside_mm);
        }
    }
    let mut asked = (purpose == Purpose::Audit && passes.capacity).then(|| Asked::new(&capacity));
    let mut limits = foretells.then(|| {
        let (how, terms, capacity, rules) = (choice.how, judged_by.as_ref(), &capacity, &output_rules);
        let grounds = Grounds { profile, passes, capacity, how, terms, rules };
        (assemble::judge(grounds), assemble::limiter(grounds))
    });
    let accel_words = profile.controller.accel_words.value;
    let stay = |terms| Stay::new(assemble::soft(profile, terms), purpose == Purpose::Rewrite);
    let stay = judged_by.as_ref().map(stay);
    let granules = Granules::new(profile, pauses.purge_mm3());
    let terms = scribe::Terms { initial_feed_mm_s: initial_feed, accel_words, purpose };
    let mut scribe = Scribe::new(drive, pauses, stay, terms);
    let inspection = Inspection::new(profile, scan.settings.is_rewritten);
    let tally = Tally::new(&capacity);
    let mut ledger = Ledger::new(tally, granules, inspection);
    if scan.settings.is_rewritten {
        ledger.findings.add(Code::Rewritten, || Place::of_file(told_of_capacity(profile, &capacity)));
    }
    if purpose == Purpose::Audit {
        ledger.beads = (!scan.settings.is_rewritten).then(|| Box::new(Beads::new(profile, &scan.settings)));
        ledger.outline = Some(Box::new(Outline::new(&capacity)));
        ledger.braking = Some(Braking::new(profile, own_rules));
        ledger.capacity = passes.capacity.then(|| capacity.clone());
    }
    ledger.course = options.course.then(|| Box::new(Course::new(&capacity)));
    let e_letter = profile.screw.axis.value.to_ascii_uppercase();
    let mut hash = options.hash.then(Sha256::new);
    let mut output = output.map(|output| Hashed { output, hash: options.hash.then(Sha256::new) });
    let (mut bytes, mut written) = (0, 0);
    let mut write = |batch: &mut Batch| -> Result<()> {
        if let Some(output) = output.as_mut() {
            written += batch.write(output)?;
        }
        Ok(())
    };
    let writes_as = (purpose == Purpose::Rewrite).then_some(e_letter);
    let spare = Spare::default();
    loop {
        let mut reader = BlockReader::new(&mut *input, block_size);
        let is_full = AtomicBool::new(false);
        let mut is_stopped = false;
        let mut works: Vec<Work<'_, Batch>> = vec![
            Box::new(|batch| {
                is_stopped = is_full.load(Ordering::Relaxed);
                if is_stopped { Ok(Next::End) } else { batch.fill(&mut reader, hash.as_mut(), &mut bytes) }
            }),
            Box::new(|batch| {
                batch.lex();
                Ok(Next::On)
            }),
            Box::new(|batch| batch.resolve(&mut intake, &spare).map(|()| Next::On)),
            Box::new(|batch| {
                if let Some(surveyor) = &mut surveyor {
                    batch.survey(surveyor);
                }
                Ok(Next::On)
            }),
            Box::new(|batch| {
                batch.hold(&mut foresight);
                is_full.store(foresight.is_full(), Ordering::Relaxed);
                Ok(Next::On)
            }),
            Box::new(|batch| {
                if let Some(asked) = &mut asked {
                    batch.pass(|known, ready| asked.take_all(known, ready));
                }
                batch.limit(limits.as_mut());
                Ok(Next::On)
            }),
        ];
        works.extend(behind(&mut scribe, &mut ledger, writes_as, &mut write, &spare, progress));
        ring::run(Batch::all(), works)?;
        if !is_stopped {
            break;
        }
        match surveyor.take_if(|_| foresight.is_full()) {
            Some(surveyor) => foresight.look_through(surveyor, intake.clone(), input, bytes, block_size)?,
            // The batches that were on their way have begun the next layer.
            None => {
                input.seek(SeekFrom::Start(bytes)).map(|_| ()).map_err(|error| Error::io("read the file", error))?
            }
        }
    }
    if bytes < scan.length {
        return Err(Error::new(ErrorKind::Changed));
    }
    let mut last = Batch::default();
    intake.finish(&mut last.moves);
    if let Some(mut surveyor) = surveyor {
        last.survey(&mut surveyor);
        foresight.end(surveyor, &mut last.surveyed);
    }
    last.hold(&mut foresight);
    if let Some(asked) = &mut asked {
        last.pass(|known, ready| {
            asked.take_all(known, ready);
            asked.finish(ready);
        });
    }
    last.limit_last(limits.as_mut());
    // Of a file of one layer that is all of it: it goes round as any other does.
    let mut works = vec![hand_in(last.moves, bytes)];
    works.extend(behind(&mut scribe, &mut ledger, writes_as, &mut write, &spare, progress));
    ring::run(Batch::all(), works)?;
    intake.resolver.finish();
    let lowered_from = limits.as_ref().map_or([None; 2], |(_, limiter)| limiter.lowered_from());
    let put_back = if purpose == Purpose::Rewrite { scribe.put_back(lowered_from) } else { Vec::new() };
    if let Some(output) = &mut output {
        output.write_all(&put_back).map_err(|error| Error::io("write the output", error))?;
        written += put_back.len() as u64;
        output.flush().map_err(|error| Error::io("write the output", error))?;
    }
    if !intake.has_commands {
        return Err(no_commands());
    }
    let record = Record {
        profile_fingerprint: profile.fingerprint(),
        passes: passes.names(),
        input_bytes: bytes,
        output_bytes: written,
        input_lines: intake.lines,
        input_sha256: hash.map_or_else(String::new, hexadecimal),
        output_sha256: output.and_then(|output| output.hash).map_or_else(String::new, hexadecimal),
        e_unit: e_unit(profile, &scan.settings),
        peak_capacity_mm3_s: capacity.peak_mm3_s,
        sustained_capacity_mm3_s: capacity.sustained_mm3_s,
        sustained_window_s: capacity.window_s,
        ..Record::of_this_program()
    };
    scribe.drive.finish();
    let (soft, grounds) = foresight.into_known();
    if let Some((course, grounds)) = ledger.course.as_mut().zip(grounds) {
        course.grounds = grounds;
    }
    let run = Run { profile, settings: &scan.settings, capacity: &capacity, passes, choice, output_volumes };
    Ok(summary(&run, intake.resolver, soft, (scribe, ledger), record))
}

/// Fills batches with blocks that are there, one each; `bytes`: what was read up to their end.
fn hand_in<'a>(blocks: Vec<Outgoing>, bytes: u64) -> Work<'a, Batch> {
    let mut blocks = blocks.into_iter();
    Box::new(move |batch| {
        batch.bytes = bytes;
        batch.moves.extend(blocks.next());
        Ok(if batch.moves.is_empty() { Next::End } else { Next::On })
    })
}

/// The stations behind the limiter. `writes_as`: letter of E, where an output is written.
fn behind<'a>(
    scribe: &'a mut Scribe,
    ledger: &'a mut Ledger,
    writes_as: Option<u8>,
    write: &'a mut (dyn FnMut(&mut Batch) -> Result<()> + Send),
    spare: &'a Spare,
    progress: &'a mut (dyn FnMut(u64) + Send),
) -> [Work<'a, Batch>; 4] {
    [
        Box::new(|batch| {
            batch.moves.iter_mut().for_each(|block| scribe.decide(block));
            Ok(Next::On)
        }),
        Box::new(|batch| {
            batch.moves.iter_mut().for_each(|block| ledger.enter(block));
            Ok(Next::On)
        }),
        Box::new(move |batch| {
            if let Some(e_letter) = writes_as {
                batch.compose(e_letter);
            }
            Ok(Next::On)
        }),
        Box::new(|batch| {
            write(batch)?;
            spare.give(&mut batch.moves);
            progress(batch.bytes);
            Ok(Next::On)
        }),
    ]
}

/// A file of prose or comments.
fn no_commands() -> Error {
    Error::new(ErrorKind::NotGcode {
        what: "there is no G-code command in this file".to_owned(),
        help: "give the plain G-code file the slicing program exports".to_owned(),
    })
}

/// The marker line: short enough for every controller, plain ASCII, no parentheses.
fn marker(profile: &Profile, e_mm3: Option<f64>) -> Vec<u8> {
    let mut text = MARKER.to_vec();
    let version = env!("CARGO_PKG_VERSION");
    let rest = format!(" {version}, profile {}", profile.fingerprint());
    text.extend_from_slice(rest.as_bytes());
    if let Some(volume) = e_mm3 {
        text.extend_from_slice(format!("{MARKER_E}{volume} mm3").as_bytes());
    }
    text
}
