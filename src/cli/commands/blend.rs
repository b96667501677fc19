//! `meltwright blend`

use meltwright::error::{Error, ErrorKind, Result};
use meltwright::feedstock::blend::{Basis, Blend, Weighing};
use meltwright::feedstock::component::Component;
use meltwright::feedstock::library::Library;
use meltwright::units::{Mass, SpecificOutput, Volume};
use schemars::JsonSchema;
use serde::Serialize;

use super::{tell, write_new};
use crate::cli::apart::{self, Written};
use crate::cli::material_args::{BlendArgs, By};
use crate::cli::render::blend::{self, Order};
use crate::cli::{Exit, output, plan};

/// A blend with what is to be weighed in.
#[derive(Serialize, JsonSchema)]
pub struct Account<'a> {
    name: String,
    #[serde(flatten)]
    blend: &'a Blend,
    part_g: Option<Mass>,
    purge_g: Mass,
    weighings: &'a [Weighing],
    section: Option<String>,
}

/// Mixes what was typed.
///
/// # Errors
/// When the recipe or the profile is wrong, or the section cannot be written.
pub fn run(args: &BlendArgs) -> Result<Exit> {
    let chosen = plan::choose(&args.profile, None)?;
    let section = Written::new("section", args.write.as_deref(), "--write blend.toml");
    apart::check([section, Written::json(args.json.as_deref())], chosen.path.as_deref())?;
    let library = Library::embedded();
    let entries = args.entries.iter().map(|text| Component::parse(text, &library));
    let components = entries.collect::<Result<Vec<_>>>()?;
    let basis = match args.by {
        By::Mass => Basis::Mass,
        By::Volume => Basis::Volume,
    };
    let per_turn = SpecificOutput::from_mm3_rev(chosen.profile.screw.output.value.per_turn_mm3());
    let blend = Blend::new(components, basis, per_turn, &library)?;
    let section = blend.section();
    let of_volume = |cm3: f64| Volume::from_mm3(cm3 * 1e3) * blend.density_g_cm3;
    let part = args.part_grams.map(Mass::from_g).or_else(|| args.part_volume.map(of_volume));
    let purge = Mass::from_g(args.purge);
    // Without a part, the recipe for a kilogram is as good as any.
    let order = match part {
        Some(part) => Order::Part { part, purge },
        None if purge > Mass::from_g(0.0) => {
            return Err(Error::new(ErrorKind::Usage {
                what: "a purge goes before a part, and none is named".to_owned(),
                help: "give --part-grams or --part-volume, or leave out --purge".to_owned(),
            }));
        }
        None => Order::Kilogram,
    };
    if let Some(path) = &args.write {
        match &section {
            Ok(text) => write_new(path, text)?,
            Err(_) => return section.map(|_| Exit::Done),
        }
    }
    let weighings = blend.weighings(order.total());
    let account = Account {
        name: blend.name(),
        blend: &blend,
        part_g: part,
        purge_g: purge,
        weighings: &weighings,
        section: section.as_ref().ok().cloned(),
    };
    let refusal = section.as_ref().err().map(ToString::to_string);
    let words = blend::text(&blend, order, &weighings, section.as_deref().map_err(|_| refusal.unwrap_or_default()));
    tell(&words, args.json.as_deref(), &account)?;
    if let Some(path) = &args.write {
        output::to_stderr(&format!("Wrote {}\n", path.display()));
    }
    Ok(Exit::Done)
}
