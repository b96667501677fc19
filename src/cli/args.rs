//! What was typed, checked by itself.

use std::path::PathBuf;

use clap::{Args as ClapArgs, Parser, Subcommand};
use meltwright::error::Error;
use meltwright::pipeline::Passes;
use meltwright::profile::Assignment;

use super::material_args::{BlendArgs, ChangeoverArgs, FeedstockArgs, ReconcileArgs, ScrewArgs};
use super::numbers::whole;
use super::record_args::{ControllerArgs, RecordArgs, SchemaArgs};
use super::shell_args::{CompletionArgs, ManualArgs};
use super::weigh_args::WeighArgs;

const EXAMPLES: &str = "\
Examples:
  Look at a sliced casting pad before the long print:
    meltwright audit pads.gcode
  Rewrite it for the screw into a new file, and read what was changed:
    meltwright rewrite pads.gcode -o pads-screw.gcode
  The same for a whole folder, in place:
    meltwright rewrite --in-place pads
  As post-processing command of the slicing program (it adds the path of the file):
    meltwright hook
  Start a profile of your own machine:
    meltwright profile new shop.toml

Exit codes: 0 done, 1 G-code or file trouble, 2 command line or profile wrong,
3 the audit found errors.";

const REWRITE_EXAMPLES: &str = "\
Examples:
  See what would change, write nothing:
    meltwright rewrite pads.gcode --dry-run
  Write a new file with the shop's own profile and one value changed:
    meltwright rewrite pads.gcode -o pads-screw.gcode --profile shop.toml \\
        --set screw.max_speed_rpm=90
  Several files into a folder, account of each as a line of JSON:
    meltwright rewrite pads-*.gcode -o ready/ --json account.jsonl
  A folder with all below it into another, or in place:
    meltwright rewrite \"print files\" -o ready/
    meltwright rewrite \"print files\" --in-place
  In a pipe:
    cat pads.gcode | meltwright rewrite - > pads-screw.gcode

A folder stands for the files in and below it that end in .gcode, .gco, .g, .nc or .ngc;
names that begin with a dot are passed over. With -o their results keep their path below it,
and what is in OUT is no input. A file that fails, or was rewritten before, does not stop the
others.";

const HOOK_EXAMPLES: &str = "\
Examples:
  Print the line to enter in the slicing program, quoted as this system wants it:
    meltwright hook --install-help --profile shop.toml --keep originals
  See what it does, on a copy of a sliced file:
    meltwright hook --profile shop.toml --report-beside copy.gcode

Enter the command in the slicing program as its post-processing command; it adds the
path of the file as the last argument and takes the file back when the command ends.
The file is replaced only when all went well; on a failure it is left as it was, the
exit code is not zero and the first line of the error output says what to do.";

const AUDIT_EXAMPLES: &str = "\
Examples:
  Before a night's print of casting pads:
    meltwright audit pads.gcode && echo ready
  All there is to know, and the same as JSON:
    meltwright audit pads.gcode -v --json pads.json
  A report with plots and layers to look at in a browser:
    meltwright audit pads.gcode --html pads.html
  A queue of files, a line of JSON for each; started again, it goes on where it stopped:
    meltwright audit \"print files\" --jsonl results.jsonl

A folder stands for the files in and below it that end in .gcode, .gco, .g, .nc or .ngc,
sorted by path; names that begin with a dot are passed over. A file that fails does not
stop the others: its line in the results holds its error.

Exit code 3 if any finding is an error, or of the level that --deny names; 1 if a file could not
be read.";

const WHY_EXAMPLES: &str = "\
Examples:
  What all the codes in reports mean:
    meltwright why
  One of them:
    meltwright why sustained-demand";

const REPLAY_EXAMPLES: &str = "\
Examples:
  How far from even the beads of a casting pad will be on a melt that lags:
    meltwright replay pads.gcode --set screw.melt_lag_s=0.4
  What the rewritten file is better at:
    meltwright replay pads-screw.gcode --against pads.gcode --json pads.json

Nothing is written but the figures. The machine is the one of the profile: its planner, its
screw and the lag of its melt.";

const PROFILE_EXAMPLES: &str = "\
Examples:
  Start a profile, correct it, see what is in force:
    meltwright profile new shop.toml
    meltwright profile check shop.toml
    meltwright profile show --profile shop.toml";

const PROFILE_NEW_EXAMPLES: &str = "\
Examples:
  A profile to fill in, every key explained:
    meltwright profile new shop.toml
  The same on standard output:
    meltwright profile new";

const PROFILE_CHECK_EXAMPLES: &str = "\
Examples:
  All faults at once, with their lines:
    meltwright profile check shop.toml

Exit code 2 if there are any.";

const PROFILE_SHOW_EXAMPLES: &str = "\
Examples:
  What a rewrite in this folder would use, and where each value comes from:
    meltwright profile show
  What one other value changes:
    meltwright profile show --profile shop.toml --set nozzle.diameter_mm=3";

/// Rewrites and audits sliced G-code so that a screw extruder and a soft part can really follow it.
#[derive(Debug, Parser)]
#[command(name = "meltwright", version, after_help = EXAMPLES, max_term_width = 98)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Slow moves down to what screw and part bear, and say what was changed
    Rewrite(RewriteArgs),
    /// Rewrite one file in place and keep quiet, for the slicing program to call
    Hook(HookArgs),
    /// Say what a file asks of the screw and where it asks too much; change nothing
    Audit(AuditArgs),
    /// Tell what a finding means, why it matters and what to do; without a code, list all
    Why(WhyArgs),
    /// Execute a file on a virtual machine and compare what is laid with what was wanted
    Replay(ReplayArgs),
    /// Write, check or show the profile of the machine
    Profile(ProfileArgs),
    /// Measure what the screw gives: plan a purge test, turn its weighings into a profile
    Weigh(WeighArgs),
    /// Estimate output, pressure and limits of a screw from its measures
    Screw(Box<ScrewArgs>),
    /// Mix grades: density, stiffness, output, grams to weigh in, cautions
    Blend(BlendArgs),
    /// Say how much to purge, and where in a print to change the hopper
    Changeover(ChangeoverArgs),
    /// Compare what a print weighs with what its file asks for, and correct the output
    Reconcile(ReconcileArgs),
    /// List or show generic grades of feedstock, each value with its source
    Feedstock(FeedstockArgs),
    /// Write down what a print was made from and with, for a laboratory notebook
    Record(RecordArgs),
    /// Say what the controller has to be set to, so that files come out as computed
    Controller(ControllerArgs),
    /// Print the JSON Schema of what a command writes as JSON
    Schema(SchemaArgs),
    /// Print completions for a shell
    Completions(CompletionArgs),
    /// Write manual pages, one for each command
    Manual(ManualArgs),
}

/// Which profile, and what is laid over it.
#[derive(Debug, Default, ClapArgs)]
pub struct ProfileChoice {
    /// Profile of the machine; without it, the one that MELTWRIGHT_PROFILE names, beside the G-code
    /// file (without one, in the current folder), beside the program or in the user's configuration
    /// folder is taken
    #[arg(long, value_name = "PATH")]
    pub profile: Option<PathBuf>,
    /// Set one value over the profile, e.g. screw.max_speed_rpm=90; can be given again
    #[arg(long = "set", value_name = "SECTION.KEY=VALUE", value_parser = assignment)]
    pub assignments: Vec<Assignment>,
}

/// How strictly the input is taken.
#[derive(Debug, ClapArgs)]
pub struct Strictness {
    /// Pass lines through that cannot be read, with a warning, instead of stopping
    #[arg(long)]
    pub lenient: bool,
    /// Let files through unchanged that were rewritten before, instead of refusing them; in an audit, judge them
    #[arg(long)]
    pub again: bool,
}

/// Which passes run.
#[derive(Debug, ClapArgs)]
pub struct PassChoice {
    /// Passes to run, comma-separated: all, none, capacity, ramps, softness, layer-time, starts,
    /// scale
    #[arg(long, value_name = "NAMES", default_value = "all", value_parser = passes)]
    pub passes: Passes,
}

/// What works.
#[derive(Debug, ClapArgs)]
pub struct Workers {
    /// Threads to work with; the result does not depend on it [default: one for each core]
    #[arg(long, value_name = "N", allow_negative_numbers = true, value_parser = whole::<u16>(1..=512))]
    pub threads: Option<u16>,
}

/// How much is said.
#[derive(Debug, ClapArgs)]
pub struct Loudness {
    /// Say only the headline
    #[arg(short, long, conflicts_with = "verbose")]
    pub quiet: bool,
    /// Say everything
    #[arg(short, long)]
    pub verbose: bool,
    /// Use no characters beyond ASCII; so it is where the locale names another set than UTF-8
    #[arg(long)]
    pub plain: bool,
}

/// `meltwright rewrite`
#[derive(Debug, ClapArgs)]
#[command(after_help = REWRITE_EXAMPLES)]
pub struct RewriteArgs {
    /// Sliced files; folders stand for all sliced files in and below them; - for standard input
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Where to write: a file, a folder (it is there, or ends in /), or - for standard output (usual for one file, unless that is a
    /// terminal)
    #[arg(short, long, value_name = "OUT", conflicts_with = "in_place")]
    pub output: Option<PathBuf>,
    /// Replace each file by its rewritten form
    #[arg(short, long)]
    pub in_place: bool,
    /// Say what would be changed; write no G-code
    #[arg(long)]
    pub dry_run: bool,
    /// Execute the file before and after on the virtual machine, and show how well what is laid fits
    #[arg(long)]
    pub replay: bool,
    #[command(flatten)]
    pub chosen: PassChoice,
    #[command(flatten)]
    pub profile: ProfileChoice,
    #[command(flatten)]
    pub strictness: Strictness,
    /// Write the account as JSON to this file, or - for standard output; one line for each of
    /// several files
    #[arg(long, value_name = "PATH")]
    pub json: Option<PathBuf>,
    /// Write a report to look at to this HTML file; for several files, into this folder
    #[arg(long, value_name = "PATH")]
    pub html: Option<PathBuf>,
    #[command(flatten)]
    pub workers: Workers,
    #[command(flatten)]
    pub loudness: Loudness,
}

/// `meltwright hook`
#[derive(Debug, ClapArgs)]
#[command(after_help = HOOK_EXAMPLES)]
pub struct HookArgs {
    /// File to rewrite in place; the slicing program adds it
    #[arg(value_name = "FILE", required_unless_present = "install_help")]
    pub file: Option<PathBuf>,
    /// Print the very line to enter in the slicing program, as this system quotes it
    #[arg(long, conflicts_with = "file")]
    pub install_help: bool,
    /// Keep the file as it came in this folder, which is made if need be, under its own name; one of
    /// that name is left, the next gets a number
    #[arg(long, value_name = "FOLDER")]
    pub keep: Option<PathBuf>,
    #[command(flatten)]
    pub profile: ProfileChoice,
    #[command(flatten)]
    pub strictness: Strictness,
    #[command(flatten)]
    pub chosen: PassChoice,
    /// Write what was changed to this text file, or into this folder (it is there, or ends in /)
    /// under the name of the file
    #[arg(long, value_name = "PATH")]
    pub report: Option<PathBuf>,
    /// Write what was changed to a text file beside the file, with .report.txt behind its name
    #[arg(long, conflicts_with = "report")]
    pub report_beside: bool,
    /// Say on the error output what was changed
    #[arg(short, long)]
    pub verbose: bool,
}

/// `meltwright why`
#[derive(Debug, ClapArgs)]
#[command(after_help = WHY_EXAMPLES)]
pub struct WhyArgs {
    /// Code of a finding, as reports show it
    #[arg(value_name = "CODE")]
    pub code: Option<String>,
}

/// `meltwright audit`
#[derive(Debug, ClapArgs)]
#[command(after_help = AUDIT_EXAMPLES)]
pub struct AuditArgs {
    /// Sliced files; folders stand for all sliced files in and below them; - for standard input
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    #[command(flatten)]
    pub profile: ProfileChoice,
    #[command(flatten)]
    pub strictness: Strictness,
    /// Append what is found to this file, a line of JSON for each G-code file, and pass over those
    /// that stand in it already; - for standard output
    #[arg(long, value_name = "PATH", conflicts_with_all = ["json", "verbose"])]
    pub jsonl: Option<PathBuf>,
    /// Write the findings as JSON to this file, or - for standard output; one line for each of
    /// several files
    #[arg(long, value_name = "PATH")]
    pub json: Option<PathBuf>,
    /// Write a report to look at to this HTML file; for several files, into this folder
    #[arg(long, value_name = "PATH")]
    pub html: Option<PathBuf>,
    /// Exit with code 3 on these findings too: warnings, or notes and warnings
    #[arg(long, value_name = "LEVEL", value_parser = ["warnings", "notes"])]
    pub deny: Option<String>,
    #[command(flatten)]
    pub workers: Workers,
    #[command(flatten)]
    pub loudness: Loudness,
}

/// `meltwright replay`
#[derive(Debug, ClapArgs)]
#[command(after_help = REPLAY_EXAMPLES)]
pub struct ReplayArgs {
    /// G-code file, sliced or rewritten; - for standard input
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The file it was made from: what is laid is compared with what that one wants
    #[arg(long, value_name = "ORIGINAL")]
    pub against: Option<PathBuf>,
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// Go on behind lines that cannot be read instead of stopping
    #[arg(long)]
    pub lenient: bool,
    /// Write the figures as JSON to this file, or - for standard output
    #[arg(long, value_name = "PATH")]
    pub json: Option<PathBuf>,
}

/// `meltwright profile`
#[derive(Debug, ClapArgs)]
#[command(after_help = PROFILE_EXAMPLES)]
pub struct ProfileArgs {
    /// What to do with it.
    #[command(subcommand)]
    pub action: ProfileAction,
}

/// What to do with a profile.
#[derive(Debug, Subcommand)]
pub enum ProfileAction {
    /// Write an annotated profile to start from; without PATH, print it
    #[command(after_help = PROFILE_NEW_EXAMPLES)]
    New {
        /// File to write; an existing one is left alone
        #[arg(value_name = "PATH")]
        path: Option<PathBuf>,
    },
    /// Say everything that is wrong with a profile
    #[command(after_help = PROFILE_CHECK_EXAMPLES)]
    Check {
        /// Profile to check
        #[arg(value_name = "FILE")]
        path: PathBuf,
    },
    /// Show the values in force, and where each of them comes from
    #[command(after_help = PROFILE_SHOW_EXAMPLES)]
    Show {
        #[command(flatten)]
        choice: ProfileChoice,
    },
}

/// Reads an assignment, with what to do about one that is none.
fn assignment(text: &str) -> Result<Assignment, String> {
    text.parse().map_err(|error: Error| match error.kind().help() {
        Some(help) => format!("{error}; {help}"),
        None => error.to_string(),
    })
}

/// Reads `none`, `all` or names of passes with commas between.
fn passes(text: &str) -> Result<Passes, String> {
    let mut passes = Passes::NONE;
    let names: Vec<&str> = text.split(',').map(str::trim).collect();
    for name in &names {
        match *name {
            "all" => passes = Passes::ALL,
            "none" if names.len() == 1 => {}
            "none" => return Err("none cannot stand beside other passes".to_owned()),
            name if passes.add(name) => {}
            _ => {
                let all = Passes::NAMES.join(", ");
                return Err(format!("there is no pass `{name}`; the passes are all, none, {all}"));
            }
        }
    }
    Ok(passes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn definitions_hold_together() {
        Args::command().debug_assert();
    }

    #[test]
    fn names_of_passes() {
        let cases = [
            ("all", Ok(Passes::ALL)),
            ("none", Ok(Passes::NONE)),
            ("capacity", Ok(Passes { capacity: true, ..Passes::NONE })),
            ("ramps,starts", Ok(Passes { ramps: true, starts: true, ..Passes::NONE })),
            ("capacity, all", Ok(Passes::ALL)),
        ];
        for (text, expected) in cases {
            assert_eq!(passes(text), expected, "{text}");
        }
        for wrong in ["", "none,capacity", "Capacity", "capacity,,"] {
            assert!(passes(wrong).is_err(), "{wrong}");
        }
    }

    /// Each command with the words that call it, the program's name first.
    fn commands() -> Vec<(Vec<String>, clap::Command)> {
        let mut root = Args::command();
        root.build();
        let mut waiting = vec![(vec![root.get_name().to_owned()], root)];
        let mut all = Vec::new();
        while let Some((words, command)) = waiting.pop() {
            for below in command.get_subcommands().filter(|below| below.get_name() != "help") {
                waiting.push(([&words[..], &[below.get_name().to_owned()]].concat(), below.clone()));
            }
            all.push((words, command));
        }
        all
    }

    #[test]
    fn help_is_narrow() {
        for (words, mut command) in commands() {
            for help in [command.render_help().to_string(), command.render_long_help().to_string()] {
                let widest = help.lines().map(|line| line.chars().count()).max();
                assert!(widest < Some(100), "{words:?}: {widest:?}\n{help}");
            }
        }
    }

    #[test]
    fn every_help_has_examples_and_every_example_can_be_typed() {
        for (words, command) in commands() {
            let help = command.get_after_help().map(ToString::to_string).unwrap_or_default();
            assert!(help.starts_with("Examples:\n"), "{words:?}:\n{help}");
            let typed: Vec<Vec<String>> = help
                .replace("\\\n", " ")
                .replace("2>", ">")
                .lines()
                .filter_map(|line| line.strip_prefix("    "))
                .flat_map(|line| line.split(['|', '>', '&']).map(shell_words).collect::<Vec<_>>())
                .filter(|typed| typed.first().is_some_and(|program| program == "meltwright"))
                .collect();
            assert!(typed.iter().any(|typed| typed.starts_with(&words)), "no example calls {words:?}:\n{help}");
            for example in typed {
                // The slicing program adds the path.
                let added = (example == ["meltwright", "hook"]).then(|| "pads.gcode".to_owned());
                let parsed = Args::try_parse_from(example.iter().cloned().chain(added));
                assert!(parsed.is_ok(), "{example:?}: {}", parsed.unwrap_err());
            }
        }
    }

    /// The words of a line as a shell would split it, quotes around whole words only.
    fn shell_words(line: &str) -> Vec<String> {
        let mut words = Vec::new();
        for (index, part) in line.split('"').enumerate() {
            match index % 2 {
                0 => words.extend(part.split_whitespace().map(str::to_owned)),
                _ => words.push(part.to_owned()),
            }
        }
        words
    }
}
