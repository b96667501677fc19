//! The stations that a file goes through, from its bytes to its account.

use std::io::{Read, Seek, SeekFrom, Write};
use std::sync::atomic::{AtomicBool, Ordering};

use sha2::{Digest, Sha256};

use super::account::{e_unit, hexadecimal, summary};
use super::asked::Asked;
use super::assemble;
use super::batch::{Batch, Spare};
use super::drive::How;
use super::foresight::Foresight;
use super::granules::Granules;
use super::intake::{Intake, no_commands};
use super::judge::Judge;
use super::ledger::Ledger;
use super::limiter::Limiter;
use super::pauses::Pauses;
use super::planning::Planning;
use super::ring::{self, Next, Work};
use super::run::Run;
use super::scribe::{self, Scribe};
use super::stay::Stay;
use crate::error::{Error, Result};
use crate::findings::{Code, Place};
use crate::hopper::HopperPlan;
use crate::inspect::Inspection;
use crate::inspect::beads::Beads;
use crate::motion::braking::Braking;
use crate::moves::resolve::Resolver;
use crate::moves::settings::Lead;
use crate::passes::e_count::ECount;
use crate::soft::Terms;
use crate::source::block::BlockReader;
use crate::summary::course::Course;
use crate::summary::tally::Tally;
use crate::summary::{Record, Summary};
use crate::survey::{BeadSpeeds, Surveyor};

/// Where blocks come from.
pub struct Inlet<'a, R> {
    input: &'a mut R,
    block_size: usize,
    hash: Option<Sha256>,
    /// Bytes read.
    pub bytes: u64,
}

impl<'a, R: Read + Seek> Inlet<'a, R> {
    /// At the start of `input`, of which `block_size` bytes are read at a time; `names`: its SHA-256 is wanted.
    pub fn new(input: &'a mut R, block_size: usize, names: bool) -> Self {
        Self { input, block_size, hash: names.then(Sha256::new), bytes: 0 }
    }
}

/// Where they go.
pub struct Outlet<'a, W> {
    output: Option<&'a mut W>,
    hash: Option<Sha256>,
    written: u64,
    progress: &'a mut (dyn FnMut(u64) + Send),
}

impl<'a, W: Write> Outlet<'a, W> {
    /// Before the first byte of the output, if there is one; `names`: its SHA-256 is wanted. `progress` is told how many bytes
    /// of the input are done.
    pub fn new(output: Option<&'a mut W>, names: bool, progress: &'a mut (dyn FnMut(u64) + Send)) -> Self {
        let hash = output.as_ref().filter(|_| names).map(|_| Sha256::new());
        Self { output, hash, written: 0, progress }
    }

    fn take(&mut self, batch: &Batch) -> Result<()> {
        if self.output.is_some() {
            batch.texts().try_for_each(|text| self.put(text))?;
        }
        (self.progress)(batch.bytes);
        Ok(())
    }

    fn put(&mut self, text: &[u8]) -> Result<()> {
        if let Some(output) = &mut self.output {
            output.write_all(text).map_err(failed_to_write)?;
            self.written += text.len() as u64;
        }
        if let Some(hash) = &mut self.hash {
            hash.update(text);
        }
        Ok(())
    }

    fn end(&mut self, last: &[u8]) -> Result<()> {
        self.put(last)?;
        self.output.as_mut().map_or(Ok(()), |output| output.flush().map_err(failed_to_write))
    }
}

fn failed_to_write(error: std::io::Error) -> Error {
    Error::io("write the output", error)
}

/// How a round of all batches came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Round {
    /// The input has no more.
    Ended,
    /// No more is read until the file was [looked through](Stations::look_ahead), or the batches on their way have begun the
    /// next layer.
    Stopped,
}

/// Those who work on blocks, with all they know of the file so far.
pub struct Stations {
    intake: Intake,
    surveyor: Option<Surveyor>,
    foresight: Foresight,
    /// What a file that is only judged asks on average.
    asked: Option<Asked>,
    /// What decides on moves, where anything does.
    limits: Option<(Judge, Limiter)>,
    scribe: Scribe,
    ledger: Ledger,
    /// Letter of E, where an output is written.
    writes_as: Option<u8>,
    spare: Spare,
}

impl Stations {
    /// Before the first line. `refills`: where a pause goes, if any are written.
    pub fn new(run: &Run<'_>, refills: Option<&HopperPlan>) -> Self {
        let Run { profile, settings, options, ref capacity, .. } = *run;
        let planning = Planning::new(profile, &run.rules);
        let resolver = Resolver::new(run.rules.clone(), settings, options.again);
        let foresight = Foresight::new(run.terms.as_ref(), options.course);
        let output_motion = run.output_motion();
        let limits = run.foretells().then(|| {
            let grounds = run.grounds(&output_motion);
            (assemble::judge(grounds), assemble::limiter(grounds))
        });
        let mut pauses = Pauses::of(profile);
        pauses.stand_at(refills);
        // What a file that was rewritten before purges stands in it.
        if settings.is_rewritten || !Pauses::are_wanted(profile, run.passes) {
            pauses.purge_no_more();
        }
        let granules = Granules::new(profile, pauses.purge_mm3(), refills);
        let stay = run.terms.as_ref().map(|terms| Stay::new(assemble::soft(profile, terms), run.writes()));
        let terms = scribe::Terms {
            initial_feed_mm_s: profile.controller.initial_feed_mm_s.value,
            purpose: run.purpose,
            feeds_by_account: run.feeds_by_account(),
        };
        let most_mm3_s = if run.passes.capacity { capacity.peak_mm3_s } else { f64::INFINITY };
        let least = run.terms.as_ref().map_or([f64::INFINITY; 2], |terms| [terms.least_mm_s, terms.least_mm3_s]);
        let speeds = BeadSpeeds::new(most_mm3_s, least);
        Self {
            intake: Intake::new(resolver, planning, run.writes().then(|| run.marker())),
            surveyor: foresight.asks().then(|| Surveyor::new(profile.nozzle.diameter_mm.value).within(speeds)),
            foresight,
            asked: run.reports_demand().then(|| Asked::new(capacity)),
            limits,
            scribe: Scribe::new(run.drive(), pauses, stay, terms),
            ledger: ledger(run, granules),
            writes_as: run.writes().then(|| profile.screw.axis.value.to_ascii_uppercase()),
            spare: Spare::default(),
        }
    }

    /// Where the head may wait beside the part, the whole file tells where that is.
    ///
    /// # Errors
    /// As [`super::rewrite`], but for writing.
    pub fn look_beside<R: Read + Seek + Send>(&mut self, run: &Run<'_>, inlet: &mut Inlet<'_, R>) -> Result<()> {
        let looks = run.terms.as_ref().is_some_and(Terms::looks_beside);
        let Some(surveyor) = self.surveyor.take_if(|_| looks) else { return Ok(()) };
        self.foresight.look_through(surveyor, self.intake.clone(), inlet.input, 0, inlet.block_size)?;
        if let Some(plan) = self.foresight.plan().filter(|plan| plan.cools) {
            self.scribe.pauses.wait_beside(run.profile, plan.beside_mm);
        }
        Ok(())
    }

    /// Lets batches go round until the input ends, or too much waits for one layer.
    ///
    /// # Errors
    /// As [`super::rewrite`].
    pub fn go_round<R, W>(&mut self, inlet: &mut Inlet<'_, R>, outlet: &mut Outlet<'_, W>) -> Result<Round>
    where
        R: Read + Seek + Send,
        W: Write + Send,
    {
        let Self { intake, surveyor, foresight, asked, limits, scribe, ledger, writes_as, spare } = self;
        let Inlet { input, block_size, hash, bytes } = inlet;
        let spare = &*spare;
        let mut reader = BlockReader::new(&mut **input, *block_size);
        let is_full = AtomicBool::new(false);
        let mut round = Round::Ended;
        let mut works: Vec<Work<'_, Batch>> = vec![
            Box::new(|batch| {
                if is_full.load(Ordering::Relaxed) {
                    round = Round::Stopped;
                    return Ok(Next::End);
                }
                batch.fill(&mut reader, hash.as_mut(), bytes)
            }),
            Box::new(|batch| {
                batch.lex();
                Ok(Next::On)
            }),
            Box::new(|batch| batch.resolve(intake, spare).map(|()| Next::On)),
            Box::new(|batch| {
                if let Some(surveyor) = surveyor {
                    batch.survey(surveyor);
                }
                Ok(Next::On)
            }),
            Box::new(|batch| {
                batch.hold(foresight);
                is_full.store(foresight.is_full(), Ordering::Relaxed);
                Ok(Next::On)
            }),
            Box::new(|batch| {
                if let Some(asked) = asked {
                    batch.pass(|known, ready| asked.take_all(known, ready));
                }
                batch.limit(limits.as_mut());
                Ok(Next::On)
            }),
        ];
        works.extend(behind(scribe, ledger, *writes_as, spare, outlet));
        ring::run(Batch::all(), works)?;
        Ok(round)
    }

    /// Goes on behind a round that was stopped: where a layer is too large to be kept, the rest of the file is surveyed first.
    ///
    /// # Errors
    /// As [`super::rewrite`], but for writing.
    pub fn look_ahead<R: Read + Seek + Send>(&mut self, inlet: &mut Inlet<'_, R>) -> Result<()> {
        let Inlet { input, block_size, bytes, .. } = inlet;
        match self.surveyor.take_if(|_| self.foresight.is_full()) {
            Some(surveyor) => self.foresight.look_through(surveyor, self.intake.clone(), *input, *bytes, *block_size),
            // The batches that were on their way have begun the next layer.
            None => input.seek(SeekFrom::Start(*bytes)).map(|_| ()).map_err(|error| Error::io("read the file", error)),
        }
    }

    /// Lets go all that still waits for more, and ends the output.
    ///
    /// # Errors
    /// When the input has no command, or when writing fails.
    pub fn last_round<R, W: Write + Send>(&mut self, inlet: &Inlet<'_, R>, outlet: &mut Outlet<'_, W>) -> Result<()> {
        let mut last = Batch::default();
        self.intake.finish(&mut last.moves);
        if let Some(mut surveyor) = self.surveyor.take() {
            last.survey(&mut surveyor);
            self.foresight.end(surveyor, &mut last.surveyed);
        }
        last.hold(&mut self.foresight);
        if let Some(asked) = &mut self.asked {
            last.pass(|known, ready| {
                asked.take_all(known, ready);
                asked.finish(ready);
            });
        }
        last.limit_last(self.limits.as_mut());
        // Of a file of one layer that is all of it: it goes round as any other does.
        let (mut blocks, bytes) = (last.moves.into_iter(), inlet.bytes);
        let mut works: Vec<Work<'_, Batch>> = vec![Box::new(move |batch| {
            batch.bytes = bytes;
            batch.moves.extend(blocks.next());
            Ok(if batch.moves.is_empty() { Next::End } else { Next::On })
        })];
        works.extend(behind(&mut self.scribe, &mut self.ledger, self.writes_as, &self.spare, outlet));
        ring::run(Batch::all(), works)?;
        self.intake.resolver.finish();
        outlet.end(&if self.writes_as.is_some() { self.scribe.put_back() } else { Vec::new() })?;
        if self.intake.has_commands { Ok(()) } else { Err(no_commands()) }
    }

    /// What all of it came to.
    pub fn into_summary<R, W>(mut self, run: &Run<'_>, inlet: Inlet<'_, R>, outlet: Outlet<'_, W>) -> Summary {
        let record = Record {
            profile_fingerprint: run.profile.fingerprint(),
            passes: run.passes.names(),
            input_bytes: inlet.bytes,
            output_bytes: outlet.written,
            input_lines: self.intake.lines,
            input_sha256: inlet.hash.map_or_else(String::new, hexadecimal),
            output_sha256: outlet.hash.map_or_else(String::new, hexadecimal),
            input_is_output: run.settings.is_rewritten,
            input_written_with: run.settings.written_with.clone(),
            e_unit: e_unit(run.profile, run.settings),
            peak_capacity_mm3_s: run.capacity.peak_mm3_s,
            sustained_capacity_mm3_s: run.capacity.sustained_mm3_s,
            sustained_window_s: run.capacity.window_s,
            ..Record::of_this_program()
        };
        self.scribe.drive.finish();
        let (soft, grounds) = self.foresight.into_known();
        if let Some((course, grounds)) = self.ledger.course.as_mut().zip(grounds) {
            course.grounds = grounds;
        }
        summary(run, self.intake, soft, (self.scribe, self.ledger), record)
    }
}

/// What adds up, and for a file that is only judged reports.
fn ledger(run: &Run<'_>, granules: Granules) -> Ledger {
    let Run { profile, settings, options, ref capacity, .. } = *run;
    let inspection = Inspection::new(profile, capacity.screw_mm3_s, run.rules.e_leads);
    let mut ledger = Ledger::new(Tally::new(capacity), granules, inspection);
    let leads = settings.lead == Lead::AlongPath;
    if leads {
        ledger.findings.add(Code::Rewritten, || Place::of_file(run.told_capacity()));
    }
    if !run.writes() {
        ledger.beads = (!leads).then(|| Box::new(Beads::new(profile, settings)));
        ledger.outline = Some(Box::default());
        ledger.braking = Some(Braking::new(profile, run.own_motion()));
    } else if run.choice.how != How::AlongPath {
        // Where E leads the flow, what the controller makes of its steps is settled before the first line. Steps of E that the
        // file has itself are an audit's.
        let output_e = ECount::new(assemble::unit(profile, run.passes));
        if output_e.is_another_unit() {
            ledger.braking = Some(Braking::new(profile, run.output_motion()).at_stalls_alone());
            ledger.output_e = Some(output_e);
        }
    }
    ledger.is_output = leads;
    ledger.capacity = run.reports_demand().then(|| capacity.clone());
    ledger.course = options.course.then(|| Box::new(Course::new(capacity)));
    ledger
}

/// The stations behind the limiter. `writes_as`: letter of E, where an output is written.
fn behind<'a, W: Write + Send>(
    scribe: &'a mut Scribe,
    ledger: &'a mut Ledger,
    writes_as: Option<u8>,
    spare: &'a Spare,
    outlet: &'a mut Outlet<'_, W>,
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
            outlet.take(batch)?;
            spare.give(&mut batch.moves);
            Ok(Next::On)
        }),
    ]
}
