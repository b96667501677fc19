//! `meltwright record`

use std::path::Path;

use meltwright::error::{Error, ErrorKind, Result};
use meltwright::findings::Code;
use meltwright::pipeline::prescan::prescan;
use meltwright::pipeline::{self, Options, Original};
use meltwright::profile::Profile;
use meltwright::source::Input;
use meltwright::summary::Summary;

use super::{write_new, write_text};
use crate::cli::apart::{self, Written};
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
    if args.rewritten.as_deref().is_some_and(apart::is_dash) {
        return Err(Error::new(ErrorKind::Usage {
            what: "the rewritten file cannot come from standard input".to_owned(),
            help: "name the file, for example --rewritten pads-screw.gcode".to_owned(),
        }));
    }
    let to_json = args.json.as_deref().map(plan::json);
    let chosen = plan::choose(&args.profile, source.path())?;
    let read = source.path().into_iter().chain(args.rewritten.as_deref()).chain(chosen.path.as_deref());
    apart::check([Written::json(args.json.as_deref())], read)?;
    let profile = &chosen.profile;
    let mut input = source.open()?;
    let sliced = judged(&mut input, &source, profile, args.lenient, false)?;
    let rewritten = match &args.rewritten {
        Some(path) => {
            let output = Source::File(path.clone());
            let mut file = output.open()?;
            let summary = judged(&mut file, &output, profile, args.lenient, true)?;
            let is_marked = prescan(&mut file)?.settings.is_rewritten;
            refuse_other(&output, &summary, is_marked, &source, &sliced)?;
            // Its path is followed beside that of the file it is said to be made from.
            let beside = Original { input: &mut input, path: source.path() };
            let options = Options { lenient: args.lenient, ..Options::default() };
            pipeline::replay(&mut file, Some(beside), profile, &options, &mut |_| {})
                .map_err(|error| error.in_file(path))?;
            Some((output.name(), summary))
        }
        None => None,
    };
    let name = source.name();
    if let Some((rewritten, summary)) = &rewritten
        && summary
            .provenance
            .input_written_with
            .as_ref()
            .is_some_and(|it| *it != summary.provenance.profile_fingerprint)
    {
        output::warning(&format!(
            "{rewritten} was rewritten with another profile than this record tells of; {}",
            Code::OtherProfile.help()
        ));
    }
    let record = Record::new(&name, &sliced, rewritten.as_ref(), profile, &chosen.origin);
    match (to_json, &args.output) {
        (Some(Json::Stdout), _) => output::to_stdout(&json::alone(&record)?)?,
        (Some(Json::File(path)), _) => write_text(&path, &json::alone(&record)?)?,
        (None, Some(path)) if path != Path::new("-") => {
            write_new(path, &toml(&record))?;
            output::to_stderr(&format!("Wrote {}\n", path.display()));
        }
        (None, _) => output::to_stdout(&toml(&record))?,
    }
    Ok(Exit::Done)
}

/// Refuses a file that this program did not write, or that is the other one.
fn refuse_other(output: &Source, made: &Summary, is_marked: bool, source: &Source, sliced: &Summary) -> Result<()> {
    let (name, other) = (output.name(), source.name());
    let wrong = if made.provenance.input_sha256 == sliced.provenance.input_sha256 {
        format!("{name} is the same as {other}")
    } else if !is_marked {
        format!("{name} does not bear the mark of a file that was rewritten")
    } else {
        return Ok(());
    };
    Err(Error::new(ErrorKind::Usage {
        what: wrong,
        help: "name the file that `meltwright rewrite` wrote, or leave --rewritten out".to_owned(),
    }))
}

fn judged(input: &mut Input, source: &Source, profile: &Profile, lenient: bool, again: bool) -> Result<Summary> {
    let progress = Progress::new(true);
    let bar = progress.start(source.name(), input.len());
    let options = Options { lenient, again, ..Options::default() };
    let summary = pipeline::audit(input, profile, &options, &mut |done| bar.at(done));
    drop(bar);
    summary.map_err(|error| work::in_source(error, source))
}
