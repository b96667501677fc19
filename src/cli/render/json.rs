//! The account of a file as JSON. Keys are only ever added.

use meltwright::error::{Error, Result};
use meltwright::pipeline::ReplayAccount;
use meltwright::summary::{
    Allowed, AssumedValue, Bin, Figures, Finding, HopperPlan, Record, Share, StopFigures, Summary,
};
use serde::Serialize;

use super::record::{Value, values};
use crate::cli::args::Strictness;
use crate::cli::plan::Job;

/// How JSON is set out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spacing {
    /// On many lines, for reading.
    Pretty,
    /// On one line.
    Line,
}

/// An account with the file it is about.
#[derive(Serialize)]
struct Named<'a, T> {
    file: String,
    #[serde(flatten)]
    account: &'a T,
}

/// What an audit tells of a file.
#[derive(Serialize)]
struct Audit<'a> {
    before: &'a Figures,
    stops: &'a StopFigures,
    findings: &'a [Finding],
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    allowed: &'a [Allowed],
    assumed: &'a [AssumedValue],
    roles: &'a [Share],
    layer_bands: &'a [Share],
    histogram: &'a [Bin],
    provenance: &'a Record,
    #[serde(skip_serializing_if = "Option::is_none")]
    hopper: Option<&'a HopperPlan>,
}

/// A line of results.
#[derive(Serialize)]
struct Queued<'a> {
    lenient: bool,
    again: bool,
    #[serde(flatten)]
    audit: Audit<'a>,
}

/// Why there is no account.
#[derive(Serialize)]
struct Failed {
    error: String,
}

/// An account with the profile in force.
#[derive(Serialize)]
struct Full<'a, T> {
    #[serde(flatten)]
    account: &'a T,
    effective_profile: Vec<Value>,
}

impl<'a, T> Full<'a, T> {
    fn new(job: &Job, account: &'a T) -> Self {
        Self { account, effective_profile: values(&job.profile.profile) }
    }
}

/// The whole summary of a rewrite.
///
/// # Errors
/// None in practice: all values can be written.
pub fn rewrite(job: &Job, summary: &Summary, spacing: Spacing) -> Result<String> {
    named(job, &Full::new(job, summary), spacing)
}

/// What an audit found.
///
/// # Errors
/// As [`rewrite`].
pub fn audit(job: &Job, summary: &Summary, spacing: Spacing) -> Result<String> {
    named(job, &Full::new(job, &audited(summary)), spacing)
}

/// A line of results: what an audit found, and how strictly it read.
///
/// # Errors
/// As [`rewrite`].
pub fn queued(job: &Job, summary: &Summary, strictness: &Strictness) -> Result<String> {
    let Strictness { lenient, again } = *strictness;
    named(job, &Queued { lenient, again, audit: audited(summary) }, Spacing::Line)
}

fn audited(summary: &Summary) -> Audit<'_> {
    Audit {
        before: &summary.before,
        stops: &summary.stops,
        findings: &summary.findings,
        allowed: &summary.allowed,
        assumed: &summary.assumed,
        roles: &summary.changes.roles,
        layer_bands: &summary.changes.layer_bands,
        histogram: &summary.changes.histogram,
        provenance: &summary.provenance,
        hopper: summary.hopper.as_ref(),
    }
}

/// What a replay found.
#[derive(Serialize)]
struct Replayed<'a> {
    file: &'a str,
    against: Option<&'a str>,
    #[serde(flatten)]
    account: &'a ReplayAccount,
}

/// What a replay found.
///
/// # Errors
/// As [`rewrite`].
pub fn replay(file: &str, against: Option<&str>, account: &ReplayAccount) -> Result<String> {
    written(&Replayed { file, against, account }, Spacing::Pretty)
}

/// A file that could not be worked on.
///
/// # Errors
/// As [`rewrite`].
pub fn failed(job: &Job, error: &Error, spacing: Spacing) -> Result<String> {
    let error = error.to_string();
    named(job, &Failed { error }, spacing)
}

/// A value that is about no file.
///
/// # Errors
/// As [`rewrite`].
pub fn alone<T: Serialize>(value: &T) -> Result<String> {
    written(value, Spacing::Pretty)
}

fn named<T: Serialize>(job: &Job, account: &T, spacing: Spacing) -> Result<String> {
    let file = job.source.name();
    written(&Named { file, account }, spacing)
}

fn written(value: &impl Serialize, spacing: Spacing) -> Result<String> {
    let text = match spacing {
        Spacing::Pretty => serde_json::to_string_pretty(value),
        Spacing::Line => serde_json::to_string(value),
    };
    text.map(|text| text + "\n").map_err(|e| Error::io("write the account as JSON", e.into()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::plan::{Chosen, Sink, Source};
    use crate::cli::render::sample;
    use meltwright::profile::Profile;
    use std::sync::Arc;

    fn job() -> Job {
        let chosen = Chosen { profile: Profile::embedded(), origin: String::new() };
        Job {
            source: Source::File("pads.gcode".into()),
            sink: Sink::Nowhere,
            profile: Arc::new(chosen),
            replay: false,
            html: None,
        }
    }

    #[test]
    fn keys_of_an_audit() {
        let text = audit(&job(), &sample::refilled(), Spacing::Pretty).unwrap();
        let keys: Vec<&str> = text.lines().filter_map(|line| line.strip_prefix("  \"")?.split('"').next()).collect();
        let expected = [
            "file",
            "before",
            "stops",
            "findings",
            "assumed",
            "roles",
            "layer_bands",
            "histogram",
            "provenance",
            "hopper",
            "effective_profile",
        ];
        assert_eq!(keys, expected);
    }

    #[test]
    fn a_rewrite_on_one_line() {
        let text = rewrite(&job(), &sample::pads(), Spacing::Line).unwrap();
        assert_eq!(text.matches('\n').count(), 1);
        let value: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(value["file"], "pads.gcode");
        assert_eq!(value["changes"]["moves_slowed"], 1_296);
        assert_eq!(value["changes"]["by_reason"][0]["reason"], "peak-capacity");
    }

    #[test]
    fn a_failure() {
        let error = Error::new(meltwright::error::ErrorKind::AlreadyRewritten);
        let text = failed(&job(), &error, Spacing::Line).unwrap();
        assert_eq!(text, "{\"file\":\"pads.gcode\",\"error\":\"this file was already rewritten by meltwright\"}\n");
    }
}
