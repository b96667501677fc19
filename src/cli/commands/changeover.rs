//! `meltwright changeover`

use meltwright::demand::capacity::Capacity;
use meltwright::error::Result;
use meltwright::feedstock::changeover::{Barrel, place};
use meltwright::feedstock::library::{Library, MELT_SHARE};
use meltwright::pipeline::layers::{is_of_other_profile, volume_by_layer};
use meltwright::profile::Profile;
use meltwright::units::{Density, Mass, SpecificOutput, Volume, VolumeFlow, rounded};

use super::tell;
use crate::cli::apart::{self, Written};
use crate::cli::material_args::ChangeoverArgs;
use crate::cli::numbers::MOST_PERCENT;
use crate::cli::plan::{self, Source};
use crate::cli::progress::Progress;
use crate::cli::render::changeover::{Account, text};
use crate::cli::{Exit, output, work};

/// Computes a change-over.
///
/// # Errors
/// When numbers, grade or profile are wrong, the file cannot be read, or has no such layer.
pub fn run(args: &ChangeoverArgs) -> Result<Exit> {
    let chosen = plan::choose(&args.profile, args.file.as_deref().filter(|path| !apart::is_dash(path)))?;
    let read = args.file.as_deref().into_iter().chain(chosen.path.as_deref());
    apart::check([Written::json(args.json.as_deref())], read)?;
    let profile = &chosen.profile;
    let library = Library::embedded();
    let old = Density::from_g_cm3(profile.feedstock.density_g_cm3.value);
    let named = args.to.as_deref().map(|name| library.grade(name)).transpose()?;
    let (density, density_from) = match named {
        Some(grade) => (Density::from_g_cm3(grade.density_g_cm3.value), grade.name.clone()),
        None => (old, "the profile".to_owned()),
    };
    let of_profile = || library.grade(&profile.feedstock.name.value).ok();
    let melt_share = named
        .or_else(of_profile)
        .map_or(MELT_SHARE, |grade| grade.melt_density_g_cm3.value / grade.density_g_cm3.value);
    let melt = Volume::from_mm3(args.melt_volume * 1e3);
    let solids = Mass::from_g(args.granules_left) / old;
    let barrel = Barrel::new(melt * melt_share, args.tanks, solids)?;
    let flow = Capacity::of(profile).sustained_mm3_s;
    let output = SpecificOutput::from_mm3_rev(1.0 / profile.screw.output.value.turns_per_mm3(flow));
    let purge = barrel.purge([old, density], output, VolumeFlow::from_mm3_s(flow))?;
    let mut other_profile = false;
    let placement = match (&args.file, args.at_layer) {
        (Some(path), Some(layer)) => {
            let layers;
            (layers, other_profile) = layers_of(&Source::typed(path), args.lenient, profile)?;
            Some(place(&barrel, &layers, layer, args.share / 100.0)?)
        }
        _ => None,
    };
    let masses = placement.as_ref().map(|placed| placed.masses(&barrel, [old, density])).transpose()?;
    let account = Account {
        melt_mm3: melt,
        melt_density_g_cm3: density * melt_share,
        barrel,
        density_before_g_cm3: old,
        density_g_cm3: density,
        density_from,
        food: [named, of_profile()].into_iter().flatten().any(|grade| library.is_food(grade)),
        specific_output_mm3_rev: output,
        sustained_capacity_mm3_s: flow,
        purge,
        placement,
        masses,
        other_profile,
    };
    if args.share <= 1.0 {
        output::warning(&fraction(args.share));
    }
    tell(&text(&account), args.json.as_deref(), &account)?;
    Ok(Exit::Done)
}

/// What is said of a share in % that looks like a fraction of one.
fn fraction(share: f64) -> String {
    let meant = rounded((100.0 * share).min(MOST_PERCENT), 3);
    format!(
        "--share {share} is {share} %, next to nothing of the new recipe; if it is meant as a fraction of one, pass --share {meant}"
    )
}

/// What is laid in each layer, and whether the file was rewritten with another profile.
fn layers_of(source: &Source, lenient: bool, profile: &Profile) -> Result<(Vec<f64>, bool)> {
    let mut input = source.open()?;
    let progress = Progress::new(true);
    let bar = progress.start(source.name(), input.len());
    let layers = volume_by_layer(&mut input, profile, lenient, &mut |done| bar.at(done))
        .and_then(|layers| Ok((layers, is_of_other_profile(&mut input, profile)?)));
    layers.map_err(|error| work::in_source(error, source))
}
