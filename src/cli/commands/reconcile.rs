//! `meltwright reconcile`

use std::path::Path;

use meltwright::error::{Error, ErrorKind, Result};
use meltwright::hopper::reconcile::{Reconciliation, Verdict};
use meltwright::pipeline::predict::predict;
use meltwright::profile::{Entry, Origin, Output, Profile, Provenance};
use meltwright::weigh::Conditions;

use super::tell;
use crate::cli::apart::{self, Written};
use crate::cli::material_args::ReconcileArgs;
use crate::cli::plan::{self, Source};
use crate::cli::progress::Progress;
use crate::cli::render::reconcile::{Account, text};
use crate::cli::{Exit, work};

/// Compares what a print weighs with what its file asks for.
///
/// # Errors
/// When numbers or profile are wrong, or the file cannot be read or lays nothing.
pub fn run(args: &ReconcileArgs) -> Result<Exit> {
    let source = Source::typed(&args.file);
    let chosen = plan::choose(&args.profile, source.path())?;
    let read = source.path().into_iter().chain(chosen.path.as_deref());
    apart::check([Written::json(args.json.as_deref())], read)?;
    let profile = &chosen.profile;
    let mut input = source.open()?;
    let progress = Progress::new(true);
    let bar = progress.start(source.name(), input.len());
    let prediction = predict(&mut input, profile, args.lenient, &mut |done| bar.at(done));
    drop(bar);
    let prediction = prediction.map_err(|error| work::in_source(error, &source))?;
    let found = Reconciliation::of(prediction.mass_g, args.weighed, args.resolution).ok_or_else(|| {
        Error::new(ErrorKind::Usage {
            what: "these masses cannot be compared".to_owned(),
            help: "give the mass of the whole print and the step of the scale in grams".to_owned(),
        })
    })?;
    let account = Account {
        file: source.name(),
        prediction,
        density_g_cm3: profile.feedstock.density_g_cm3.value,
        density_measured: profile.feedstock.density_g_cm3.provenance == Provenance::Measured,
        // How many turns the file asks for follows from what the other profile says of one.
        profile_line: (found.verdict == Verdict::Differs && !prediction.turns_of_other_profile)
            .then(|| line(profile, &found, prediction.counts_turns, &source)),
        found,
        profile: chosen.origin,
    };
    tell(&text(&account), args.json.as_deref(), &account)?;
    Ok(Exit::Done)
}

/// The corrected output as a line for the `[screw]` section. It counts as measured where the file itself counts turns;
/// elsewhere the controller stands between, and it is worth as much as before.
fn line(profile: &Profile, found: &Reconciliation, counts_turns: bool, source: &Source) -> String {
    let output = &profile.screw.output;
    let scaled = |value: f64| (value * found.factor * 1e4).round() / 1e4;
    let (key, value) = match &output.value {
        Output::Constant(mm3_rev) => ("screw.specific_output_mm3_rev", format!("{:?}", scaled(*mm3_rev))),
        Output::Curve(points) => {
            let points: Vec<String> =
                points.iter().map(|[rpm, flow]| format!("[{rpm:?}, {:?}]", scaled(*flow))).collect();
            ("screw.output_curve", format!("[{}]", points.join(", ")))
        }
    };
    let provenance = if counts_turns { Provenance::Measured } else { output.provenance };
    // The conditions of the weighing before still hold.
    let conditions = Conditions::of_profile(profile).map_or_else(String::new, |conditions| format!("{conditions}; "));
    let name = source.path().and_then(Path::file_name).map_or_else(|| source.name(), |name| name.display().to_string());
    let note = format!(
        "{conditions}times {:.4} +- {:.4} by {} g of {}",
        found.factor, found.factor_plus_minus, found.weighed_g, name
    );
    Entry { key, value, provenance, origin: Origin::Profile, note: Some(note) }.line()
}
