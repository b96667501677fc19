//! `meltwright weigh`

use std::io::Read;
use std::path::{Path, PathBuf};

use meltwright::error::{Error, Result};
use meltwright::weigh::{Fit, Pause, Plan, PlanOptions, Sheet};

use super::{is_new, is_svg, tell, write_json, write_text};
use crate::cli::apart::{self, Written};
use crate::cli::folders;
use crate::cli::plan::{self, Detail, Json};
use crate::cli::render::{plot, weigh};
use crate::cli::weigh_args::{FitArgs, PlanArgs, WeighAction};
use crate::cli::{Exit, output};

/// Names of the two files in a folder.
const GCODE_NAME: &str = "weigh.gcode";
const SHEET_ENDING: &str = "csv";
/// Bytes of a sheet that are read: one more than the library takes, so that it can refuse it.
const MOST_BYTES: u64 = (1 << 20) + 1;

/// Plans a purge test or fits its sheet.
///
/// # Errors
/// When options, profile or sheet are wrong, or a file cannot be read or written.
pub fn run(action: &WeighAction) -> Result<Exit> {
    match action {
        WeighAction::Plan(args) => plan(args)?,
        WeighAction::Fit(args) => fit(args)?,
    }
    Ok(Exit::Done)
}

fn plan(args: &PlanArgs) -> Result<()> {
    let (gcode, sheet) = targets(&args.output)?;
    let chosen = plan::choose(&args.profile, Some(&gcode))?;
    let options = PlanOptions {
        speeds_rpm: args.speeds.clone(),
        repeats: args.repeats,
        seconds: args.seconds,
        temperature_c: args.temperature,
        soak_s: args.soak,
        settle_s: args.settle,
        pause: args.pause_command.clone().map_or(Pause::Dwell(args.pause), Pause::Command),
        stops: args.stops,
        turn_mm3: args.turn_mm3,
        feed_mode: args.feed.into(),
    };
    let example = "-o bench/";
    let written = [
        Written::new("test", Some(&gcode), example),
        Written::new("sheet", Some(&sheet), example),
        Written::json(args.json.as_deref()),
    ];
    apart::check(written, chosen.path.as_deref())?;
    let planned = Plan::new(&chosen.profile, &options)?;
    // Not before all else is found sound: nothing is left behind by what is refused.
    if folders::is_folder(&args.output) {
        folders::make_folder(&args.output)?;
    }
    write_text(&gcode, &planned.gcode())?;
    write_text(&sheet, &planned.sheet())?;
    let names = [gcode.display().to_string(), sheet.display().to_string()];
    tell(&weigh::plan(&planned, &names), args.json.as_deref(), &weigh::named_plan(&planned, &names))
}

/// The G-code file and the sheet, neither of which exists yet.
fn targets(output: &Path) -> Result<(PathBuf, PathBuf)> {
    let gcode = if folders::is_folder(output) { output.join(GCODE_NAME) } else { output.to_owned() };
    let ending = gcode.extension().map(|ending| ending.to_ascii_lowercase());
    if apart::is_dash(output) || ending.is_some_and(|ending| ending == SHEET_ENDING) {
        return Err(Error::usage(
            "the test is two files, a G-code file and a sheet beside it".to_owned(),
            "pass -o with a folder (bench/), or with the name of the G-code file",
        ));
    }
    let sheet = gcode.with_extension(SHEET_ENDING);
    for path in [&gcode, &sheet] {
        is_new(path)?;
    }
    Ok((gcode, sheet))
}

fn fit(args: &FitArgs) -> Result<()> {
    let section_out = args.output.as_deref().is_some_and(apart::is_dash);
    let json = args.json.as_deref().map(plan::json);
    if section_out && json == Some(Json::Stdout) {
        return Err(Error::usage(
            "the lines for the profile and JSON cannot both go to standard output".to_owned(),
            "write one of them to a file, with -o PATH or --json PATH",
        ));
    }
    if let Some(path) = args.output.as_deref().filter(|_| !section_out) {
        is_new(path)?;
    }
    is_svg(args.plot.as_deref())?;
    let from_stdin = apart::is_dash(&args.sheet);
    let path = (!from_stdin).then_some(args.sheet.as_path());
    let chosen = plan::choose(&args.profile, path)?;
    let written = [
        Written::new("section", args.output.as_deref(), "-o lot.toml"),
        Written::plot(args.plot.as_deref()),
        Written::json(args.json.as_deref()),
    ];
    apart::check(written, path.into_iter().chain(chosen.path.as_deref()))?;
    let judged = read(path).and_then(|bytes| Sheet::read(&bytes)).and_then(|sheet| Fit::new(&sheet, &chosen.profile));
    let fitted = judged.map_err(|error| match path {
        Some(path) => error.in_file(path),
        None => error,
    })?;
    let detail = plan::detail(&args.loudness);
    // Said behind the account, as files that are beside it.
    let mut written = String::new();
    if let Some(path) = &args.plot {
        write_text(path, &plot::svg(&fitted)?)?;
        written.push_str(&format!("Drew {}\n", path.display()));
    }
    if let Some(path) = args.output.as_deref().filter(|_| !section_out) {
        write_text(path, &fitted.profile_section)?;
        written.push_str(&format!("Wrote {}\n", path.display()));
    }
    let name = path.map_or_else(|| "standard input".to_owned(), |path| path.display().to_string());
    let show_section = args.output.is_none() && detail != Detail::Headline;
    let text = weigh::fit(&fitted, &name, &chosen.origin, detail, show_section);
    output::to(plan::text(section_out, json.as_ref()), &text)?;
    if section_out {
        output::to_stdout(&fitted.profile_section)?;
    }
    if let Some(to) = &json {
        write_json(to, &weigh::named_fit(&fitted, &name))?;
    }
    if detail != Detail::Headline {
        output::to_stderr(&written);
    }
    Ok(())
}

/// The bytes of a sheet, from a file or from standard input.
fn read(path: Option<&Path>) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let read = match path {
        Some(path) => std::fs::File::open(path).and_then(|file| file.take(MOST_BYTES).read_to_end(&mut bytes)),
        None => std::io::stdin().lock().take(MOST_BYTES).read_to_end(&mut bytes),
    };
    read.map_err(|error| Error::io("read the sheet", error))?;
    Ok(bytes)
}
