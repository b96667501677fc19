//! `meltwright hook`: called by a slicing program with the path of a temporary file.
//!
//! Nothing on standard output; nothing at all on success unless asked; an exit code other than 0 only when the
//! file was left as it was. The name of the file is a passing one and is not shown.

use meltwright::summary::Summary;

use super::write_text;
use crate::cli::args::HookArgs;
use crate::cli::plan::{self, Detail};
use crate::cli::progress::Progress;
use crate::cli::render::summary::{self, Tense};
use crate::cli::{Exit, output, work};

/// Rewrites one file in place.
pub fn run(args: &HookArgs) -> Exit {
    let rewritten = plan::hook(args).and_then(|(job, options)| work::one(&job, &options, &Progress::new(args.verbose)));
    match rewritten {
        Ok(summary) => {
            tell(args, &summary);
            Exit::Done
        }
        Err(error) => {
            output::hook_error(&error);
            Exit::from(&error)
        }
    }
}

/// The file is rewritten by now, so that nothing here may fail the run.
fn tell(args: &HookArgs, found: &Summary) {
    if let Some(path) = &args.report {
        let text = summary::text(None, found, Detail::All, Tense::Was);
        if let Err(error) = write_text(path, &text) {
            output::warning(&format!("the file was rewritten, but its report could not be written: {error}"));
        }
    }
    if args.verbose {
        output::to_stderr(&summary::text(None, found, Detail::Normal, Tense::Was));
    }
}
