//! `meltwright controller`

use meltwright::error::Result;
use meltwright::pipeline::expectations::expectations;

use super::tell;
use crate::cli::apart::{self, Written};
use crate::cli::record_args::ControllerArgs;
use crate::cli::render::controller::{Sheet, text};
use crate::cli::{Exit, plan};

/// Says what the controller has to be set to.
///
/// # Errors
/// When the profile is wrong, or the JSON cannot be written.
pub fn run(args: &ControllerArgs) -> Result<Exit> {
    let chosen = plan::choose(&args.profile, None)?;
    apart::check([Written::json(args.json.as_deref())], chosen.path.as_deref())?;
    let sheet = Sheet {
        controller: chosen.profile.controller.preset.value.name(),
        profile: chosen.origin,
        passes: args.chosen.passes.names(),
        settings: expectations(&chosen.profile, args.chosen.passes),
    };
    tell(&text(&sheet), args.json.as_deref(), &sheet)?;
    Ok(Exit::Done)
}
