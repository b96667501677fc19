//! Works on files, several at a time, and hands the results over in the order the files were named.

use std::collections::BTreeMap;
use std::io::{Seek, Write};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;

use meltwright::error::{Error, Result};
use meltwright::pipeline::{self, Options, Original};
use meltwright::source::{Input, Replacement, scratch};
use meltwright::summary::Summary;

use super::output;
use super::plan::{Job, Sink, Source};
use super::progress::Progress;

/// Does one job. On an error the target is as it was; what went to standard output may be a part.
///
/// # Errors
/// Those of reading, rewriting and writing, with the file they are about.
pub fn one(job: &Job, options: &Options, progress: &Progress) -> Result<Summary> {
    let mut input = job.source.open()?;
    job.folders.make(job.target())?;
    let bar = progress.start(job.source.name(), input.len());
    let step = &mut |done| bar.at(done);
    let profile = &job.profile.profile;
    if job.replay {
        let outcome = replayed(job, input, options, step);
        return outcome.map_err(|error| in_source(error, &job.source));
    }
    let outcome = match &job.sink {
        Sink::Audit => {
            let judged = pipeline::audit(&mut input, profile, options, step);
            of_one_file(&input, judged)
        }
        Sink::Nowhere => {
            let judged = pipeline::rewrite(&mut input, &mut std::io::sink(), profile, options, step);
            of_one_file(&input, judged)
        }
        Sink::Stdout => {
            let written = pipeline::rewrite(&mut input, &mut output::gcode(), profile, options, step);
            of_one_file(&input, written)
        }
        Sink::File(target) => Replacement::for_target(target).and_then(|mut replacement| {
            let written = pipeline::rewrite(&mut input, &mut replacement, profile, options, step);
            let summary = of_one_file(&input, written).map_err(|error| in_source(error, &job.source))?;
            // Some systems refuse to replace a file that is still open.
            drop(input);
            replacement.commit()?;
            Ok(summary)
        }),
    };
    let mut summary = outcome.map_err(|error| in_source(error, &job.source))?;
    summary.provenance.profile.clone_from(&job.profile.origin);
    Ok(summary)
}

/// The outcome, unless the file was changed under way: what was read is then no file, whether it could be read or not.
fn of_one_file<T>(input: &Input, outcome: Result<T>) -> Result<T> {
    input.check_unchanged().and(outcome)
}

/// Rewrites into a temporary file, executes both files on the virtual machine, then hands the result on.
fn replayed(job: &Job, mut input: Input, options: &Options, step: &mut (dyn FnMut(u64) + Send)) -> Result<Summary> {
    let profile = &job.profile.profile;
    let mut written = scratch()?;
    let rewritten = pipeline::rewrite(&mut input, &mut written, profile, options, step);
    let mut summary = of_one_file(&input, rewritten)?;
    let beside = Original { input: &mut input, path: job.source.path() };
    let account = pipeline::replay(&mut written, Some(beside), profile, options, &mut |_| {});
    summary.replay = Some(of_one_file(&input, account)?.replay);
    summary.provenance.profile.clone_from(&job.profile.origin);
    let mut copy = |to: &mut dyn Write| -> Result<()> {
        let failed = |error| Error::io("write the output", error);
        written.rewind().map_err(failed)?;
        std::io::copy(&mut &written, to).and_then(|_| to.flush()).map_err(failed)
    };
    match &job.sink {
        Sink::Audit | Sink::Nowhere => {}
        Sink::Stdout => copy(&mut output::gcode())?,
        Sink::File(target) => {
            let mut replacement = Replacement::for_target(target)?;
            copy(&mut replacement)?;
            // Some systems refuse to replace a file that is still open.
            drop(input);
            replacement.commit()?;
        }
    }
    Ok(summary)
}

/// Names the file an error is about.
pub fn in_source(error: Error, source: &Source) -> Error {
    match source {
        Source::Stdin => error,
        Source::File(path) | Source::Unread(path, _) => error.in_file(path),
    }
}

/// Sets the number of threads all work is spread over.
///
/// # Errors
/// When the system gives no more threads.
pub fn set_threads(threads: Option<u16>) -> Result<()> {
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads.map_or(0, usize::from))
        .build_global()
        .map_err(|e| Error::io("start the threads", std::io::Error::other(e)))
}

/// Does `jobs` with `work`, as many at a time as there are threads, and calls `report` in their order.
///
/// Each file also spreads its own work over the threads; the workers here only keep them fed. A failed job
/// does not stop the others.
pub fn all<T: Send>(jobs: &[Job], work: impl Fn(&Job) -> Result<T> + Sync, mut report: impl FnMut(&Job, Result<T>)) {
    let workers = rayon::current_num_threads().min(jobs.len());
    let next = AtomicUsize::new(0);
    let (done, results) = mpsc::channel();
    thread::scope(|scope| {
        for _ in 0..workers {
            let (done, next, work) = (done.clone(), &next, &work);
            scope.spawn(move || {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(job) = jobs.get(index) else { break };
                    if done.send((index, work(job))).is_err() {
                        break;
                    }
                }
            });
        }
        drop(done);
        let mut early = BTreeMap::new();
        let mut waiting = jobs.iter().enumerate().peekable();
        for (index, outcome) in results {
            early.insert(index, outcome);
            while let Some((due, job)) = waiting.peek()
                && let Some(outcome) = early.remove(due)
            {
                report(job, outcome);
                waiting.next();
            }
        }
    });
}
