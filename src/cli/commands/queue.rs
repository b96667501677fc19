//! `meltwright audit --jsonl`: many files, a line of JSON for each.

use meltwright::error::{Error, Result};
use meltwright::summary::{Level, Summary};

use super::audit::{exit, worst as worst_level};
use super::{folders, worse, write_report};
use crate::cli::args::Strictness;
use crate::cli::plan::{Json, Plan};
use crate::cli::progress::Progress;
use crate::cli::render::json;
use crate::cli::results::{Known, Results};
use crate::cli::{Exit, output, work};

/// How one file fared.
enum Judged {
    /// It was audited.
    Now(Box<Summary>),
    /// An earlier run had audited it.
    Before(Option<Level>),
}

/// Audits all files of `plan` (findings from `least` on count as errors), adds a line for each in their order, and says
/// how many there were.
///
/// # Errors
/// When the results are no results, or cannot be read or written. Failures of single files are shown, have lines of
/// their own and end up in the exit code.
pub fn run(plan: &Plan, strictness: &Strictness, least: Level, to: &Json) -> Result<Exit> {
    work::set_threads(plan.threads)?;
    let (mut results, known) = match to {
        Json::Stdout => (None, Known::default()),
        Json::File(path) => {
            let (results, known) = Results::open(path)?;
            (Some(results), known)
        }
    };
    let progress = Progress::of(plan.bars, plan.files());
    let mut counts = Counts::default();
    let mut worst = Exit::Done;
    let mut broken: Option<Error> = None;
    work::all(
        &plan.jobs,
        // One without its report is audited again.
        |job| match known.of(job, strictness).filter(|_| job.html.as_ref().is_none_or(|report| report.exists())) {
            Some(level) => Ok(Judged::Before(level)),
            None => work::one(job, &plan.options, &progress).map(|summary| Judged::Now(Box::new(summary))),
        },
        |job, outcome| {
            let add = || -> Result<()> {
                let line = match outcome {
                    Ok(Judged::Before(level)) => {
                        worst = worse(worst, counts.add(exit(level, least)));
                        counts.before += 1;
                        return Ok(());
                    }
                    Ok(Judged::Now(summary)) => {
                        worst = worse(worst, counts.add(exit(worst_level(&summary), least)));
                        write_report(job, &summary)?;
                        json::queued(job, &summary, strictness)?
                    }
                    Err(error) => {
                        if job.source.is_unread() {
                            counts.unread += 1
                        } else {
                            counts.failed += 1
                        }
                        worst = worse(worst, Exit::from(&error));
                        progress.aside(|| output::error(&error));
                        json::failed(job, &error, json::Spacing::Line)?
                    }
                };
                match &mut results {
                    Some(results) => results.append(&line),
                    None => progress.aside(|| output::to_stdout(&line)),
                }
            };
            if let Err(error) = add() {
                broken.get_or_insert(error);
            }
            if !job.source.is_unread() {
                progress.done();
            }
        },
    );
    drop(progress);
    output::to(plan.text, &counts.text(to))?;
    match broken {
        Some(error) => Err(error),
        None => Ok(worst),
    }
}

/// How many files fared how.
#[derive(Default)]
struct Counts {
    good: usize,
    wrong: usize,
    failed: usize,
    before: usize,
    unread: usize,
}

impl Counts {
    /// Counts a file, and hands its judgement on.
    fn add(&mut self, exit: Exit) -> Exit {
        match exit {
            Exit::Found => self.wrong += 1,
            _ => self.good += 1,
        }
        exit
    }

    fn text(&self, to: &Json) -> String {
        let Self { good, wrong, failed, before, unread } = self;
        let all = good + wrong + failed;
        let files = if all == 1 { "file" } else { "files" };
        let mut text = format!("{all} {files}: {good} good, {wrong} with errors found, {failed} failed");
        if *before > 0 {
            text.push_str(&format!("; {before} of them known from an earlier run"));
        }
        text.push_str(&folders(*unread));
        if let Json::File(path) = to {
            text.push_str(&format!("\nResults in {}", path.display()));
        }
        text + "\n"
    }
}
