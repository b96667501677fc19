//! Arguments of the commands that keep a record of a print.

use std::path::PathBuf;

use clap::Args as ClapArgs;

use super::args::{PassChoice, ProfileChoice};

const RECORD_EXAMPLES: &str = "\
Examples:
  What a print was made from and with, for the notebook of the laboratory:
    meltwright record pads.gcode > pads.toml
  The same of a file that was rewritten, into a file:
    meltwright record pads.gcode --rewritten pads-screw.gcode -o pads.toml
  As JSON:
    meltwright record pads.gcode --json pads.json

There is no date in it: the same files and the same profile give the same record.";

const CONTROLLER_EXAMPLES: &str = "\
Examples:
  What the controller has to be set to for rewritten files:
    meltwright controller --profile shop.toml
  The same for files that are printed as they were sliced:
    meltwright controller --passes none

Times, demand and flow are worked out for these settings. Commands hold until the controller is
switched off or the file sets something else; what has none is set in its configuration.";

const SCHEMA_EXAMPLES: &str = "\
Examples:
  What stands in the JSON of an audit:
    meltwright schema audit > audit.schema.json

The schema is a JSON Schema of 2020-12. Keys are only ever added, so that what reads the JSON of
today reads that of later versions.";

/// `meltwright record`
#[derive(Debug, ClapArgs)]
#[command(after_help = RECORD_EXAMPLES)]
pub struct RecordArgs {
    /// Sliced file; - for standard input
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// What was made of it by `meltwright rewrite`, and was printed
    #[arg(long, value_name = "OUTPUT")]
    pub rewritten: Option<PathBuf>,
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// Go on behind lines that cannot be read instead of stopping
    #[arg(long)]
    pub lenient: bool,
    /// Write the record as TOML to this new file instead of standard output
    #[arg(short, long, value_name = "PATH")]
    pub output: Option<PathBuf>,
    /// Write the record as JSON to this file instead, or - for standard output
    #[arg(long, value_name = "PATH", conflicts_with = "output")]
    pub json: Option<PathBuf>,
}

/// `meltwright controller`
#[derive(Debug, ClapArgs)]
#[command(after_help = CONTROLLER_EXAMPLES)]
pub struct ControllerArgs {
    #[command(flatten)]
    pub profile: ProfileChoice,
    #[command(flatten)]
    pub chosen: PassChoice,
    /// Write the settings as JSON to this file, or - for standard output
    #[arg(long, value_name = "PATH")]
    pub json: Option<PathBuf>,
}

/// What is written as JSON.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum SchemaOf {
    /// `audit --json`
    Audit,
    /// A line of `audit --jsonl`
    Results,
    /// `rewrite --json`
    Rewrite,
    /// `replay --json`
    Replay,
    /// `record --json`
    Record,
    /// `controller --json`
    Controller,
    /// `weigh plan --json`
    WeighPlan,
    /// `weigh fit --json`
    WeighFit,
    /// `screw --json`
    Screw,
    /// `blend --json`
    Blend,
    /// `changeover --json`
    Changeover,
    /// `reconcile --json`
    Reconcile,
    /// `feedstock show --json` and `feedstock list --json`
    Feedstock,
}

/// `meltwright schema`
#[derive(Debug, ClapArgs)]
#[command(after_help = SCHEMA_EXAMPLES)]
pub struct SchemaArgs {
    /// Whose JSON is described
    #[arg(value_name = "WHAT", value_enum)]
    pub of: SchemaOf,
}
