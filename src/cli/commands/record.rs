//! `meltwright record`

use std::path::Path;

use meltwright::error::{Error, ErrorKind, Result};
use meltwright::pipeline::{self, Options};
use meltwright::profile::Profile;
use meltwright::source::Input;
use meltwright::summary::Summary;

use super::{write_new, write_text};
use crate::cli::plan::{self, Json, Source};
use crate::cli::progress::Progress;
use crate::cli::record_args::RecordArgs;
use crate::cli::render::json;
use crate::cli::render::record::{Record, toml};
use crate::cli::{Exit, output, work};

/// Writes down what a print was made from and with.
///
/// # Errors
/// When a file cannot be read, the profile is wrong, or the file that is named as rewritten is not.
pub fn run(args: &RecordArgs) -> Result<Exit> {
    let source = Source::typed(&args.file);
    if args.rewritten.as_deref().is_some_and(plan::is_dash) {
        return Err(Error::new(ErrorKind::Usage {
            what: "the rewritten file cannot come from standard input".to_owned(),
            help: "name the file, for example --rewritten pads-screw.gcode".to_owned(),
        }));
    }
    let chosen = plan::choose(&args.profile, source.path())?;
    let profile = &chosen.profile;
    let sliced = judged(&source, profile, args.lenient, false)?;
    let rewritten = match &args.rewritten {
        Some(path) => {
            Some((path.display().to_string(), judged(&Source::File(path.clone()), profile, args.lenient, true)?))
        }
        None => None,
    };
    if let Some((name, summary)) = &rewritten
        && summary.provenance.input_sha256 == sliced.provenance.input_sha256
    {
        return Err(Error::new(ErrorKind::Usage {
            what: format!("{name} is the same as {}", source.name()),
            help: "name the file that `meltwright rewrite` wrote, or leave --rewritten out".to_owned(),
        }));
    }
    let name = source.name();
    let record = Record::new(&name, &sliced, rewritten.as_ref(), profile, &chosen.origin);
    match (&args.json, &args.output) {
        (Some(path), _) => match plan::json(path) {
            Json::Stdout => output::to_stdout(&json::alone(&record)?)?,
            Json::File(path) => write_text(&path, &json::alone(&record)?)?,
        },
        (None, Some(path)) if path != Path::new("-") => write_new(path, &toml(&record))?,
        (None, _) => output::to_stdout(&toml(&record))?,
    }
    Ok(Exit::Done)
}

fn judged(source: &Source, profile: &Profile, lenient: bool, again: bool) -> Result<Summary> {
    let mut input = match source {
        Source::Stdin => Input::spooled(&mut std::io::stdin().lock())?,
        Source::File(path) => Input::open(path)?,
    };
    let progress = Progress::new(true);
    let bar = progress.start(source.name(), input.len());
    let options = Options { lenient, again, ..Options::default() };
    let summary = pipeline::audit(&mut input, profile, &options, &mut |done| bar.at(done));
    drop(bar);
    summary.map_err(|error| work::in_source(error, source))
}
