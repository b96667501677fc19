//! The command-line tool: what was typed, what it means, what is shown.
//!
//! `args` holds what was typed, `plan` what it means on this machine, `work` does it, `render` puts results into
//! words and `output` is the only place that prints.

mod apart;
mod args;
mod commands;
mod folders;
mod material_args;
mod numbers;
mod output;
mod plan;
mod progress;
mod record_args;
mod render;
mod results;
mod shell_args;
mod targets;
mod weigh_args;
mod work;

use std::ffi::OsString;
use std::process::ExitCode;

use clap::Parser;
use clap::error::ErrorKind as ClapKind;
use meltwright::error::{Error, ErrorKind};

use args::{Args, Command};

/// How a run ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// Done, or nothing to do.
    Done = 0,
    /// The G-code or the system stood in the way.
    Failed = 1,
    /// The command line or the profile is wrong.
    Usage = 2,
    /// The audit found errors.
    Found = 3,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

impl From<&Error> for Exit {
    fn from(error: &Error) -> Self {
        match error.kind() {
            ErrorKind::Usage { .. } | ErrorKind::Profile(_) => Self::Usage,
            _ => Self::Failed,
        }
    }
}

/// Runs the tool with `argv`, its own name first.
pub fn run(argv: Vec<OsString>) -> Exit {
    if let Some(columns) = output::columns() {
        render::layout::keep_to(columns);
    }
    if plan::locale_is_plain() || argv.iter().any(|word| word == "--plain") {
        output::keep_to_ascii();
    }
    let as_hook = argv.get(1).is_some_and(|command| command == "hook");
    let args = match Args::try_parse_from(argv) {
        Ok(args) => args,
        Err(refusal) => return refused(&refusal, as_hook),
    };
    let outcome = match args.command {
        Command::Rewrite(args) => commands::rewrite::run(&args),
        Command::Hook(args) => return commands::hook::run(&args),
        Command::Audit(args) => commands::audit::run(&args),
        Command::Why(args) => commands::why::run(&args),
        Command::Replay(args) => commands::replay::run(&args),
        Command::Profile(args) => commands::profile::run(&args.action),
        Command::Weigh(args) => commands::weigh::run(&args.action),
        Command::Screw(args) => commands::screw::run(&args),
        Command::Blend(args) => commands::blend::run(&args),
        Command::Changeover(args) => commands::changeover::run(&args),
        Command::Reconcile(args) => commands::reconcile::run(&args),
        Command::Feedstock(args) => commands::feedstock::run(&args.action),
        Command::Record(args) => commands::record::run(&args),
        Command::Controller(args) => commands::controller::run(&args),
        Command::Schema(args) => commands::schema::run(&args),
        Command::Completions(args) => commands::shell::completions(&args),
        Command::Manual(args) => commands::shell::manual(&args),
    };
    outcome.unwrap_or_else(|error| {
        output::error(&error);
        Exit::from(&error)
    })
}

/// Shows help, version or what is wrong with the command line.
fn refused(refusal: &clap::Error, as_hook: bool) -> Exit {
    match refusal.kind() {
        ClapKind::DisplayHelp | ClapKind::DisplayVersion => {
            print(refusal);
            Exit::Done
        }
        _ => {
            if as_hook {
                let text = refusal.to_string();
                let lines: Vec<&str> = text.lines().take_while(|line| !line.is_empty()).map(str::trim).collect();
                let what = lines.join(" ");
                let what = what.trim_start_matches("error: ");
                output::to_stderr(&render::error::hook_line(what, "see meltwright hook --help"));
            }
            match render::error::narrowed(&refusal.to_string()) {
                Some(text) => output::to_stderr(&text),
                None => print(refusal),
            }
            Exit::Usage
        }
    }
}

/// Prints it with its colours where it may stand as it is.
fn print(refusal: &clap::Error) {
    let text = refusal.to_string();
    let shown = output::worded(&text);
    // A closed pipe behind the help is no failure.
    if shown == text {
        let _ = refusal.print();
    } else {
        let to = if refusal.use_stderr() { output::Stream::Err } else { output::Stream::Out };
        let _ = output::to(to, &shown);
    }
}
