//! A blend as the `[feedstock]` section of a profile.

use super::blend::{Blend, COMPARED_AT, MixedStiffness, Part};
use super::caution::Caution;
use super::component::{Component, Dryness};
use super::library::{Drying, MeltFlow};
use crate::error::{Error, ErrorKind, Result};
use crate::physics::mixture::Bounds;
use crate::physics::stiffness::Stiffness;
use crate::profile::Profile;
use crate::units::{rounded, significant};

/// Above this reading, Shore A no longer tells how stiff something is.
pub const HARDEST_TOLD_A: f64 = 95.0;

impl Blend {
    /// The `[feedstock]` section of a profile for this blend, with a `[hopper]` section where the density as poured is known;
    /// every value counts as assumed.
    ///
    /// # Errors
    /// [`crate::error::ErrorKind::Usage`] when no nozzle temperature suits all components, as such a section would hide it, and
    /// when no profile would take it.
    pub fn section(&self) -> Result<String> {
        let hot = self.cautions.iter().find(|c| matches!(c, Caution::NoCommonTemperature { .. }));
        if let Some(caution) = hot {
            return Err(Error::usage(
                format!("no [feedstock] section can be written: {caution}"),
                "choose components whose temperatures overlap, or give nozzle-min and nozzle-max from their data sheets",
            ));
        }
        let mut lines =
            vec!["# Computed from a recipe, not measured: weigh the output of the blend itself.".to_owned()];
        lines.push("[feedstock]".to_owned());
        lines.push(format!("name = {}", toml::Value::String(self.name())));
        let mut value = |key: &str, value: String, note: &str| {
            lines.push(format!("{key} = {{ value = {value}, provenance = \"assumed\", note = \"{note}\" }}"));
        };
        value("density_g_cm3", float(rounded(self.density_g_cm3.as_g_cm3(), 4)), "from the recipe, by volume");
        let mut missing = Vec::new();
        match &self.stiffness {
            Some(stiffness) => match self.beyond_shore_a(stiffness) {
                Some(why) => {
                    let Bounds { low, high } = stiffness.with_scatter_mpa;
                    let [low, high] = [low, high].map(|modulus| significant(modulus.as_mpa(), 4));
                    let note = format!(
                        "low end of the band {low} to {high} MPa, {why}, the safe one for limits on acceleration"
                    );
                    value("modulus_mpa", float(low), &note);
                }
                None => {
                    let Bounds { low, high } = stiffness.shore_a;
                    let [low, high] = [low, high].map(|reading| rounded(reading, 1));
                    let note = format!("low end of the band {low} to {high}, the safe one for limits on acceleration");
                    value("shore_a", float(low), &note);
                }
            },
            None => missing.push("shore_a"),
        }
        match self.nozzle_c {
            Some([least, most]) => {
                value("nozzle_temperature_min_c", float(rounded(least, 1)), "highest of the lowest");
                value("nozzle_temperature_max_c", float(rounded(most, 1)), "lowest of the highest");
            }
            None => missing.extend(["nozzle_temperature_min_c", "nozzle_temperature_max_c"]),
        }
        match self.dryness {
            Dryness::Needed(Drying { temperature_c, time_h }) => {
                value("drying_temperature_c", float(rounded(temperature_c, 1)), "lowest of the components");
                value("drying_time_h", float(significant(time_h, 3)), "longest of the components");
            }
            Dryness::NotNeeded => {
                value("drying_temperature_c", "\"none\"".to_owned(), "no component needs it");
                value("drying_time_h", "\"none\"".to_owned(), "no component needs it");
            }
            Dryness::Unknown => missing.extend(["drying_temperature_c", "drying_time_h"]),
        }
        if let Some((law, note)) = self.melt_law() {
            value("melt_consistency_pa_s_n", float(significant(law.consistency_pa_s_n, 4)), note);
            value("melt_index_n", float(rounded(law.index, 3)), note);
        }
        lines.extend(
            missing.iter().map(|key| format!("# {key}: not known of all components, set it; else the default holds")),
        );
        // How granules of several kinds pack, no rule tells.
        if let [Part { component: Component { bulk_density_g_cm3: Some(bulk), .. }, .. }] = self.parts.as_slice() {
            let bulk = float(rounded(bulk.as_g_cm3(), 4));
            lines.push(format!(
                "[hopper]\nbulk_density_g_cm3 = {{ value = {bulk}, provenance = \"assumed\", note = \"of the grade\" }}"
            ));
        }
        let text = lines.join("\n") + "\n";
        match Profile::load(&text, "the section") {
            Ok(_) => Ok(text),
            Err(error) => Err(Error::usage(
                format!("no [feedstock] section can be written, since no profile takes it: {}", first_fault(&error)),
                "correct what was typed of the components, and give what is not known of them, for example drying-c and \
                 drying-h, from their data sheets",
            )),
        }
    }

    /// The law of the melt and where it comes from: of one component its own; of several that thin alike the one through the
    /// high end of their viscosities, the safe one for the drag of the nozzle.
    fn melt_law(&self) -> Option<(MeltFlow, &'static str)> {
        let of = self.parts.first()?.component.melt?;
        if self.parts.len() == 1 {
            return Some((of, "of the grade"));
        }
        let alike = |part: &Part| part.component.melt.is_some_and(|melt| (melt.index - of.index).abs() < 1e-9);
        let high = self.viscosity_pa_s.filter(|_| self.parts.iter().all(alike))?.high.as_pa_s();
        // eta = K g^(n - 1)
        let consistency_pa_s_n = high * COMPARED_AT.powf(1.0 - of.index);
        Some((MeltFlow { consistency_pa_s_n, ..of }, "high end of what two rules give, the safe one for drag"))
    }

    /// Why a reading of Shore A would not tell the stiffness; `None` where it does.
    fn beyond_shore_a(&self, stiffness: &MixedStiffness) -> Option<&'static str> {
        let Bounds { low, .. } = stiffness.shore_a;
        // A stated modulus has no scatter, which a reading would be given.
        let is_stated = |stiffness: &Stiffness| stiffness.low_mpa == stiffness.high_mpa;
        if low < 0.0 {
            Some("softer than Shore A tells")
        } else if low > HARDEST_TOLD_A {
            Some("stiffer than Shore A tells")
        } else if self.parts.iter().filter_map(|part| part.component.stiffness.as_ref()).any(is_stated) {
            Some("from stated moduli")
        } else {
            None
        }
    }
}

/// The first of what is wrong with a profile.
fn first_fault(error: &Error) -> String {
    match error.kind() {
        ErrorKind::Profile(faults) => faults.first().map_or_else(String::new, |fault| fault.what.clone()),
        other => other.to_string(),
    }
}

/// A TOML float.
fn float(value: f64) -> String {
    toml::Value::Float(value).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feedstock::blend::Basis;
    use crate::feedstock::library::Library;
    use crate::physics::stiffness::{Hardness, estimate};
    use crate::profile::Provenance;
    use crate::units::SpecificOutput;

    fn mix(entries: &[&str]) -> Blend {
        let library = Library::embedded();
        let components = entries.iter().map(|text| Component::parse(text, &library).unwrap()).collect();
        Blend::new(components, Basis::Mass, SpecificOutput::from_mm3_rev(20.0), &library).unwrap()
    }

    #[test]
    fn sections_load_into_a_profile() {
        for entries in [
            &["70:tpe-30a", "30:tpe-60a"][..],
            &["100:tpu-85a"],
            &["60:chocolate-dark", "40:chocolate-milk"],
            &["40:own,name=say \"x\" \\ y,density=0.95", "60:tpe-5a"],
            &["90:pla", "10:regrind-pla"],
            &["100:own,density=1"],
        ] {
            let blend = mix(entries);
            let text = blend.section().unwrap();
            let profile = Profile::load(&text, "blend.toml").unwrap_or_else(|error| panic!("{error:?}\n{text}"));
            assert_eq!(profile.feedstock.name.value, blend.name());
            assert!((profile.feedstock.density_g_cm3.value - blend.density_g_cm3.as_g_cm3()).abs() < 5.1e-5);
            assert_eq!(profile.feedstock.density_g_cm3.provenance, Provenance::Assumed);
        }
    }

    /// What is known of a grade stands in its profile; of several, what a rule gives.
    #[test]
    fn melt_and_density_as_poured_go_along() {
        let load = |entries: &[&str]| Profile::load(&mix(entries).section().unwrap(), "own.toml").unwrap();
        let library = Library::embedded();
        let grade = library.grade("tpe-30a").unwrap();
        let melt = grade.melt.as_ref().expect("a known melt").value;
        let alone = load(&["100:tpe-30a"]);
        assert_eq!(alone.feedstock.melt_consistency_pa_s_n.value, melt.consistency_pa_s_n);
        assert_eq!(alone.feedstock.melt_index_n.value, melt.index);
        let bulk = grade.bulk_density_g_cm3.as_ref().expect("a known density as poured").value;
        assert_eq!(alone.hopper.bulk_density_g_cm3.value, Some(bulk));
        // 1100 and 2000 Pa s^n in equal mass, n = 0.45 both: by the log rule 1483.2, by the cube root 1505.4.
        let mixed = load(&["50:tpe-20a", "50:tpe-40a"]);
        assert_eq!((mixed.feedstock.melt_index_n.value, mixed.hopper.bulk_density_g_cm3.value), (0.45, None));
        let consistency = mixed.feedstock.melt_consistency_pa_s_n.value;
        assert!((consistency - 1505.4).abs() < 0.5, "{consistency}");
        // Nothing is known of the melt of an own component.
        let default = Profile::embedded().feedstock.melt_consistency_pa_s_n.value;
        assert_eq!(load(&["100:own,density=1"]).feedstock.melt_consistency_pa_s_n.value, default);
    }

    /// A gel bears what it would bear if its own hardness stood in the profile: Shore A at 0 is three times as stiff.
    #[test]
    fn what_is_softer_than_shore_a_tells_is_told_by_its_modulus() {
        let own = estimate(Hardness::ShoreOo(10.0)).unwrap().low_mpa.as_mpa();
        let blend = mix(&["100:own,name=gel,density=0.9,shore-oo=10,nozzle-min=150,nozzle-max=190"]);
        let profile = Profile::load(&blend.section().unwrap(), "own.toml").unwrap();
        let blended = profile.feedstock.modulus_mpa.value.unwrap();
        assert!((blended - own).abs() < 5.1e-5 && own < 0.03, "{blended} {own}");
        for (modulus, component) in [(0.03, "100:own,name=gel,density=0.9,modulus=0.03"), (3500.0, "100:pla")] {
            let text = mix(&[component]).section().unwrap();
            let profile = Profile::load(&text, "own.toml").unwrap();
            assert!(profile.feedstock.modulus_mpa.value == Some(modulus) && !text.contains("\nshore_a ="), "{text}");
        }
        // A reading would be given the scatter that a stated modulus does not have.
        let stated = mix(&["50:own,name=a,density=1.1,modulus=4", "50:own,name=b,density=1.1,modulus=4"]).section();
        assert!(stated.unwrap().contains("modulus_mpa = { value = 4.0,"));
        let read = mix(&["70:tpe-30a", "30:tpe-60a"]).section().unwrap();
        assert!(read.contains("\nshore_a = { value = 38.5,") && read.contains("band 38.5 to 40.5"), "{read}");
    }

    /// What a profile would refuse is said before it is written: the default dries at 80 °C.
    #[test]
    fn no_section_is_written_that_no_profile_takes() {
        let low = "100:own,name=low,density=0.95,nozzle-min=70,nozzle-max=90";
        let error = mix(&[low]).section().unwrap_err().to_string();
        assert!(error.contains("no profile takes it") && error.contains("drying_temperature_c"), "{error}");
        let dried = mix(&[&format!("{low},drying-c=60,drying-h=0.04")]).section().unwrap();
        assert_eq!(Profile::load(&dried, "own.toml").unwrap().feedstock.drying_time_h.value, Some(0.04));
        assert!(mix(&["50:tpe-5a", "50:tpu-95a,modulus=0.00001"]).section().is_err());
    }

    #[test]
    fn no_section_hides_that_no_temperature_suits_all() {
        let error = mix(&["50:tpe-5a", "50:petg"]).section().unwrap_err();
        assert!(error.to_string().contains("no nozzle temperature suits all"));
    }
}
