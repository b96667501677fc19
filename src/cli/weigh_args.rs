//! What was typed behind `meltwright weigh`, checked by itself.

use std::path::PathBuf;

use clap::{Args as ClapArgs, Subcommand, ValueEnum};
use meltwright::weigh::FeedMode;

use super::args::{Loudness, ProfileChoice};
use super::numbers::{count, decimal};

const EXAMPLES: &str = "\
Examples:
  Write the purge test and its sheet into a folder, which is made if it is not there:
    meltwright weigh plan -o bench/
  After the test, with the masses filled in:
    meltwright weigh fit bench/weigh.csv";

const PLAN_EXAMPLES: &str = "\
Examples:
  Five speeds up to the highest of the profile, three times each, into a folder:
    meltwright weigh plan -o bench/ --profile shop.toml
  Four speeds, two minutes each, and a command of your controller that waits for you:
    meltwright weigh plan -o lot-118.gcode --speeds 30,60,90,120 --seconds 120 \\
        --pause-command PAUSE

The sheet is written beside the G-code under the same name with the ending csv. Files that
exist are left alone.";

const FIT_EXAMPLES: &str = "\
Examples:
  What the weighings say, with a plot in the terminal:
    meltwright weigh fit bench/weigh.csv
  The lines for the profile into a file, and a picture:
    meltwright weigh fit bench/weigh.csv -o lot-118.toml --plot lot-118.svg
  Only the lines for the profile:
    meltwright weigh fit bench/weigh.csv -o - 2>/dev/null

The sheet is CSV with commas, or with semicolons and decimal commas. Rows of settings
(date, lot, temperature_c, nozzle_mm, feed_mode, density_g_cm3, scale_resolution_g) come
first, then a row with the names of the columns (kind, run, rpm, seconds, stops, tare_g,
mass_g, note), then one row for each weighing. kind is run or drool. Rows that start with #
are left out.";

/// `meltwright weigh`
#[derive(Debug, ClapArgs)]
#[command(after_help = EXAMPLES)]
pub struct WeighArgs {
    /// What to do.
    #[command(subcommand)]
    pub action: WeighAction,
}

/// What to do about weighings.
#[derive(Debug, Subcommand)]
pub enum WeighAction {
    /// Write a purge test for the controller, and a sheet to fill in
    Plan(PlanArgs),
    /// Turn a filled-in sheet into lines for the profile, with plot and judgement
    Fit(FitArgs),
}

/// How granules get into the screw.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Feed {
    /// They fall in by their own weight
    Gravity,
    /// Something pushes them
    Forced,
}

impl From<Feed> for FeedMode {
    fn from(feed: Feed) -> Self {
        match feed {
            Feed::Gravity => Self::Gravity,
            Feed::Forced => Self::Forced,
        }
    }
}

/// `meltwright weigh plan`
#[derive(Debug, ClapArgs)]
#[command(after_help = PLAN_EXAMPLES, allow_negative_numbers = true)]
pub struct PlanArgs {
    /// A folder (it is there, or ends in /), or the G-code file to write
    #[arg(short, long, value_name = "FOLDER_OR_FILE")]
    pub output: PathBuf,
    /// Screw speeds in rev/min, with commas between [default: five even steps up to the highest]
    #[arg(long, value_name = "RPM,..", value_delimiter = ',', value_parser = decimal)]
    pub speeds: Vec<f64>,
    /// Runs at each speed
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = count)]
    pub repeats: u32,
    /// Time of each run in s [default: what 12 g take by the profile, from 30 to 1800 s]
    #[arg(long, value_name = "S", value_parser = decimal)]
    pub seconds: Option<f64>,
    /// Nozzle temperature in °C [default: the middle of the feedstock's range]
    #[arg(long, value_name = "C", value_parser = decimal)]
    pub temperature: Option<f64>,
    /// Wait at temperature before the first turn, in s
    #[arg(long, value_name = "S", value_parser = decimal, default_value_t = 300.0)]
    pub soak: f64,
    /// Purge before the first run, in s
    #[arg(long, value_name = "S", value_parser = decimal, default_value_t = 60.0)]
    pub settle: f64,
    /// Pause after each run, to cut and weigh, in s
    #[arg(long, value_name = "S", default_value_t = 45.0, value_parser = decimal, conflicts_with = "pause_command")]
    pub pause: f64,
    /// Command by which your controller waits for you, instead of a pause of set length: PAUSE or a macro of your own
    /// where it reads names (preset host), M0 or M600 elsewhere
    #[arg(long, value_name = "COMMAND")]
    pub pause_command: Option<String>,
    /// Stops whose drool is collected together; more for a coarse scale [default: what 0.1 g take by the profile, from 1
    /// to 20]
    #[arg(long, value_name = "N", value_parser = count)]
    pub stops: Option<u32>,
    /// Volume that one turn counts for in the E of the controller, in mm³ [default: what the profile says
    /// one turn puts out]
    #[arg(long, value_name = "MM3", value_parser = decimal)]
    pub turn_mm3: Option<f64>,
    /// How granules get into the screw, for the sheet
    #[arg(long, value_name = "MODE", value_enum, default_value_t = Feed::Gravity)]
    pub feed: Feed,
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// Write the plan as JSON to this file, or - for standard output
    #[arg(long, value_name = "PATH")]
    pub json: Option<PathBuf>,
}

/// `meltwright weigh fit`
#[derive(Debug, ClapArgs)]
#[command(after_help = FIT_EXAMPLES)]
pub struct FitArgs {
    /// Filled-in sheet; - for standard input
    #[arg(value_name = "SHEET")]
    pub sheet: PathBuf,
    /// Write the lines for the profile to this new file, or - for standard output
    #[arg(short, long, value_name = "PATH")]
    pub output: Option<PathBuf>,
    /// Write a picture of curve and weighings
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<PathBuf>,
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// Write everything as JSON to this file, or - for standard output
    #[arg(long, value_name = "PATH")]
    pub json: Option<PathBuf>,
    #[command(flatten)]
    pub loudness: Loudness,
}
