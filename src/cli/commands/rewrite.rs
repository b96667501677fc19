//! `meltwright rewrite`

use meltwright::error::Result;

use super::each_file;
use crate::cli::Exit;
use crate::cli::args::RewriteArgs;
use crate::cli::plan::{Plan, Sink};
use crate::cli::render::json;
use crate::cli::render::summary::{self, Tense};

/// Rewrites files and says what was changed.
///
/// # Errors
/// When the command line or the profile is wrong, or the account cannot be written. Failures of single files
/// are shown and end up in the exit code.
pub fn run(args: &RewriteArgs) -> Result<Exit> {
    let plan = Plan::rewrite(args)?;
    each_file(
        &plan,
        |job, found| {
            let tense = match job.sink {
                Sink::Nowhere => Tense::Would,
                _ => Tense::Was,
            };
            summary::text(Some(&job.source.name()), found, plan.detail, tense)
        },
        |_| Exit::Done,
        json::rewrite,
    )
}
