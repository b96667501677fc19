//! A recipe of several components: what comes out, what to weigh in, and what speaks against it.

use serde::Serialize;

use super::caution::Caution;
use super::component::{Component, Dryness};
use super::library::{Drying, Library, Mixing};
use super::no_answer;
use crate::error::{Error, Result};
use crate::physics::mixture::{
    Bounds, density, hashin_shtrikman, mass_fractions, reuss_voigt, viscosity, volume_fractions,
};
use crate::physics::stiffness::{Stiffness, gent_inverse};
use crate::units::{Density, Mass, Modulus, SpecificOutput, Viscosity, Volume, rounded};

/// Scatter of the output of a blend where only the profile's output is known: our guess, no source.
const GUESSED_SCATTER: f64 = 0.25;
/// Least and most output of materials that separate, as a share of what is expected: common practice, no source.
const SEPARATED: [f64; 2] = [0.5, 2.0];
/// Shear rate at which viscosities are compared, 1/s.
pub const COMPARED_AT: f64 = 100.0;

/// What the shares of a recipe count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Basis {
    /// Grams.
    Mass,
    /// Volumes of the solid.
    Volume,
}

/// A component and how much of the blend it is.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Part {
    /// What it is.
    #[serde(flatten)]
    pub component: Component,
    /// Share of the mass, 0 ..= 1.
    pub mass_fraction: f64,
    /// Share of the volume of the solid, 0 ..= 1.
    pub volume_fraction: f64,
}

/// Stiffness of a mixture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct MixedStiffness {
    /// Bounds for mixtures that look alike in all directions.
    pub hashin_shtrikman_mpa: Bounds<Modulus>,
    /// Bounds that hold whatever the mixture looks like.
    pub reuss_voigt_mpa: Bounds<Modulus>,
    /// The first bounds again, with the scatter of stiffness at a given hardness added.
    pub with_scatter_mpa: Bounds<Modulus>,
    /// The first bounds as hardness, by inverting Gent's relation; close to 100 for rigid mixtures.
    pub shore_a: Bounds<f64>,
}

/// What the expected output rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum OutputBasis {
    /// Each component was weighed alone.
    Components,
    /// The output of the profile, for whatever it was set for.
    Profile,
}

/// Output to expect from a turn of the screw.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct ExpectedOutput {
    /// The band.
    pub band_mm3_rev: Bounds<SpecificOutput>,
    /// What it rests on.
    pub basis: OutputBasis,
    /// Some of the components separate, or are not known to mix.
    pub separates: bool,
}

/// A mixture of components.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Blend {
    /// What the shares were given by.
    pub basis: Basis,
    /// The components.
    pub parts: Vec<Part>,
    /// Density of the solid.
    pub density_g_cm3: Density,
    /// Stiffness, if that of all components is known.
    pub stiffness: Option<MixedStiffness>,
    /// Viscosity at 100 1/s by two rules, where the melt of all components is known and none are known to separate.
    pub viscosity_pa_s: Option<Bounds<Viscosity>>,
    /// Output to expect.
    pub output: ExpectedOutput,
    /// Nozzle temperatures that suit all components, °C; none if there are none or nothing is known.
    pub nozzle_c: Option<[f64; 2]>,
    /// Drying of all together.
    pub dryness: Dryness,
    /// What speaks against it.
    pub cautions: Vec<Caution>,
}

/// What to weigh in of one component.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Weighing {
    /// Which component.
    pub name: String,
    /// How much of it.
    pub mass_g: Mass,
    /// The room it takes when poured, where its bulk density is known.
    pub poured_mm3: Option<Volume>,
}

impl Blend {
    /// Mixes components. `profile_output`: what a turn gives of the feedstock the profile was set for.
    ///
    /// # Errors
    /// [`crate::error::ErrorKind::Usage`] for shares that add up to neither 100 nor 1 (within 0.1 %), for a component
    /// named twice, and for food together with plastics.
    pub fn new(
        components: Vec<Component>,
        basis: Basis,
        profile_output: SpecificOutput,
        library: &Library,
    ) -> Result<Self> {
        check(&components)?;
        let total: f64 = components.iter().map(|c| c.share).sum();
        let shares: Vec<f64> = components.iter().map(|c| c.share / total).collect();
        let beside = |shares: &[f64]| -> Vec<(f64, Density)> {
            shares.iter().copied().zip(components.iter().map(|c| c.density_g_cm3)).collect()
        };
        let (by_mass, by_volume) = match basis {
            Basis::Mass => {
                let by_volume = volume_fractions(&beside(&shares)).map_err(no_answer)?;
                (shares, by_volume)
            }
            Basis::Volume => (mass_fractions(&beside(&shares)).map_err(no_answer)?, shares),
        };
        let mixed = density(&beside(&by_mass)).map_err(no_answer)?;
        let fractions = by_mass.into_iter().zip(by_volume);
        let parts: Vec<Part> = components
            .into_iter()
            .zip(fractions)
            .map(|(component, (mass_fraction, volume_fraction))| Part { component, mass_fraction, volume_fraction })
            .collect();
        let mut cautions = Vec::new();
        let separates = mixing(&parts, library, &mut cautions);
        let stiffness = stiffness(&parts, &mut cautions)?;
        let viscosity_pa_s = if separates { None } else { melt(&parts)? };
        let nozzle_c = temperatures(&parts, &mut cautions);
        let dryness = dryness(&parts, &mut cautions);
        let output = output(&parts, profile_output, separates);
        Ok(Self { basis, parts, density_g_cm3: mixed, stiffness, viscosity_pa_s, output, nozzle_c, dryness, cautions })
    }

    /// What to weigh in for a mass of the blend.
    pub fn weighings(&self, total: Mass) -> Vec<Weighing> {
        let weighing = |part: &Part| {
            let mass_g = total * part.mass_fraction;
            let poured_mm3 = part.component.bulk_density_g_cm3.map(|bulk| mass_g / bulk);
            Weighing { name: part.component.name.clone(), mass_g, poured_mm3 }
        };
        self.parts.iter().map(weighing).collect()
    }

    /// A name of one line: the shares and the components.
    pub fn name(&self) -> String {
        let share = |part: &Part| match self.basis {
            Basis::Mass => part.mass_fraction,
            Basis::Volume => part.volume_fraction,
        };
        let parts =
            self.parts.iter().map(|part| format!("{} % {}", rounded(share(part) * 100.0, 1), part.component.name));
        let by = match self.basis {
            Basis::Mass => "mass",
            Basis::Volume => "volume",
        };
        format!("{}, by {by}", parts.collect::<Vec<_>>().join(" + "))
    }
}

fn check(components: &[Component]) -> Result<()> {
    if components.is_empty() {
        return Err(Error::usage(
            "a recipe needs at least one entry",
            "name shares and grades, for example 70:tpe-30a 30:tpe-60a",
        ));
    }
    let total: f64 = components.iter().map(|c| c.share).sum();
    if (total - 100.0).abs() > 0.1 && (total - 1.0).abs() > 1e-3 {
        let scaled = components.iter().map(|c| format!("{}:{}", rounded(c.share / total * 100.0, 2), c.name));
        return Err(Error::usage(
            format!("the shares add up to {}, not to 100 (or 1)", rounded(total, 3)),
            format!("correct them; in the same proportion they would be {}", scaled.collect::<Vec<_>>().join(" ")),
        ));
    }
    for (index, component) in components.iter().enumerate() {
        if components.iter().skip(index + 1).any(|other| other.name == component.name) {
            let help = "name each component once; two lots of a grade get names of their own with name=";
            return Err(Error::usage(format!("`{}` stands twice in the recipe", component.name), help));
        }
    }
    let food = components.iter().find(|c| c.food);
    let other = components.iter().find(|c| !c.food);
    if let (Some(food), Some(other)) = (food, other) {
        return Err(Error::usage(
            format!("`{}` is food and `{}` is not: they are not mixed", food.name, other.name),
            "food needs feedstock, machine and process approved for it, with nothing else in them",
        ));
    }
    Ok(())
}

/// Says which components separate; whether any do.
fn mixing(parts: &[Part], library: &Library, cautions: &mut Vec<Caution>) -> bool {
    let before = cautions.len();
    for (index, one) in parts.iter().enumerate() {
        for other in parts.iter().skip(index + 1) {
            let names = || (one.component.name.clone(), other.component.name.clone());
            let known = match (&one.component.family, &other.component.family) {
                (Some(a), Some(b)) => library.mixing(a, b),
                _ => Mixing::Unknown,
            };
            match known {
                Mixing::Same => {}
                Mixing::Separates(source) => {
                    let (one, other) = names();
                    cautions.push(Caution::Separates { one, other, source: source.to_owned() });
                }
                Mixing::Unknown => {
                    let (one, other) = names();
                    cautions.push(Caution::NotKnownToMix { one, other });
                }
            }
        }
    }
    cautions.len() > before
}

fn stiffness(parts: &[Part], cautions: &mut Vec<Caution>) -> Result<Option<MixedStiffness>> {
    let mut known = Vec::with_capacity(parts.len());
    for part in parts {
        let name = || part.component.name.clone();
        match part.component.stiffness {
            Some(stiffness) => {
                if stiffness.extrapolated {
                    cautions.push(Caution::Extrapolated { name: name() });
                }
                known.push((part.volume_fraction, stiffness));
            }
            None => cautions.push(Caution::StiffnessUnknown { name: name() }),
        }
    }
    if known.len() < parts.len() {
        return Ok(None);
    }
    let of = |pick: fn(&Stiffness) -> Modulus| -> Vec<(f64, Modulus)> {
        known.iter().map(|(share, stiffness)| (*share, pick(stiffness))).collect()
    };
    let centre = of(|s| s.modulus_mpa);
    let narrow = hashin_shtrikman(&centre).map_err(no_answer)?;
    let low = hashin_shtrikman(&of(|s| s.low_mpa)).map_err(no_answer)?.low;
    let high = hashin_shtrikman(&of(|s| s.high_mpa)).map_err(no_answer)?.high;
    Ok(Some(MixedStiffness {
        hashin_shtrikman_mpa: narrow,
        reuss_voigt_mpa: reuss_voigt(&centre).map_err(no_answer)?,
        with_scatter_mpa: Bounds { low: low.min(narrow.low), high: high.max(narrow.high) },
        shore_a: Bounds { low: gent_inverse(narrow.low), high: gent_inverse(narrow.high) },
    }))
}

/// Viscosity, each component at the temperature its melt is known for.
fn melt(parts: &[Part]) -> Result<Option<Bounds<Viscosity>>> {
    let mut known = Vec::with_capacity(parts.len());
    for part in parts {
        let Some(flow) = part.component.melt else { return Ok(None) };
        let law = flow.law().map_err(no_answer)?;
        known.push((part.mass_fraction, law.viscosity(COMPARED_AT)));
    }
    viscosity(&known).map(Some).map_err(no_answer)
}

fn temperatures(parts: &[Part], cautions: &mut Vec<Caution>) -> Option<[f64; 2]> {
    let mut common: Option<[f64; 2]> = None;
    for part in parts {
        match (part.component.nozzle_c, common) {
            (Some(window), None) => common = Some(window),
            (Some([least, most]), Some([l, m])) => common = Some([least.max(l), most.min(m)]),
            (None, _) => cautions.push(Caution::TemperatureUnknown { name: part.component.name.clone() }),
        }
    }
    match common {
        Some([least_c, most_c]) if least_c > most_c => {
            cautions.push(Caution::NoCommonTemperature { least_c, most_c });
            None
        }
        other => other,
    }
}

fn dryness(parts: &[Part], cautions: &mut Vec<Caution>) -> Dryness {
    let (mut all, mut unknown, mut differ) = (None::<Drying>, false, false);
    for part in parts {
        match part.component.dryness {
            Dryness::Unknown => {
                unknown = true;
                cautions.push(Caution::DryingUnknown { name: part.component.name.clone() });
            }
            Dryness::NotNeeded => {}
            Dryness::Needed(drying) => {
                differ |= all.is_some_and(|other| other != drying);
                let other = all.unwrap_or(drying);
                all = Some(Drying {
                    temperature_c: drying.temperature_c.min(other.temperature_c),
                    time_h: drying.time_h.max(other.time_h),
                });
            }
        }
    }
    match all {
        Some(drying) => {
            if differ {
                cautions.push(Caution::DryApart { temperature_c: drying.temperature_c, time_h: drying.time_h });
            }
            Dryness::Needed(drying)
        }
        None if unknown => Dryness::Unknown,
        None => Dryness::NotNeeded,
    }
}

fn output(parts: &[Part], profile_output: SpecificOutput, separates: bool) -> ExpectedOutput {
    let weighed: Vec<(f64, SpecificOutput)> =
        parts.iter().filter_map(|p| p.component.output_mm3_rev.map(|output| (p.volume_fraction, output))).collect();
    let (basis, expected, mut low, mut high) = if weighed.len() == parts.len() {
        let mean: f64 = weighed.iter().map(|(share, output)| share * output.as_mm3_rev()).sum();
        let ends = weighed.iter().fold((f64::INFINITY, 0.0_f64), |(low, high), (_, output)| {
            (low.min(output.as_mm3_rev()), high.max(output.as_mm3_rev()))
        });
        (OutputBasis::Components, mean, ends.0, ends.1)
    } else {
        let expected = profile_output.as_mm3_rev();
        (OutputBasis::Profile, expected, expected * (1.0 - GUESSED_SCATTER), expected * (1.0 + GUESSED_SCATTER))
    };
    if separates {
        low = low.min(expected * SEPARATED[0]);
        high = high.max(expected * SEPARATED[1]);
    }
    let band = Bounds { low: SpecificOutput::from_mm3_rev(low), high: SpecificOutput::from_mm3_rev(high) };
    ExpectedOutput { band_mm3_rev: band, basis, separates }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const PROFILE: SpecificOutput = SpecificOutput::from_mm3_rev(20.0);

    fn mix(basis: Basis, entries: &[&str]) -> Result<Blend> {
        let library = Library::embedded();
        let components = entries.iter().map(|text| Component::parse(text, &library)).collect::<Result<Vec<_>>>()?;
        Blend::new(components, basis, PROFILE, &library)
    }

    /// 5A and 85A in equal volumes: 24.6A to 68.5A, worked in independent code; the mean of the readings is 45A.
    #[test]
    fn hardness_is_a_band_and_never_an_average() {
        let blend = mix(Basis::Volume, &["50:tpe-5a", "50:tpu-85a"]).unwrap();
        let stiffness = blend.stiffness.unwrap();
        assert!((stiffness.hashin_shtrikman_mpa.low.as_mpa() - 0.9062).abs() < 5.1e-5);
        assert!((stiffness.hashin_shtrikman_mpa.high.as_mpa() - 5.1596).abs() < 5.1e-5);
        assert!((stiffness.reuss_voigt_mpa.high.as_mpa() - 6.7303).abs() < 5.1e-5);
        assert!((stiffness.shore_a.low - 24.6).abs() < 0.05 && (stiffness.shore_a.high - 68.5).abs() < 0.05);
        // 60A and 85A: the average, 72.5A, lies below the band.
        let harder = mix(Basis::Volume, &["50:tpe-60a", "50:tpu-85a"]).unwrap();
        assert!(harder.stiffness.unwrap().shore_a.low > 72.5);
    }

    #[test]
    fn density_and_recipe_by_mass() {
        let blend = mix(Basis::Mass, &["70:own,name=a,density=1.12", "30:own,name=b,density=1.21"]).unwrap();
        assert!((blend.density_g_cm3.as_g_cm3() - 1.145_562).abs() < 5e-7);
        let weighings = blend.weighings(Mass::from_g(250.0));
        assert!((weighings[0].mass_g.as_g() - 175.0).abs() < 1e-9 && (weighings[1].mass_g.as_g() - 75.0).abs() < 1e-9);
        let by_volume = mix(Basis::Volume, &["0.5:own,name=a,density=1", "0.5:own,name=b,density=3"]).unwrap();
        // By hand: equal volumes of 1 and 3 g/cm³ are 25 and 75 % of the mass, at 2 g/cm³.
        assert!((by_volume.parts[1].mass_fraction - 0.75).abs() < 1e-12);
        assert!((by_volume.density_g_cm3.as_g_cm3() - 2.0).abs() < 1e-12);
    }

    #[test]
    fn output_of_weighed_components_and_of_unknown_ones() {
        let near = mix(Basis::Mass, &["50:tpe-20a,output=14", "50:tpe-40a,output=18"]).unwrap();
        assert_eq!(near.output.basis, OutputBasis::Components);
        assert_eq!(near.output.band_mm3_rev.low.as_mm3_rev(), 14.0);
        assert_eq!(near.output.band_mm3_rev.high.as_mm3_rev(), 18.0);
        let guessed = mix(Basis::Mass, &["50:tpe-20a", "50:tpe-40a,output=18"]).unwrap();
        assert_eq!(guessed.output.basis, OutputBasis::Profile);
        assert_eq!(guessed.output.band_mm3_rev.low.as_mm3_rev(), 15.0);
        // By hand: K g^(n-1) with n = 0.45 at 100 1/s is 0.0794328 K; 1100 and 2000 Pa s^n in equal mass, by the log rule.
        assert!((near.viscosity_pa_s.unwrap().low.as_pa_s() - 117.818).abs() < 0.001);
        let separating = mix(Basis::Mass, &["80:pla", "20:tpu-85a"]).unwrap();
        assert_eq!(separating.viscosity_pa_s, None);
        assert!(separating.output.separates);
        // 50 and 200 % of 20.
        assert_eq!(separating.output.band_mm3_rev.low.as_mm3_rev(), 10.0);
        assert_eq!(separating.output.band_mm3_rev.high.as_mm3_rev(), 40.0);
        assert!(separating.cautions.iter().any(|c| matches!(c, Caution::Separates { .. })));
    }

    #[test]
    fn recipes_that_cannot_be() {
        for (entries, said) in [
            (&["70:tpe-30a", "20:tpe-60a"][..], "add up to 90, not to 100"),
            (&["0.5:tpe-30a", "0.6:tpe-60a"], "add up to 1.1"),
            (&["50:tpe-30a", "50:tpe-30a"], "stands twice"),
            (&["50:tpe-30a", "50:chocolate-dark"], "is food"),
            (&[], "at least one entry"),
        ] {
            let error = mix(Basis::Mass, entries).unwrap_err();
            assert!(error.to_string().contains(said), "{entries:?}: {error}");
        }
        let proportion = mix(Basis::Mass, &["2:tpe-30a", "1:tpe-60a"]).unwrap_err();
        assert!(proportion.kind().help().unwrap().contains("66.67:tpe-30a 33.33:tpe-60a"));
    }

    #[test]
    fn cautions_name_what_is_missing() {
        let blend = mix(Basis::Mass, &["50:tpu-85a", "50:own,name=x,density=1"]).unwrap();
        let said: Vec<String> = blend.cautions.iter().map(ToString::to_string).collect();
        for part in ["nothing says that tpu-85a and x mix", "stiffness band", "temperatures of x", "x has to be dried"]
        {
            assert!(said.iter().any(|caution| caution.contains(part)), "{part}: {said:?}");
        }
        let apart = mix(Basis::Mass, &["50:tpu-85a", "50:tpu-95a"]).unwrap();
        assert!(apart.cautions.contains(&Caution::DryApart { temperature_c: 90.0, time_h: 3.0 }));
    }

    proptest! {
        #[test]
        fn blends_lie_between_their_components(share in 1.0..99.0_f64, a in 0..8_usize, b in 0..8_usize) {
            let names = ["tpe-5a", "tpe-20a", "tpe-40a", "tpe-60a", "tpu-70a", "tpu-85a", "tpu-95a", "pla"];
            prop_assume!(a != b);
            let entries = [format!("{share}:{}", names[a]), format!("{}:{}", 100.0 - share, names[b])];
            let blend = mix(Basis::Mass, &entries.iter().map(String::as_str).collect::<Vec<_>>()).unwrap();
            let parts = &blend.parts;
            let sum: f64 = parts.iter().map(|p| p.volume_fraction).sum();
            prop_assert!((sum - 1.0).abs() < 1e-9);
            let densities = parts.iter().map(|p| p.component.density_g_cm3.as_g_cm3());
            let (least, most) = densities.fold((9.9, 0.0_f64), |(l, h), d| (d.min(l), d.max(h)));
            prop_assert!((least - 1e-9..=most + 1e-9).contains(&blend.density_g_cm3.as_g_cm3()));
            let s = blend.stiffness.unwrap();
            let row = [
                s.with_scatter_mpa.low, s.hashin_shtrikman_mpa.low, s.hashin_shtrikman_mpa.high, s.with_scatter_mpa.high,
            ];
            prop_assert!(row.windows(2).all(|pair| pair[0].as_mpa() <= pair[1].as_mpa() * (1.0 + 1e-12)));
            prop_assert!(s.shore_a.low <= s.shore_a.high + 1e-9);
            let grams: f64 = blend.weighings(Mass::from_g(100.0)).iter().map(|w| w.mass_g.as_g()).sum();
            prop_assert!((grams - 100.0).abs() < 1e-9);
        }
    }
}
