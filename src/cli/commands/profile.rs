//! `meltwright profile`

use std::path::Path;

use meltwright::error::Result;
use meltwright::profile::Profile;

use super::write_new;
use crate::cli::args::{ProfileAction, ProfileChoice};
use crate::cli::output::Stream;
use crate::cli::render::profile;
use crate::cli::{Exit, output, plan};

/// Writes, checks or shows a profile.
///
/// # Errors
/// When a file is in the way, missing or has faults.
pub fn run(action: &ProfileAction) -> Result<Exit> {
    match action {
        ProfileAction::New { path: None } => output::to_stdout(Profile::template())?,
        ProfileAction::New { path: Some(path) } => new(path)?,
        ProfileAction::Check { path } => check(path)?,
        ProfileAction::Show { choice } => {
            let chosen = plan::choose(choice, None)?;
            output::to_stdout(&profile::shown(&chosen.profile, &chosen.origin))?;
        }
    }
    Ok(Exit::Done)
}

fn new(path: &Path) -> Result<()> {
    write_new(path, Profile::template())?;
    let told = format!(
        "Wrote {}. Replace what you know, mark what you measured, then run: meltwright profile check {}\n",
        path.display(),
        path.display()
    );
    output::to(Stream::Out, &told)
}

fn check(path: &Path) -> Result<()> {
    let choice = ProfileChoice { profile: Some(path.to_owned()), ..ProfileChoice::default() };
    let chosen = plan::choose(&choice, None)?;
    for caution in chosen.profile.cautions() {
        output::warning(&format!("{}: {}; {}", caution.key, caution.what, caution.help));
    }
    output::to(Stream::Out, &profile::checked(&path.display().to_string(), &chosen.profile))
}
