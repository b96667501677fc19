//! The account of a file as JSON. Keys are only ever added.

use meltwright::error::{Error, Result};
use meltwright::pipeline::ReplayAccount;
use meltwright::summary::{
    Allowed, AssumedValue, Bin, Figures, Finding, HopperPlan, PartFigures, Record, Share, StopFigures, Summary,
};
use schemars::JsonSchema;
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
#[derive(Serialize, JsonSchema)]
pub struct Named<'a, T> {
    /// The file, as it was named.
    file: String,
    #[serde(flatten)]
    account: &'a T,
}

/// What an audit tells of a file.
#[derive(Serialize, JsonSchema)]
pub struct Audit<'a> {
    /// Figures of the file.
    before: &'a Figures,
    /// Starts and stops of the screw.
    stops: &'a StopFigures,
    /// What the part bears and how long its layers take, where that was looked at.
    #[serde(skip_serializing_if = "Option::is_none")]
    part: Option<&'a PartFigures>,
    /// What the reader should know or act on, worst first.
    findings: &'a [Finding],
    /// Findings that the profile allows, which are counted only.
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    allowed: &'a [Allowed],
    /// Assumed values of the profile that the result depends on.
    assumed: &'a [AssumedValue],
    /// By role of the bead, now and as a rewrite would make it.
    roles: &'a [Share],
    /// The same by band of layers.
    layer_bands: &'a [Share],
    /// Time and volume by demand, relative to the peak capacity.
    histogram: &'a [Bin],
    /// Where the result comes from.
    provenance: &'a Record,
    /// What the print takes from the hopper.
    #[serde(skip_serializing_if = "Option::is_none")]
    hopper: Option<&'a HopperPlan>,
}

/// A line of results.
#[derive(Serialize, JsonSchema)]
pub struct Queued<'a> {
    /// Lines that cannot be read were passed over.
    lenient: bool,
    /// Files that were rewritten before were let through.
    again: bool,
    #[serde(flatten)]
    audit: Audit<'a>,
}

/// Why there is no account.
#[derive(Serialize, JsonSchema)]
pub struct Failed {
    /// What stood in the way.
    error: String,
}

/// An account with the profile in force.
#[derive(Serialize, JsonSchema)]
pub struct Full<'a, T> {
    #[serde(flatten)]
    account: &'a T,
    /// The profile in force, value by value.
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
        part: summary.part.as_ref(),
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
#[derive(Serialize, JsonSchema)]
pub struct Replayed<'a> {
    /// The file that was executed.
    file: &'a str,
    /// The file it was made from.
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
        let chosen = Chosen { profile: Profile::embedded(), origin: String::new(), path: None };
        Job {
            source: Source::File("pads.gcode".into()),
            sink: Sink::Nowhere,
            profile: Arc::new(chosen),
            replay: false,
            html: None,
            folders: Arc::default(),
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

    /// What the text shows, with the shape of the record of a rewrite.
    #[test]
    fn an_audit_tells_of_the_part_as_a_rewrite_does() {
        let mut summary = sample::pads();
        summary.part = Some(PartFigures { modulus_mpa: 0.38, moves_along: vec!["y"], ..PartFigures::default() });
        let part = |text: String| serde_json::from_str::<serde_json::Value>(&text).unwrap()["part"].clone();
        let audited = part(audit(&job(), &summary, Spacing::Line).unwrap());
        assert_eq!(audited["modulus_mpa"], 0.38);
        assert_eq!(audited, part(rewrite(&job(), &summary, Spacing::Line).unwrap()));
        let queued = queued(&job(), &summary, &Strictness { lenient: false, again: false }).unwrap();
        assert_eq!(audited, part(queued));
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
