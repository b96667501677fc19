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
    if let Some(path) = &args.jsonl {
        return queue::run(&plan, &args.strictness, &plan::json(path));
    }
    each_file(&plan, |job, found| audit::text(&job.source.name(), found, plan.detail), exit, json::audit)
}

/// Whether errors were found.
pub fn exit(found: &Summary) -> Exit {
    if found.findings.iter().any(|f| f.level == Level::Error) { Exit::Found } else { Exit::Done }
}
