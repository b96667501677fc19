//! `meltwright screw`

use meltwright::error::{Error, ErrorKind, Result};
use meltwright::feedstock::library::{Grade, Library, MELT_SHARE};
use meltwright::feedstock::no_answer;
use meltwright::hopper::PACKING;
use meltwright::physics::die::{Cone, Die};
use meltwright::physics::estimate::{Densities, Estimate, Setup};
use meltwright::physics::pump::{Edges, Geometry};
use meltwright::physics::range::OutOfRange;
use meltwright::physics::viscosity::PowerLaw;
use meltwright::profile::{Profile, Provenance};
use meltwright::units::{Density, Length, Pressure, RotationSpeed, Viscosity, Volume, VolumeFlow, rounded};

use super::{is_svg, tell, write_text};
use crate::cli::apart::{self, Written};
use crate::cli::material_args::ScrewArgs;
use crate::cli::render::screw::{self, Assumption, Report};
use crate::cli::{Exit, output, plan};

/// The grade whose melt is taken where nothing is said of the melt.
const USUAL_GRADE: &str = "tpe-30a";
/// Load at which melt-flow rates are mostly stated, kg (ISO 1133).
const USUAL_LOAD_KG: f64 = 2.16;
/// How much an elastomer thins under shear: common practice, no source.
const USUAL_INDEX: f64 = 0.5;
/// Gap over the flights of a small screw, mm: common practice, no source.
const CLEARANCE_MM: f64 = 0.1;
/// Width of a land as a share of the bore: common practice, no source.
const LAND_SHARE: f64 = 0.1;
/// Length of the straight bore of a nozzle as a multiple of the bore: common practice, no source.
const NOZZLE_LAND_BORES: f64 = 2.0;

/// Estimates what a screw gives.
///
/// # Errors
/// When numbers, grade or profile are wrong, or a file cannot be written.
pub fn run(args: &ScrewArgs) -> Result<Exit> {
    let chosen = plan::choose(&args.profile, None)?;
    let written = [Written::plot(args.plot.as_deref()), Written::json(args.json.as_deref())];
    apart::check(written, chosen.path.as_deref())?;
    is_svg(args.plot.as_deref())?;
    let library = Library::embedded();
    let mut assumed = Assumed { list: Vec::new() };
    let setup = setup(args, &chosen.profile, &library, &mut assumed)?;
    let estimate = Estimate::of(&setup).map_err(no_answer)?;
    let grade = args.feedstock.as_deref().and_then(|name| library.grade(name).ok());
    let food = grade.is_some_and(|grade| library.is_food(grade));
    let nozzle = args.nozzle_bore.unwrap_or(chosen.profile.nozzle.diameter_mm.value);
    let report = Report { setup: &setup, estimate: &estimate, assumptions: &assumed.list, nozzle_mm: nozzle, food };
    if let Some(path) = &args.plot {
        write_text(path, &screw::figure(&report).svg())?;
    }
    tell(&screw::text(&report), args.json.as_deref(), &screw::account(&report))?;
    if let Some(path) = &args.plot {
        output::to_stderr(&format!("Drew {}\n", path.display()));
    }
    Ok(Exit::Done)
}

/// Takes note of what was not given.
struct Assumed {
    list: Vec<Assumption>,
}

impl Assumed {
    fn number(&mut self, given: Option<f64>, what: &'static str, value: f64, unit: &'static str, why: &str) -> f64 {
        given.unwrap_or_else(|| {
            self.list.push(Assumption {
                what,
                value: format!("{} {unit}", rounded(value, 3)).trim_end().to_owned(),
                why: why.to_owned(),
            });
            value
        })
    }
}

fn setup(args: &ScrewArgs, profile: &Profile, library: &Library, assumed: &mut Assumed) -> Result<Setup> {
    let mm = Length::from_mm;
    let grade = args.feedstock.as_deref().map(|name| library.grade(name)).transpose()?;
    let lead = assumed.number(args.lead, "lead", args.bore, "mm", "as the bore, the usual square pitch");
    let usual = "common practice, no source";
    let land = assumed.number(args.flight_width, "flight width", LAND_SHARE * args.bore, "mm", usual);
    let clearance = assumed.number(args.clearance, "clearance", CLEARANCE_MM, "mm", usual);
    let feed_depth = mm(args.depth * args.compression);
    let metering = Geometry {
        bore: mm(args.bore),
        depth_first: if args.tapered { feed_depth } else { mm(args.depth) },
        depth_last: mm(args.depth),
        lead: mm(lead),
        flights: args.flights,
        land: mm(land),
        clearance: mm(clearance),
        length: mm(args.length),
        edges: Edges::Count,
    };
    let stated = |provenance: Provenance| format!("{provenance}, from the profile");
    let bore = &profile.nozzle.diameter_mm;
    let nozzle = assumed.number(args.nozzle_bore, "nozzle bore", bore.value, "mm", &stated(bore.provenance));
    let nozzle_land = NOZZLE_LAND_BORES * nozzle;
    let straight = assumed.number(args.nozzle_land, "nozzle land", nozzle_land, "mm", usual);
    let cone = args.cone_from.map(|wide| Cone { wide: mm(wide), half_angle_deg: args.cone_angle });
    let highest = &profile.screw.max_speed_rpm;
    let speed = assumed.number(args.speed, "screw speed", highest.value, "rev/min", &stated(highest.provenance));
    let melting = &profile.screw.melting_limit_mm3_s;
    if let Some(limit) = melting.value {
        let (value, why) = (format!("{limit} mm³/s"), stated(melting.provenance));
        assumed.list.push(Assumption { what: "melting limit", value, why });
    }
    let densities = densities(args, profile, grade, assumed)?;
    Ok(Setup {
        metering,
        feed_depth,
        screw_length: args.screw_length.map(mm),
        head: Volume::from_mm3(args.head_volume * 1e3),
        die: Die::new(mm(nozzle), mm(straight), cone).map_err(no_answer)?,
        melt: melt(args, densities.melt_g_cm3, grade, library, assumed)?,
        densities,
        speed: RotationSpeed::from_rpm(speed),
        melting_limit: melting.value.map(VolumeFlow::from_mm3_s),
        pressure_limit: args.max_pressure.map(Pressure::from_mpa),
        derate: profile.screw.derate.value,
    })
}

fn densities(args: &ScrewArgs, profile: &Profile, grade: Option<&Grade>, assumed: &mut Assumed) -> Result<Densities> {
    let own = &profile.feedstock.density_g_cm3;
    let (usual, why) = match grade {
        Some(grade) => (grade.density_g_cm3.value, format!("of {}", grade.name)),
        None => (own.value, format!("{}, from the profile", own.provenance)),
    };
    let solid = assumed.number(args.density, "density", usual, "g/cm³", &why);
    // Another lot of a grade is as much lighter as melt and as poured as the grade itself.
    let of_grade = |value: Option<f64>, share: f64, words: &str| match (value, grade) {
        (Some(value), Some(grade)) if args.density.is_none() => (value, format!("of {}", grade.name)),
        (Some(value), Some(grade)) => {
            (solid * value / usual, format!("the share of the solid that {} has", grade.name))
        }
        _ => (solid * share, words.to_owned()),
    };
    let (melt, why) = of_grade(grade.map(|g| g.melt_density_g_cm3.value), MELT_SHARE, "a tenth below the solid");
    let melt = assumed.number(args.melt_density, "melt density", melt, "g/cm³", &why);
    let bulk = grade.and_then(|g| g.bulk_density_g_cm3.as_ref()).map(|found| found.value);
    let (bulk, why) = of_grade(bulk, PACKING, &format!("{PACKING} of the solid"));
    let bulk = assumed.number(args.bulk_density, "bulk density", bulk, "g/cm³", &why);
    if melt > solid {
        return Err(Error::new(ErrorKind::Usage {
            what: format!("a melt of {melt} g/cm³ is denser than its solid of {} g/cm³", rounded(solid, 3)),
            help:
                "melts of plastics are lighter than the solid, usually by a tenth; correct --melt-density or --density"
                    .to_owned(),
        }));
    }
    let density = Density::from_g_cm3;
    Ok(Densities { solid_g_cm3: density(solid), melt_g_cm3: density(melt), bulk_g_cm3: density(bulk) })
}

fn melt(
    args: &ScrewArgs,
    density: Density,
    grade: Option<&Grade>,
    library: &Library,
    assumed: &mut Assumed,
) -> Result<PowerLaw> {
    let answer = |law: Result<PowerLaw, OutOfRange>| law.map_err(no_answer).and_then(thins);
    if let Some(viscosity) = args.viscosity {
        return answer(PowerLaw::newtonian(Viscosity::from_pa_s(viscosity)));
    }
    if let Some(rate) = args.mfr {
        let load = assumed.number(args.load, "load of the melt-flow rate", USUAL_LOAD_KG, "kg", "the most usual one");
        let why = "common practice, no source; one rate gives no curve";
        let index = assumed.number(args.index, "power-law index", USUAL_INDEX, "", why);
        return answer(PowerLaw::from_melt_flow(rate, load, density, index));
    }
    match args.point.as_slice() {
        [] => {}
        [[rate, viscosity], [other_rate, other]] => {
            let pa_s = Viscosity::from_pa_s;
            return answer(PowerLaw::through((*rate, pa_s(*viscosity)), (*other_rate, pa_s(*other))));
        }
        points => {
            return Err(Error::new(ErrorKind::Usage {
                what: format!("a flow curve takes two points, not {}", points.len()),
                help: "give --point twice, with different shear rates, or --viscosity".to_owned(),
            }));
        }
    }
    let named = grade.filter(|grade| grade.melt.is_some());
    let taken = named.map_or_else(|| library.grade(USUAL_GRADE), Ok)?;
    let Some(flow) = &taken.melt else {
        return Err(Error::new(ErrorKind::Usage {
            what: "nothing is known of the melt".to_owned(),
            help: "give --viscosity, --point twice or --mfr".to_owned(),
        }));
    };
    let law = answer(flow.value.law())?;
    let value = screw::melt_law(law);
    let why = match named {
        Some(grade) => format!("of {} at {} °C; {}", grade.name, flow.value.at_c, flow.source),
        None => format!("nothing was given; that of {USUAL_GRADE} at {} °C is taken", flow.value.at_c),
    };
    assumed.list.push(Assumption { what: "melt", value, why });
    Ok(law)
}

/// Melts do not thicken under shear.
fn thins(law: PowerLaw) -> Result<PowerLaw> {
    if law.index() <= 1.0 {
        return Ok(law);
    }
    Err(Error::new(ErrorKind::Usage {
        what: format!("a melt with {} would thicken under shear", screw::melt_law(law)),
        help: "melts of plastics thin: the higher shear rate goes with the lower viscosity, and --index lies between 0.05 \
               and 1; look whether two numbers were swapped"
            .to_owned(),
    }))
}
