//! `meltwright audit`

use meltwright::error::Result;
use meltwright::summary::{Level, Summary};

use super::{each_file, queue};
use crate::cli::Exit;
use crate::cli::args::AuditArgs;
use crate::cli::plan::{self, Plan};
use crate::cli::render::audit;
use crate::cli::render::json;

/// Says what files ask of the screw and where they ask too much.
///
/// # Errors
/// As for `rewrite`.
pub fn run(args: &AuditArgs) -> Result<Exit> {
    let plan = Plan::audit(args)?;
    // Levels are in the order of their weight.
    let least = match args.deny.as_deref() {
        Some("notes") => Level::Note,
        Some(_) => Level::Warning,
        None => Level::Error,
    };
    if let Some(path) = &args.jsonl {
        return queue::run(&plan, &args.strictness, least, &plan::json(path));
    }
    each_file(
        &plan,
        |job, found| audit::text(&job.source.name(), found, plan.detail),
        |found| exit(worst(found), least),
        json::audit,
    )
}

/// The weightiest level of what was found.
pub fn worst(found: &Summary) -> Option<Level> {
    found.findings.iter().map(|finding| finding.level).min()
}

/// Whether anything was found that weighs at least as much as `least`.
pub fn exit(worst: Option<Level>, least: Level) -> Exit {
    if worst.is_some_and(|level| level <= least) { Exit::Found } else { Exit::Done }
}
