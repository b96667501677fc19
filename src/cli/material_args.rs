//! What was typed for the commands about screw and feedstock.

use std::path::PathBuf;

use clap::{Args as ClapArgs, Subcommand, ValueEnum};

use super::args::ProfileChoice;
use super::numbers::{above_zero, density, load, not_below_zero, percent, screw_speed, whole};

const FEEDSTOCK_EXAMPLES: &str = "\
Examples:
  Find a soft grade for casting pads, and read all that is known of it:
    meltwright feedstock list
    meltwright feedstock show tpe-30a";

const FEEDSTOCK_LIST_EXAMPLES: &str = "\
Examples:
  All grades with hardness, density, temperatures and drying:
    meltwright feedstock list";

const FEEDSTOCK_SHOW_EXAMPLES: &str = "\
Examples:
  How a grade is dried, at what it is printed, and what its hazards are:
    meltwright feedstock show tpu-85a
  The same for a program:
    meltwright feedstock show tpu-85a --json -

The values are generic, each with its source: the data sheet of your lot comes before them.";

const SCREW_EXAMPLES: &str = "\
Examples:
  What a 16 mm screw gives through a 1 mm nozzle with a soft styrenic grade:
    meltwright screw --bore 16 --depth 1.6 --length 60 --feedstock tpe-30a
  The same with the melt-flow rate of a data sheet, a pressure limit and a drawing:
    meltwright screw --bore 16 --depth 1.6 --length 60 --mfr 12 --load 2.16 \\
        --max-pressure 10 --plot screw.svg

All of it is estimated from geometry: a weighing is always better.";

const BLEND_EXAMPLES: &str = "\
Examples:
  Two grades of the library, for a part of 240 g with 30 g of purge:
    meltwright blend 70:tpe-30a 30:tpe-60a --part-grams 240 --purge 30
  With values of your own laid over a grade, and a section for the profile:
    meltwright blend 80:tpu-85a,density=1.19,output=14.5 20:regrind-tpu-85a \\
        --write blend.toml

SHARE:GRADE[,KEY=VALUE...]; keys are name, family, density and bulk (g/cm3), shore-a,
shore-d, shore-oo, modulus (MPa), output (mm3/rev), nozzle-min, nozzle-max, drying-c (C),
drying-h (h). The grade `own` takes nothing from the library.";

const CHANGEOVER_EXAMPLES: &str = "\
Examples:
  Grams and turns to drive the old feedstock out of 9 cm3 of melt:
    meltwright changeover --melt-volume 9
  A harder recipe from layer 40 on: where to change the hopper:
    meltwright changeover --melt-volume 9 --file pads.gcode --at-layer 40";

const RECONCILE_EXAMPLES: &str = "\
Examples:
  After the print, with everything it laid on the scale:
    meltwright reconcile pads-screw.gcode --weighed 203.9
  On a scale of 1 g, with the figures as JSON:
    meltwright reconcile pads-screw.gcode --weighed 204 --resolution 1 --json pads.json

Give the file that was printed, sliced or rewritten. Weigh part, support, skirt and purge
together: the file counts all of them.";

/// `meltwright screw`
#[derive(Debug, ClapArgs)]
#[command(after_help = SCREW_EXAMPLES, allow_negative_numbers = true)]
pub struct ScrewArgs {
    /// Bore of the barrel, mm
    #[arg(long, value_name = "MM", value_parser = above_zero, help_heading = "Screw")]
    pub bore: f64,
    /// Depth of the channel at the nozzle end, mm
    #[arg(long, value_name = "MM", value_parser = above_zero, help_heading = "Screw")]
    pub depth: f64,
    /// Length of the metering zone along the axis, mm
    #[arg(long, value_name = "MM", value_parser = above_zero, help_heading = "Screw")]
    pub length: f64,
    /// Advance of a flight in one turn, mm [default: the bore]
    #[arg(long, value_name = "MM", value_parser = above_zero, help_heading = "Screw")]
    pub lead: Option<f64>,
    /// Number of flights side by side
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = whole::<u32>(1..=4),
        help_heading = "Screw")]
    pub flights: u32,
    /// Width of a flight's land, mm [default: a tenth of the bore]
    #[arg(long, value_name = "MM", value_parser = above_zero, help_heading = "Screw")]
    pub flight_width: Option<f64>,
    /// Gap between flight and barrel, mm; 0 neglects leakage [default: 0.1]
    #[arg(long, value_name = "MM", value_parser = not_below_zero, help_heading = "Screw")]
    pub clearance: Option<f64>,
    /// Depth at the feed over depth at the nozzle end
    #[arg(long, value_name = "RATIO", default_value_t = 1.0, value_parser = above_zero, help_heading = "Screw")]
    pub compression: f64,
    /// The depth falls evenly over the whole length, without an even metering zone
    #[arg(long, help_heading = "Screw")]
    pub tapered: bool,
    /// Flighted length of the whole screw, mm; for melt volume and residence time
    #[arg(long, value_name = "MM", value_parser = above_zero, help_heading = "Screw")]
    pub screw_length: Option<f64>,
    /// Highest screw speed, rev/min [default: that of the profile]
    #[arg(long, value_name = "RPM", value_parser = screw_speed, help_heading = "Screw")]
    pub speed: Option<f64>,

    /// Bore of the nozzle, mm [default: that of the profile]
    #[arg(long, value_name = "MM", value_parser = above_zero, help_heading = "Nozzle")]
    pub nozzle_bore: Option<f64>,
    /// Length of the straight bore, mm [default: twice the bore]
    #[arg(long, value_name = "MM", value_parser = above_zero, help_heading = "Nozzle")]
    pub nozzle_land: Option<f64>,
    /// Diameter at the wide end of the cone before it, mm; without it, no cone is counted
    #[arg(long, value_name = "MM", value_parser = above_zero, help_heading = "Nozzle")]
    pub cone_from: Option<f64>,
    /// Angle between wall and axis of the cone, degrees
    #[arg(long, value_name = "DEG", default_value_t = 30.0, value_parser = above_zero, requires = "cone_from",
        help_heading = "Nozzle")]
    pub cone_angle: f64,
    /// Volume of adaptor and nozzle that is full of melt, cm3
    #[arg(long, value_name = "CM3", default_value_t = 0.0, value_parser = not_below_zero, help_heading = "Nozzle")]
    pub head_volume: f64,

    /// Grade of the library to take melt and densities from
    #[arg(long, value_name = "GRADE", help_heading = "Melt")]
    pub feedstock: Option<String>,
    /// Viscosity that does not change with shear, Pa s
    #[arg(long, value_name = "PA_S", value_parser = above_zero, conflicts_with_all = ["point", "mfr"],
        help_heading = "Melt")]
    pub viscosity: Option<f64>,
    /// One of two points of the flow curve, 1/s and Pa s, e.g. --point 100:900 --point 1000:300
    #[arg(long, value_name = "RATE:PA_S", value_parser = point, conflicts_with = "mfr", help_heading = "Melt")]
    pub point: Vec<[f64; 2]>,
    /// Melt-flow rate of the data sheet, g/10 min
    #[arg(long, value_name = "G", value_parser = above_zero, help_heading = "Melt")]
    pub mfr: Option<f64>,
    /// Load of that test, kg [default: 2.16]
    #[arg(long, value_name = "KG", value_parser = load, requires = "mfr", help_heading = "Melt")]
    pub load: Option<f64>,
    /// Power-law index to assume with --mfr, 1 for no shear thinning [default: 0.5]
    #[arg(long, value_name = "N", value_parser = above_zero, requires = "mfr", help_heading = "Melt")]
    pub index: Option<f64>,
    /// Density of the solid, g/cm3 [default: of the grade, else of the profile]
    #[arg(long, value_name = "G_CM3", value_parser = density, help_heading = "Melt")]
    pub density: Option<f64>,
    /// Density of the melt, g/cm3 [default: of the grade, else a tenth below the solid]
    #[arg(long, value_name = "G_CM3", value_parser = density, help_heading = "Melt")]
    pub melt_density: Option<f64>,
    /// Density as poured, g/cm3 [default: of the grade, else 0.55 of the solid]
    #[arg(long, value_name = "G_CM3", value_parser = density, help_heading = "Melt")]
    pub bulk_density: Option<f64>,

    /// Pressure that head, seals or drive bear, MPa
    #[arg(long, value_name = "MPA", value_parser = above_zero)]
    pub max_pressure: Option<f64>,
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// Draw screw line, nozzle line and operating point into this SVG file
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<PathBuf>,
    /// Write the estimate as JSON to this file, or - for standard output
    #[arg(long, value_name = "PATH")]
    pub json: Option<PathBuf>,
}

/// What the shares of a recipe count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum By {
    /// Grams
    Mass,
    /// Volumes of the solid
    Volume,
}

/// `meltwright blend`
#[derive(Debug, ClapArgs)]
#[command(after_help = BLEND_EXAMPLES, allow_negative_numbers = true)]
pub struct BlendArgs {
    /// Shares that add up to 100, each with a grade
    #[arg(required = true, value_name = "SHARE:GRADE")]
    pub entries: Vec<String>,
    /// What the shares count
    #[arg(long, value_name = "WHAT", value_enum, default_value_t = By::Mass)]
    pub by: By,
    /// Mass of the part to print, g
    #[arg(long, value_name = "G", value_parser = above_zero, conflicts_with = "part_volume")]
    pub part_grams: Option<f64>,
    /// Volume of the part to print, cm3
    #[arg(long, value_name = "CM3", value_parser = above_zero)]
    pub part_volume: Option<f64>,
    /// What is purged before the print, g; see `meltwright changeover`
    #[arg(long, value_name = "G", value_parser = not_below_zero, default_value_t = 0.0)]
    pub purge: f64,
    /// Write the [feedstock] section to this file; an existing one is left alone
    #[arg(long, value_name = "FILE")]
    pub write: Option<PathBuf>,
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// Write the blend as JSON to this file, or - for standard output
    #[arg(long, value_name = "PATH")]
    pub json: Option<PathBuf>,
}

/// `meltwright changeover`
#[derive(Debug, ClapArgs)]
#[command(after_help = CHANGEOVER_EXAMPLES, allow_negative_numbers = true)]
pub struct ChangeoverArgs {
    /// Melt between the melting granules and the tip of the nozzle, hot, cm3: what screw prints
    #[arg(long, value_name = "CM3", value_parser = above_zero)]
    pub melt_volume: f64,
    /// Stirred tanks in a row the barrel behaves like; 1 stirs all of it, 50 pushes a plug
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = whole::<u32>(1..=50))]
    pub tanks: u32,
    /// Granules that stay below the hopper when it is changed: in the feed zone and the cup, g
    #[arg(long, value_name = "G", default_value_t = 0.0, value_parser = not_below_zero)]
    pub granules_left: f64,
    /// Grade that comes [default: the feedstock of the profile]
    #[arg(long, value_name = "GRADE")]
    pub to: Option<String>,
    /// Sliced file in which the recipe changes; - for standard input
    #[arg(long, value_name = "FILE", requires = "at_layer")]
    pub file: Option<PathBuf>,
    /// Layer from which the new recipe is wanted, counted from 1
    #[arg(long, value_name = "N", requires = "file", value_parser = whole::<u64>(0..=10_000_000))]
    pub at_layer: Option<u64>,
    /// Share of the new recipe wanted where that layer begins, %
    #[arg(long, value_name = "PERCENT", default_value_t = 95.0, value_parser = percent)]
    pub share: f64,
    /// Pass lines of the file over that cannot be read, instead of stopping
    #[arg(long)]
    pub lenient: bool,
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// Write the figures as JSON to this file, or - for standard output
    #[arg(long, value_name = "PATH")]
    pub json: Option<PathBuf>,
}

/// `meltwright reconcile`
#[derive(Debug, ClapArgs)]
#[command(after_help = RECONCILE_EXAMPLES, allow_negative_numbers = true)]
pub struct ReconcileArgs {
    /// The file that was printed, sliced or rewritten; - for standard input
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// What everything it laid weighs, g
    #[arg(long, value_name = "G", value_parser = above_zero)]
    pub weighed: f64,
    /// Step of the scale, g
    #[arg(long, value_name = "G", value_parser = above_zero, default_value_t = 0.1)]
    pub resolution: f64,
    /// Pass lines of the file over that cannot be read, instead of stopping
    #[arg(long)]
    pub lenient: bool,
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// Write the figures as JSON to this file, or - for standard output
    #[arg(long, value_name = "PATH")]
    pub json: Option<PathBuf>,
}

/// `meltwright feedstock`
#[derive(Debug, ClapArgs)]
#[command(after_help = FEEDSTOCK_EXAMPLES)]
pub struct FeedstockArgs {
    /// What to do.
    #[command(subcommand)]
    pub action: FeedstockAction,
}

/// What to do with the library of feedstock.
#[derive(Debug, Subcommand)]
pub enum FeedstockAction {
    /// List all grades
    #[command(after_help = FEEDSTOCK_LIST_EXAMPLES)]
    List {
        /// Write the list as JSON to this file, or - for standard output
        #[arg(long, value_name = "PATH")]
        json: Option<PathBuf>,
    },
    /// Show everything known of a grade, with the source of each value
    #[command(after_help = FEEDSTOCK_SHOW_EXAMPLES)]
    Show {
        /// Grade, as listed
        #[arg(value_name = "NAME")]
        name: String,
        /// Write it as JSON to this file, or - for standard output
        #[arg(long, value_name = "PATH")]
        json: Option<PathBuf>,
    },
}

fn point(text: &str) -> Result<[f64; 2], String> {
    let Some((rate, viscosity)) = text.split_once(':') else {
        return Err("write shear rate and viscosity with a colon between, e.g. 100:900".to_owned());
    };
    Ok([above_zero(rate)?, above_zero(viscosity)?])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_point_has_two_numbers() {
        assert_eq!(point("100:900"), Ok([100.0, 900.0]));
        for text in ["100", "100:", ":", "100:0", "a:b", "1:2:3"] {
            assert!(point(text).is_err(), "{text}");
        }
    }
}
