//! One entry of a recipe: a share of a grade of the library, with values of the user's own laid over it.

use serde::Serialize;

use super::library::{Drying, Grade, Library, MeltFlow};
use super::no_answer;
use crate::error::{Error, Result};
use crate::physics::stiffness::{Hardness, Stiffness, estimate};
use crate::profile::nearest;
use crate::units::{Density, Modulus, SpecificOutput};

/// How an entry is written.
const FORM: &str = "write SHARE:GRADE, for example 70:tpe-30a, or with values of your own \
                    30:tpu-85a,density=1.19,output=14.5 or 30:own,name=lot-7,density=0.95,shore-a=25";

/// What may stand behind the grade, each with a unit.
const KEYS: [&str; 13] = [
    "name",
    "family",
    "density",
    "bulk",
    "shore-a",
    "shore-d",
    "shore-oo",
    "modulus",
    "output",
    "nozzle-min",
    "nozzle-max",
    "drying-c",
    "drying-h",
];

/// The name that takes nothing from the library.
const OWN: &str = "own";

/// Whether and how it has to be dried.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Dryness {
    /// Nothing is known.
    Unknown,
    /// It is used as it comes.
    NotNeeded,
    /// It is dried.
    Needed(Drying),
}

/// One entry of a recipe.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Component {
    /// Share as it was typed, above 0; a percentage or a fraction.
    #[serde(skip)]
    pub share: f64,
    /// Short name.
    pub name: String,
    /// Family, where it is known.
    pub family: Option<String>,
    /// Made to be eaten.
    pub food: bool,
    /// Density of the solid.
    pub density_g_cm3: Density,
    /// Density as poured.
    pub bulk_density_g_cm3: Option<Density>,
    /// Stiffness with its band, where hardness or modulus is known.
    pub stiffness: Option<Stiffness>,
    /// What one turn of the screw gave of it, weighed on the user's machine.
    pub output_mm3_rev: Option<SpecificOutput>,
    /// Lowest and highest nozzle temperature, °C.
    pub nozzle_c: Option<[f64; 2]>,
    /// Drying.
    pub dryness: Dryness,
    /// How the melt flows.
    pub melt: Option<MeltFlow>,
}

impl Component {
    /// Reads `SHARE:GRADE[,KEY=VALUE...]`.
    ///
    /// | key                        | unit    | range                |
    /// |----------------------------|---------|----------------------|
    /// | `density`, `bulk`          | g/cm³   | 0.5 ..= 5; bulk <= density |
    /// | `shore-a`, `-d`, `-oo`     | Shore   | 0 ..= 99, 10 ..= 95, 0 ..= 70 |
    /// | `modulus`                  | MPa     | above 0, to 1e6      |
    /// | `output`                   | mm³/rev | above 0, to 1e5      |
    /// | `nozzle-min`, `nozzle-max` | °C      | 20 ..= 500           |
    /// | `drying-c`, `drying-h`     | °C, h   | 20 ..= 250, to 240   |
    ///
    /// # Errors
    /// [`crate::error::ErrorKind::Usage`] for a share that is no number above zero, an unknown grade or key (with the
    /// nearest one), a value out of range, and for PVC and POM.
    pub fn parse(text: &str, library: &Library) -> Result<Self> {
        let Some((share, rest)) = text.split_once(':') else {
            return Err(Error::usage(format!("`{}` is no entry of a recipe", shown(text)), FORM));
        };
        let mut words = rest.split(',').map(str::trim);
        let grade = words.next().unwrap_or_default();
        let share = number("the share", share.trim().trim_end_matches('%').trim(), 0.0, 100.0, grade)?;
        if grade.is_empty() {
            return Err(Error::usage(format!("`{}` names no grade", shown(text)), FORM));
        }
        let mut typed = Typed::default();
        let mut told: Vec<(String, String)> = Vec::new();
        for word in words {
            let Some((key, value)) = word.split_once('=') else {
                let what = format!("`{}` in `{}` is not key=value", shown(word), shown(text));
                return Err(Error::usage(what, format!("write decimals with a point; {FORM}")));
            };
            let key = key.trim().to_lowercase().replace('_', "-");
            typed.take(&key, value.trim(), grade)?;
            // Hardness is told on one scale.
            let what = if key.starts_with("shore-") { "hardness".to_owned() } else { key.clone() };
            if let Some((_, before)) = told.iter().find(|(known, _)| *known == what) {
                let what = format!("the {what} of `{}` is given twice, by {before} and {key}", shown(grade));
                return Err(Error::usage(what, "keep one of the two"));
            }
            told.push((what, key));
        }
        // The library knows neither, and that they are unknown is not what has to be said of them.
        if is_refused(grade) {
            return Err(never_blended(grade));
        }
        let base = if grade.eq_ignore_ascii_case(OWN) { None } else { Some(library.grade(grade)?) };
        typed.over(base, share, library)
    }
}

fn never_blended(name: &str) -> Error {
    Error::usage(
        format!("`{}` is not blended: PVC and POM must never meet in one machine", shown(name)),
        "PVC gives off hydrogen chloride and POM formaldehyde; mixed they can burst a barrel. Keep each to \
         machines, hoppers, dryers and extraction of its own",
    )
}

/// What was typed behind the grade.
#[derive(Default)]
struct Typed {
    name: Option<String>,
    family: Option<String>,
    density: Option<f64>,
    bulk: Option<f64>,
    hardness: Option<Hardness>,
    modulus: Option<f64>,
    output: Option<f64>,
    nozzle: [Option<f64>; 2],
    drying: [Option<f64>; 2],
}

impl Typed {
    /// `grade`: whose values these are.
    fn take(&mut self, key: &str, value: &str, grade: &str) -> Result<()> {
        let within = |what: &str, value, least, most| within(what, value, least, most, grade);
        let number = |what: &str, value, least, most| number(what, value, least, most, grade);
        match key {
            "name" => self.name = Some(plain(value)?),
            "family" => self.family = Some(plain(value)?.to_lowercase()),
            "density" => self.density = Some(within("density (g/cm³)", value, 0.5, 5.0)?),
            "bulk" => self.bulk = Some(within("bulk (g/cm³)", value, 0.05, 5.0)?),
            "shore-a" => self.hardness = Some(Hardness::ShoreA(within("shore-a", value, 0.0, 99.0)?)),
            "shore-d" => self.hardness = Some(Hardness::ShoreD(within("shore-d", value, 10.0, 95.0)?)),
            "shore-oo" => self.hardness = Some(Hardness::ShoreOo(within("shore-oo", value, 0.0, 70.0)?)),
            "modulus" => self.modulus = Some(number("modulus (MPa)", value, 0.0, 1e6)?),
            "output" => self.output = Some(number("output (mm³/rev)", value, 0.0, 1e5)?),
            "nozzle-min" => self.nozzle[0] = Some(within("nozzle-min (°C)", value, 20.0, 500.0)?),
            "nozzle-max" => self.nozzle[1] = Some(within("nozzle-max (°C)", value, 20.0, 500.0)?),
            "drying-c" => self.drying[0] = Some(within("drying-c (°C)", value, 20.0, 250.0)?),
            "drying-h" => self.drying[1] = Some(number("drying-h (h)", value, 0.0, 240.0)?),
            _ => {
                let near = nearest(key, KEYS.into_iter()).map_or_else(String::new, |k| format!("did you mean `{k}`? "));
                let all = KEYS.join(", ");
                return Err(Error::usage(
                    format!("a grade has no value `{}`", shown(key)),
                    format!("{near}known are {all}"),
                ));
            }
        }
        Ok(())
    }

    /// Lays what was typed over a grade of the library, or over nothing.
    fn over(self, base: Option<&Grade>, share: f64, library: &Library) -> Result<Component> {
        let name = self.name.or_else(|| base.map(|grade| grade.name.clone())).unwrap_or_else(|| OWN.to_owned());
        let family = self.family.or_else(|| base.map(|grade| grade.family.clone()));
        if [Some(&name), family.as_ref()].into_iter().flatten().any(|word| is_refused(word)) {
            return Err(never_blended(&name));
        }
        let Some(density) = self.density.or_else(|| base.map(|grade| grade.density_g_cm3.value)) else {
            let help = format!("add it, for example {share}:{OWN},name={name},density=0.95");
            return Err(Error::usage(format!("the density of `{name}` is not known"), help));
        };
        let bulk = self.bulk.or_else(|| base.and_then(|grade| grade.bulk_density_g_cm3.as_ref().map(|b| b.value)));
        if let Some(bulk) = bulk.filter(|bulk| *bulk > density) {
            let what = format!("the bulk density of `{name}` ({bulk} g/cm³) is above its density ({density} g/cm³)");
            return Err(Error::usage(what, "granules leave air between them: weigh a level litre of them"));
        }
        let stiffness = match (self.modulus, self.hardness, base) {
            (Some(mpa), _, _) => Some(measured(mpa)),
            (None, Some(hardness), _) => Some(estimate(hardness).map_err(no_answer)?),
            (None, None, Some(grade)) => match (&grade.modulus_mpa, &grade.hardness) {
                (Some(mpa), _) => Some(measured(mpa.value)),
                (None, Some(hardness)) => Some(estimate(hardness.value).map_err(no_answer)?),
                (None, None) => None,
            },
            (None, None, None) => None,
        };
        let known = base.map(|grade| grade.nozzle_c.value);
        let nozzle_c = match [0, 1].map(|end| self.nozzle[end].or(known.map(|window| window[end]))) {
            [Some(least), Some(most)] if least > most => {
                let what =
                    format!("the lowest nozzle temperature of `{name}` ({least} °C) is above the highest ({most} °C)");
                return Err(Error::usage(what, "set nozzle-min and nozzle-max from the data sheet"));
            }
            [Some(least), Some(most)] => Some([least, most]),
            [None, None] => None,
            _ => {
                let what = format!("only one end of the nozzle temperatures of `{name}` is given");
                return Err(Error::usage(what, "give both nozzle-min and nozzle-max"));
            }
        };
        let dryness = match (self.drying, base) {
            ([Some(temperature_c), Some(time_h)], _) => Dryness::Needed(Drying { temperature_c, time_h }),
            ([None, None], None) => Dryness::Unknown,
            ([None, None], Some(grade)) => match &grade.drying {
                Some(drying) => Dryness::Needed(drying.value),
                None => Dryness::NotNeeded,
            },
            _ => {
                let what = format!("drying of `{name}` needs a temperature and a time");
                return Err(Error::usage(what, "give both drying-c and drying-h"));
            }
        };
        if let (Dryness::Needed(drying), Some([least, _])) = (dryness, nozzle_c)
            && drying.temperature_c >= least
        {
            let what = format!("`{name}` would dry at {} °C and print from {least} °C", drying.temperature_c);
            return Err(Error::usage(
                what,
                "granules that dry near the melting range stick together; see the data sheet",
            ));
        }
        Ok(Component {
            share,
            food: family.as_deref().and_then(|family| library.family(family)).is_some_and(|family| family.food),
            name,
            family,
            density_g_cm3: Density::from_g_cm3(density),
            bulk_density_g_cm3: bulk.map(Density::from_g_cm3),
            stiffness,
            output_mm3_rev: self.output.map(SpecificOutput::from_mm3_rev),
            nozzle_c,
            dryness,
            melt: base.and_then(|grade| grade.melt.as_ref()).map(|melt| melt.value),
        })
    }
}

/// A modulus that is known as it is.
fn measured(mpa: f64) -> Stiffness {
    let modulus = Modulus::from_mpa(mpa);
    Stiffness { modulus_mpa: modulus, low_mpa: modulus, high_mpa: modulus, extrapolated: false }
}

/// Materials that may not share a machine with anything.
fn is_refused(word: &str) -> bool {
    let mut parts = word.split(|c: char| !c.is_ascii_alphanumeric()).map(str::to_lowercase);
    parts.any(|part| matches!(part.as_str(), "pvc" | "upvc" | "pom" | "acetal" | "polyoxymethylene"))
}

/// A single line of plain text that is not blank.
fn plain(text: &str) -> Result<String> {
    if text.is_empty() || text.chars().any(char::is_control) {
        return Err(Error::usage(format!("`{}` is no name", shown(text)), "give a name of one line"));
    }
    Ok(text.to_owned())
}

/// A number above `least` and up to `most`.
fn number(what: &str, text: &str, least: f64, most: f64, grade: &str) -> Result<f64> {
    let range = format!("above {least} and at most {most}");
    read(what, text, grade, &range, |value| value > least && value <= most)
}

/// A number from `least` to `most`.
fn within(what: &str, text: &str, least: f64, most: f64, grade: &str) -> Result<f64> {
    read(what, text, grade, &format!("from {least} to {most}"), |value| (least..=most).contains(&value))
}

fn read(what: &str, text: &str, grade: &str, range: &str, fits: impl Fn(f64) -> bool) -> Result<f64> {
    let value = text.parse::<f64>().ok().filter(|value| value.is_finite());
    let of = format!("{what} of `{}`", shown(grade));
    let help = || format!("write a number {range}, with decimals behind a point");
    match value {
        Some(value) if fits(value) => Ok(value),
        Some(value) => Err(Error::usage(format!("{of} must be {range}, but is {value}"), help())),
        None => Err(Error::usage(format!("{of} must be a number, but is `{}`", shown(text)), help())),
    }
}

/// Typed text as it may be shown: short and printable.
fn shown(text: &str) -> String {
    text.chars().take(60).map(|c| if c.is_control() { '?' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn parse(text: &str) -> Result<Component> {
        Component::parse(text, &Library::embedded())
    }

    #[test]
    fn a_grade_with_values_laid_over_it() {
        let plain = parse("70:tpe-30a").unwrap();
        assert_eq!((plain.share, plain.name.as_str(), plain.food), (70.0, "tpe-30a", false));
        let own = parse(" 30 % : TPU-85A , density=1.19, output = 14.5, shore_a=80").unwrap();
        assert_eq!(own.density_g_cm3.as_g_cm3(), 1.19);
        assert_eq!(own.output_mm3_rev, Some(SpecificOutput::from_mm3_rev(14.5)));
        // By Gent, 80A is 9.3514 MPa.
        assert!((own.stiffness.unwrap().modulus_mpa.as_mpa() - 9.3514).abs() < 5e-5);
        assert_eq!(own.nozzle_c, Some([195.0, 220.0]));
        let free = parse("5:own,name=lot 7,density=0.95,modulus=0.4,family=styrenic-tpe").unwrap();
        assert_eq!((free.name.as_str(), free.dryness, free.nozzle_c), ("lot 7", Dryness::Unknown, None));
        assert!(parse("5:chocolate-dark").unwrap().food);
    }

    #[test]
    fn wrong_entries_say_what_to_do() {
        for (text, said) in [
            ("", "no entry of a recipe"),
            ("tpe-30a", "no entry of a recipe"),
            ("70:", "names no grade"),
            ("-5:tpe-30a", "the share of `tpe-30a` must be above 0 and at most 100, but is -5"),
            ("0:tpe-30a", "the share of `tpe-30a` must be above 0"),
            ("50:tpe-30a,output=0", "output (mm³/rev) of `tpe-30a` must be above 0 and at most 100000, but is 0"),
            ("nan:tpe-30a", "must be a number"),
            ("1e999:tpe-30a", "must be a number"),
            ("70,5:tpe-30a", "must be a number"),
            ("70:tpe-31", "no grade `tpe-31`"),
            ("70:tpe-30a,density=1,12", "`12` in `70:tpe-30a,density=1,12` is not key=value"),
            ("70:tpe-30a,density=-1", "density (g/cm³) of `tpe-30a` must be from 0.5 to 5, but is -1"),
            ("70:tpe-30a,densty=1", "no value `densty`"),
            ("100:tpe-30a,shore-a=20,shore-d=50", "the hardness of `tpe-30a` is given twice, by shore-a and shore-d"),
            ("100:tpe-30a,density=1,density=1.1", "the density of `tpe-30a` is given twice"),
            ("70:own", "the density of `own` is not known"),
            ("70:tpe-30a,bulk=1.2", "is above its density"),
            ("70:tpe-30a,shore-a=130", "shore-a of `tpe-30a` must be from 0 to 99, but is 130"),
            ("70:tpe-30a,nozzle-min=240", "is above the highest"),
            ("70:own,density=1,nozzle-min=240", "only one end"),
            ("70:own,density=1,drying-c=80", "needs a temperature and a time"),
            ("70:tpe-30a,drying-c=200,drying-h=2", "would dry at 200 °C"),
            ("70:own,density=1.4,name=PVC soft", "PVC and POM must never"),
            ("70:own,density=1.4,family=pom", "PVC and POM must never"),
            ("70:own,density=1,name=", "is no name"),
        ] {
            let error = parse(text).unwrap_err();
            assert!(error.to_string().contains(said), "{text}: {error}");
            assert!(error.kind().help().is_some_and(|help| !help.is_empty()), "{text}");
        }
        let help = parse("70:tpe-30a,shore-a=130").unwrap_err().kind().help();
        assert_eq!(help.as_deref(), Some("write a number from 0 to 99, with decimals behind a point"));
    }

    proptest! {
        #[test]
        fn no_text_makes_it_panic(text in "\\PC{0,40}", tail in "[0-9a-z=,.:%-]{0,30}") {
            let _ = parse(&text);
            let _ = parse(&format!("50:tpe-30a,{tail}"));
        }
    }
}
