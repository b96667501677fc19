//! Generic grades of feedstock, each value with its source.

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::physics::range::OutOfRange;
use crate::physics::stiffness::Hardness;
use crate::physics::viscosity::PowerLaw;
use crate::profile::nearest;

/// The library as it is built into the program.
const EMBEDDED: &str = include_str!("library.toml");

/// A value with where it comes from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Sourced<T> {
    /// The value.
    pub value: T,
    /// Its source in words; "from memory" for what was not looked up.
    pub source: String,
}

/// Drying before use.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Drying {
    /// Temperature, °C.
    pub temperature_c: f64,
    /// Time, h.
    pub time_h: f64,
}

/// Power-law constants of a melt at a temperature.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct MeltFlow {
    /// Consistency K, Pa·s^n.
    pub consistency_pa_s_n: f64,
    /// Index n.
    pub index: f64,
    /// Temperature they hold for, °C.
    pub at_c: f64,
}

impl MeltFlow {
    /// The law itself.
    ///
    /// # Errors
    /// When the constants are outside their ranges.
    pub fn law(&self) -> Result<PowerLaw, OutOfRange> {
        PowerLaw::new(self.consistency_pa_s_n, self.index)
    }
}

/// A family of materials.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Family {
    /// Short name.
    pub name: String,
    /// Name in words.
    pub title: String,
    /// Made to be eaten.
    pub food: bool,
    /// What can hurt people, the machine or the part.
    pub hazards: Vec<Sourced<String>>,
}

/// Two families that are known not to mix.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
struct Pair {
    families: [String; 2],
    source: String,
}

/// Density of a melt as a share of the solid: from memory, for want of a value.
pub const MELT_SHARE: f64 = 0.9;

/// A generic grade.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Grade {
    /// Short name, as it is typed.
    pub name: String,
    /// Name in words.
    pub title: String,
    /// Short name of its family.
    pub family: String,
    /// Hardness, where it is stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hardness: Option<Sourced<Hardness>>,
    /// Young's modulus where it is known better than by hardness, MPa.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub modulus_mpa: Option<Sourced<f64>>,
    /// Density of the solid at room temperature, g/cm³.
    pub density_g_cm3: Sourced<f64>,
    /// Density of the melt, g/cm³.
    pub melt_density_g_cm3: Sourced<f64>,
    /// Density as poured into a hopper, g/cm³.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bulk_density_g_cm3: Option<Sourced<f64>>,
    /// Lowest and highest nozzle temperature, °C.
    pub nozzle_c: Sourced<[f64; 2]>,
    /// Drying; absent where none is needed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drying: Option<Sourced<Drying>>,
    /// Temperature from which it is spoilt or breaks down, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decomposition_c: Option<Sourced<f64>>,
    /// How the melt flows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub melt: Option<Sourced<MeltFlow>>,
    /// What else there is to know.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<Sourced<String>>,
}

/// Families and grades.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Library {
    #[serde(rename = "family")]
    families: Vec<Family>,
    #[serde(rename = "pair")]
    pairs: Vec<Pair>,
    #[serde(rename = "grade")]
    grades: Vec<Grade>,
}

/// What is known of mixing two families.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Mixing<'a> {
    /// One family: they mix as far as is known.
    Same,
    /// They separate, as this source says.
    Separates(&'a str),
    /// Nothing says that they mix.
    Unknown,
}

impl Library {
    /// The library built into the program.
    pub fn embedded() -> Self {
        toml::from_str(EMBEDDED).expect("the embedded library is sound; a test reads it")
    }

    /// All grades, by family and hardness.
    pub fn grades(&self) -> &[Grade] {
        &self.grades
    }

    /// The grade of a short name; letters may be large or small.
    ///
    /// # Errors
    /// [`crate::error::ErrorKind::Usage`] with the nearest name when there is none.
    pub fn grade(&self, name: &str) -> Result<&Grade> {
        let found = self.grades.iter().find(|grade| grade.name.eq_ignore_ascii_case(name));
        found.ok_or_else(|| {
            let names = self.grades.iter().map(|grade| grade.name.as_str());
            // `tpu85` is nearer to `tpu-85a` than a count of letters tells.
            let bare = |text: &str| -> String {
                text.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_lowercase()).collect()
            };
            let typed = bare(name);
            let begun = names.clone().find(|other| typed.len() > 2 && bare(other).starts_with(&typed));
            let shown: String = name.chars().filter(|c| !c.is_control()).take(40).collect();
            let all = "`meltwright feedstock list` shows all grades";
            let help = match begun.or_else(|| nearest(name, names)) {
                Some(near) => format!("did you mean `{near}`? {all}"),
                None => all.to_owned(),
            };
            Error::usage(format!("there is no grade `{shown}` in the library"), help)
        })
    }

    /// The family of a short name.
    pub fn family(&self, name: &str) -> Option<&Family> {
        self.families.iter().find(|family| family.name == name)
    }

    /// Whether a grade is made to be eaten.
    pub fn is_food(&self, grade: &Grade) -> bool {
        self.family(&grade.family).is_some_and(|family| family.food)
    }

    /// Short names of all families.
    pub fn families(&self) -> impl Iterator<Item = &str> + Clone {
        self.families.iter().map(|family| family.name.as_str())
    }

    /// What is known of mixing two families.
    pub fn mixing(&self, one: &str, other: &str) -> Mixing<'_> {
        if one == other {
            return Mixing::Same;
        }
        let is_it = |pair: &&Pair| {
            let [a, b] = &pair.families;
            (a == one && b == other) || (a == other && b == one)
        };
        self.pairs.iter().find(is_it).map_or(Mixing::Unknown, |pair| Mixing::Separates(&pair.source))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::stiffness::estimate;
    use std::collections::BTreeSet;

    #[test]
    fn every_value_of_the_library_is_sound_and_sourced() {
        let library = Library::embedded();
        let mut names = BTreeSet::new();
        for grade in library.grades() {
            let name = &grade.name;
            assert!(names.insert(name), "{name} stands twice");
            assert!(name.len() <= 16 && grade.title.len() <= 60, "{name}: too long for the table");
            assert!(library.family(&grade.family).is_some(), "{name}: no family {}", grade.family);
            let [least, most] = grade.nozzle_c.value;
            assert!((20.0..=300.0).contains(&least) && least < most && most <= 300.0, "{name}: nozzle");
            let density = grade.density_g_cm3.value;
            assert!((0.8..=1.4).contains(&density), "{name}: density");
            let melt = grade.melt_density_g_cm3.value;
            assert!((0.8..=1.0).contains(&(melt / density)), "{name}: melt density");
            if let Some(bulk) = &grade.bulk_density_g_cm3 {
                assert!((0.35..=0.65).contains(&(bulk.value / density)), "{name}: bulk density");
            }
            if let Some(drying) = &grade.drying {
                assert!(drying.value.temperature_c < least && drying.value.time_h > 0.0, "{name}: drying");
            }
            if let Some(limit) = &grade.decomposition_c {
                assert!(most < limit.value, "{name}: hotter than it bears");
            }
            if let Some(hardness) = &grade.hardness {
                assert!(estimate(hardness.value).is_ok(), "{name}: hardness");
            }
            if let Some(melt) = &grade.melt {
                assert!(melt.value.law().is_ok() && (20.0..=300.0).contains(&melt.value.at_c), "{name}: melt");
            }
        }
        for wanted in ["tpe-5a", "tpe-60a", "tpu-95a", "pla", "petg", "regrind-pla", "chocolate-dark"] {
            assert!(library.grade(wanted).is_ok(), "{wanted}");
        }
        // Each `source` of the text is a sentence of its own.
        assert_eq!(EMBEDDED.matches("source = \"\"").count(), 0);
    }

    #[test]
    fn wrong_names_are_answered_with_near_ones() {
        let library = Library::embedded();
        assert_eq!(library.grade("TPE-30A").unwrap().name, "tpe-30a");
        for (typed, near) in
            [("tpe-30", "tpe-30a"), ("tpu85", "tpu-85a"), ("TPU_95", "tpu-95a"), ("choclate-milk", "chocolate-milk")]
        {
            let help = library.grade(typed).unwrap_err().kind().help().unwrap();
            assert!(help.contains(&format!("`{near}`")), "{typed}: {help}");
        }
        assert!(library.grade("").is_err());
        assert!(!library.grade("zzz\u{1b}[31m").unwrap_err().to_string().contains('\u{1b}'));
    }

    #[test]
    fn pairs_in_either_order() {
        let library = Library::embedded();
        assert_eq!(library.mixing("tpu", "tpu"), Mixing::Same);
        assert!(matches!(library.mixing("tpu", "pla"), Mixing::Separates(source) if source.contains("sea-island")));
        assert_eq!(library.mixing("pla", "tpu"), library.mixing("tpu", "pla"));
        assert_eq!(library.mixing("petg", "tpu"), Mixing::Unknown);
    }
}
