//! One module for each command.

pub mod audit;
pub mod blend;
pub mod changeover;
pub mod controller;
pub mod feedstock;
pub mod hook;
pub mod profile;
mod queue;
pub mod reconcile;
pub mod record;
pub mod replay;
pub mod rewrite;
pub mod schema;
pub mod screw;
pub mod shell;
pub mod weigh;
pub mod why;

use std::path::Path;

use meltwright::error::{Error, ErrorKind, Result};
use meltwright::summary::Summary;

use super::plan::{self, Job, Json, Plan, Sink};
use super::progress::Progress;
use super::render::html;
use super::render::json::{self, Spacing};
use super::{Exit, output, work};

/// Works on all files of `plan` and reports each: `text` puts a summary into words, `exit` judges it, `account`
/// makes the JSON of it.
fn each_file(
    plan: &Plan,
    text: impl Fn(&Job, &Summary) -> String,
    exit: impl Fn(&Summary) -> Exit,
    account: impl Fn(&Job, &Summary, Spacing) -> Result<String>,
) -> Result<Exit> {
    work::set_threads(plan.threads)?;
    let files = plan.files();
    let progress = Progress::of(plan.bars, files);
    let several = plan.jobs.len() > 1;
    let mut worst = Exit::Done;
    let (mut failed, mut unread, mut printed) = (0_usize, 0_usize, 0_usize);
    // Pretty for one file; one line for each of several, so that they can be read one by one.
    let spacing = if several { Spacing::Line } else { Spacing::Pretty };
    let mut accounts = String::new();
    let mut broken: Option<Error> = None;
    work::all(
        &plan.jobs,
        |job| work::one(job, &plan.options, &progress),
        |job, outcome| {
            let reported = progress.aside(|| match outcome {
                Ok(summary) => {
                    worst = worse(worst, exit(&summary));
                    if plan.json.is_some() {
                        accounts.push_str(&account(job, &summary, spacing)?);
                    }
                    write_report(job, &summary)?;
                    let gap = if printed > 0 { "\n" } else { "" };
                    printed += 1;
                    let words = text(job, &summary);
                    output::to(plan.text, &format!("{gap}{words}"))
                }
                Err(error) if !several && output::reader_left(&error) => Ok(()),
                Err(error) => {
                    if job.source.is_unread() {
                        unread += 1
                    } else {
                        failed += 1
                    }
                    worst = worse(worst, Exit::from(&error));
                    output::error(&error);
                    if plan.json.is_some() {
                        accounts.push_str(&json::failed(job, &error, spacing)?);
                    }
                    Ok(())
                }
            });
            if let Err(error) = reported {
                broken.get_or_insert(error);
            }
            if !job.source.is_unread() {
                progress.done();
            }
        },
    );
    drop(progress);
    if several {
        let words = if files == 1 { "file" } else { "files" };
        let tail = format!("\n{} of {files} {words} done, {failed} failed{}\n", files - failed, folders(unread));
        output::to(plan.text, &tail)?;
    }
    let told = match &plan.json {
        None => Ok(()),
        Some(Json::Stdout) => output::to_stdout(&accounts),
        Some(Json::File(path)) => write_text(path, &accounts),
    };
    // Files that were replaced are so by now.
    let rewrote = failed < files && plan.jobs.iter().any(|job| matches!(job.sink, Sink::File(_)));
    match broken.map_or(told, Err) {
        Err(error) if rewrote => Err(untold(&error)),
        told => told.map(|()| worst),
    }
}

/// What stands behind the counts of files where folders below a named one could not be read.
fn folders(unread: usize) -> String {
    match unread {
        0 => String::new(),
        1 => "; 1 folder could not be read".to_owned(),
        n => format!("; {n} folders could not be read"),
    }
}

/// The error where only the account is missing.
fn untold(error: &Error) -> Error {
    let why = match error.kind() {
        ErrorKind::Io { doing, source } => format!("could not {doing}: {source}"),
        other => other.to_string(),
    };
    let untold = Error::new(ErrorKind::Untold { what: why });
    match error.file() {
        Some(file) => untold.in_file(file),
        None => untold,
    }
}

/// Shows a result in words, and writes it as JSON where that was asked for.
fn tell(words: &str, json: Option<&Path>, account: &impl serde::Serialize) -> Result<()> {
    let json = json.map(plan::json);
    output::to(plan::text(false, json.as_ref()), words)?;
    json.map_or(Ok(()), |to| write_json(&to, account))
}

/// Writes a result as JSON.
fn write_json(to: &Json, account: &impl serde::Serialize) -> Result<()> {
    let text = json::alone(account)?;
    match to {
        Json::Stdout => output::to_stdout(&text),
        Json::File(path) => write_text(path, &text),
    }
}

/// Whether a picture is named so that it opens: it is always SVG.
///
/// # Errors
/// When it has another ending.
fn is_svg(path: Option<&Path>) -> Result<()> {
    match path.filter(|path| path.extension().is_none_or(|ending| !ending.eq_ignore_ascii_case("svg"))) {
        None => Ok(()),
        Some(path) => Err(Error::usage(
            format!("{} does not end in .svg", path.display()),
            "name the picture with the ending .svg, which every browser opens",
        )),
    }
}

/// Writes a text to a new file.
///
/// # Errors
/// As [`is_new`].
fn write_new(path: &Path, text: &str) -> Result<()> {
    is_new(path)?;
    write_text(path, text)
}

/// Whether a file is to be written that is not there: filled-in sheets and profiles are not written over.
///
/// # Errors
/// When something is there already, even a link that leads nowhere.
fn is_new(path: &Path) -> Result<()> {
    if path.symlink_metadata().is_ok() {
        return Err(Error::usage(
            format!("{} exists already and was left as it is", path.display()),
            "name a new file, or move the old one away",
        ));
    }
    Ok(())
}

/// Failures count more than findings, and a wrong command line or profile more than a failure.
fn worse(one: Exit, other: Exit) -> Exit {
    let weight = |exit| match exit {
        Exit::Done => 0,
        Exit::Found => 1,
        Exit::Failed => 2,
        Exit::Usage => 3,
    };
    if weight(other) > weight(one) { other } else { one }
}

/// Writes the report of a job, if one is wanted.
fn write_report(job: &Job, summary: &Summary) -> Result<()> {
    let Some(path) = &job.html else { return Ok(()) };
    job.folders.make(Some(path))?;
    write_text(path, &html::page(job, summary))
}

/// Writes a small text file, whole or not at all.
fn write_text(path: &Path, text: &str) -> Result<()> {
    use std::io::Write;
    let mut file = meltwright::source::Replacement::for_target(path)?;
    file.write_all(text.as_bytes()).map_err(|e| Error::io("write the file", e).in_file(path))?;
    file.commit()
}
