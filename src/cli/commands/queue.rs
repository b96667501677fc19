//! `meltwright audit --jsonl`: many files, a line of JSON for each.

use meltwright::error::{Error, Result};
use meltwright::summary::Summary;

use super::audit::exit;
use super::{worse, write_text};
use crate::cli::args::Strictness;
use crate::cli::plan::{Json, Plan};
use crate::cli::progress::Progress;
use crate::cli::render::{html, json};
use crate::cli::results::{Known, Results};
use crate::cli::{Exit, output, work};

/// How one file fared.
enum Judged {
    /// It was audited.
    Now(Box<Summary>),
    /// An earlier run had audited it.
    Before(Exit),
}

/// Audits all files of `plan`, adds a line for each in their order, and says how many there were.
///
/// # Errors
/// When the results are no results, or cannot be read or written. Failures of single files are shown, have lines of
/// their own and end up in the exit code.
pub fn run(plan: &Plan, strictness: &Strictness, to: &Json) -> Result<Exit> {
    work::set_threads(plan.threads)?;
    let (mut results, known) = match to {
        Json::Stdout => (None, Known::default()),
        Json::File(path) => {
            let (results, known) = Results::open(path)?;
            (Some(results), known)
        }
    };
    let progress = Progress::of(plan.bars, plan.jobs.len());
    let mut counts = Counts::default();
    let mut worst = Exit::Done;
    let mut broken: Option<Error> = None;
    work::all(
        &plan.jobs,
        |job| match known.of(job, strictness) {
            Some(exit) => Ok(Judged::Before(exit)),
            None => work::one(job, &plan.options, &progress).map(|summary| Judged::Now(Box::new(summary))),
        },
        |job, outcome| {
            let add = || -> Result<()> {
                let line = match outcome {
                    Ok(Judged::Before(exit)) => {
                        counts.add(exit);
                        counts.before += 1;
                        worst = worse(worst, exit);
                        return Ok(());
                    }
                    Ok(Judged::Now(summary)) => {
                        counts.add(exit(&summary));
                        worst = worse(worst, exit(&summary));
                        if let Some(path) = &job.html {
                            write_text(path, &html::page(job, &summary))?;
                        }
                        json::queued(job, &summary, strictness)?
                    }
                    Err(error) => {
                        counts.failed += 1;
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
            progress.done();
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
}

impl Counts {
    fn add(&mut self, exit: Exit) {
        match exit {
            Exit::Found => self.wrong += 1,
            _ => self.good += 1,
        }
    }

    fn text(&self, to: &Json) -> String {
        let Self { good, wrong, failed, before } = self;
        let all = good + wrong + failed;
        let files = if all == 1 { "file" } else { "files" };
        let mut text = format!("{all} {files}: {good} good, {wrong} with errors found, {failed} failed");
        if *before > 0 {
            text.push_str(&format!("; {before} of them known from an earlier run"));
        }
        if let Json::File(path) = to {
            text.push_str(&format!("\nResults in {}", path.display()));
        }
        text + "\n"
    }
}
