//! `meltwright audit`

use meltwright::error::Result;
use meltwright::summary::Level;

use super::each_file;
use crate::cli::Exit;
use crate::cli::args::AuditArgs;
use crate::cli::plan::Plan;
use crate::cli::render::audit;
use crate::cli::render::json;

/// Says what files ask of the screw and where they ask too much.
///
/// # Errors
/// As for `rewrite`.
pub fn run(args: &AuditArgs) -> Result<Exit> {
    let plan = Plan::audit(args)?;
    each_file(
        &plan,
        |job, found| audit::text(&job.source.name(), found, plan.detail),
        |found| {
            if found.findings.iter().any(|f| f.level == Level::Error) { Exit::Found } else { Exit::Done }
        },
        json::audit,
    )
}
