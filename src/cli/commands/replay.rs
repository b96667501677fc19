//! `meltwright replay`

use meltwright::error::{Error, ErrorKind, Result};
use meltwright::pipeline::{self, Options, Original};

use super::write_text;
use crate::cli::apart::{self, Written};
use crate::cli::args::ReplayArgs;
use crate::cli::plan::{self, Json, Source};
use crate::cli::progress::Progress;
use crate::cli::render::{json, replay};
use crate::cli::{Exit, output, work};

/// Executes a file on the virtual machine and says how well what is laid fits what was wanted.
///
/// # Errors
/// When the command line or the profile is wrong, a file cannot be read or followed, the two files do not go the same
/// path, or the account cannot be written.
pub fn run(args: &ReplayArgs) -> Result<Exit> {
    let source = Source::typed(&args.file);
    let against = args.against.as_deref().map(Source::typed);
    if source == Source::Stdin && against == Some(Source::Stdin) {
        return Err(Error::new(ErrorKind::Usage {
            what: "both files cannot come from standard input".to_owned(),
            help: "name one of them as a file".to_owned(),
        }));
    }
    let to_json = args.json.as_deref().map(plan::json);
    let chosen = plan::choose(&args.profile, source.path())?;
    let files = source.path().into_iter().chain(against.as_ref().and_then(Source::path));
    apart::check([Written::json(args.json.as_deref())], files.chain(chosen.path.as_deref()))?;
    let mut input = source.open()?;
    let mut original = against.as_ref().map(Source::open).transpose()?;
    let beside = original.as_mut().map(|input| Original { input, path: against.as_ref().and_then(Source::path) });
    let progress = Progress::new(true);
    let bar = progress.start(source.name(), input.len());
    let options = Options { lenient: args.lenient, ..Options::default() };
    let account = pipeline::replay(&mut input, beside, &chosen.profile, &options, &mut |done| bar.at(done))
        .map_err(|error| work::in_source(error, &source));
    drop(bar);
    let account = account?;
    let against = against.map(|against| against.name());
    let text = replay::text(&source.name(), against.as_deref(), &account, &chosen.origin);
    output::to(plan::text(false, to_json.as_ref()), &text)?;
    if let Some(to) = to_json {
        let account = json::replay(&source.name(), against.as_deref(), &account)?;
        match to {
            Json::Stdout => output::to_stdout(&account)?,
            Json::File(path) => write_text(&path, &account)?,
        }
    }
    Ok(Exit::Done)
}
