//! A blend as the `[feedstock]` section of a profile.

use super::blend::Blend;
use super::caution::Caution;
use super::component::Dryness;
use super::library::Drying;
use super::{rounded, usage};
use crate::error::Result;
use crate::physics::mixture::Bounds;

/// Hardest reading a profile takes, Shore A.
const HARDEST: f64 = 100.0;

impl Blend {
    /// The `[feedstock]` section of a profile for this blend; every value counts as assumed.
    ///
    /// # Errors
    /// [`crate::error::ErrorKind::Usage`] when no nozzle temperature suits all components: such a section would hide it.
    pub fn section(&self) -> Result<String> {
        let hot = self.cautions.iter().find(|c| matches!(c, Caution::NoCommonTemperature { .. }));
        if let Some(caution) = hot {
            return Err(usage(
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
        value("density_g_cm3", float(self.density_g_cm3.as_g_cm3(), 4), "from the recipe, by volume");
        let mut missing = Vec::new();
        match &self.stiffness {
            // Shore A ends at 0 far above the softest gels.
            Some(stiffness) if stiffness.shore_a.low < 0.0 => {
                let Bounds { low, high } = stiffness.with_scatter_mpa;
                let note = format!(
                    "low end of the band {} to {} MPa, softer than Shore A tells, the safe one for limits on acceleration",
                    rounded(low.as_mpa(), 3),
                    rounded(high.as_mpa(), 3)
                );
                value("modulus_mpa", float(low.as_mpa(), 4), &note);
            }
            Some(stiffness) => {
                let Bounds { low, high } = stiffness.shore_a;
                let note = format!(
                    "low end of the band {} to {}, the safe one for limits on acceleration",
                    rounded(low.min(HARDEST), 0),
                    rounded(high.clamp(0.0, HARDEST), 0)
                );
                value("shore_a", float(low.min(HARDEST), 1), &note);
            }
            None => missing.push("shore_a"),
        }
        match self.nozzle_c {
            Some([least, most]) => {
                value("nozzle_temperature_min_c", float(least, 1), "highest of the lowest");
                value("nozzle_temperature_max_c", float(most, 1), "lowest of the highest");
            }
            None => missing.extend(["nozzle_temperature_min_c", "nozzle_temperature_max_c"]),
        }
        match self.dryness {
            Dryness::Needed(Drying { temperature_c, time_h }) => {
                value("drying_temperature_c", float(temperature_c, 1), "lowest of the components");
                value("drying_time_h", float(time_h, 1), "longest of the components");
            }
            Dryness::NotNeeded => {
                value("drying_temperature_c", "\"none\"".to_owned(), "no component needs it");
                value("drying_time_h", "\"none\"".to_owned(), "no component needs it");
            }
            Dryness::Unknown => missing.extend(["drying_temperature_c", "drying_time_h"]),
        }
        lines.extend(
            missing.iter().map(|key| format!("# {key}: not known of all components, set it; else the default holds")),
        );
        Ok(lines.join("\n") + "\n")
    }
}

/// A TOML float.
fn float(value: f64, decimals: i32) -> String {
    toml::Value::Float(rounded(value, decimals)).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feedstock::blend::Basis;
    use crate::feedstock::component::Component;
    use crate::feedstock::library::Library;
    use crate::physics::stiffness::{Hardness, estimate};
    use crate::profile::{Profile, Provenance};
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

    /// A gel bears what it would bear if its own hardness stood in the profile: Shore A at 0 is three times as stiff.
    #[test]
    fn what_is_softer_than_shore_a_tells_is_told_by_its_modulus() {
        let own = estimate(Hardness::ShoreOo(10.0)).unwrap().low_mpa.as_mpa();
        let blend = mix(&["100:own,name=gel,density=0.9,shore-oo=10,nozzle-min=150,nozzle-max=190"]);
        let profile = Profile::load(&blend.section().unwrap(), "own.toml").unwrap();
        let blended = profile.feedstock.modulus_mpa.value.unwrap();
        assert!((blended - own).abs() < 5.1e-5 && own < 0.03, "{blended} {own}");
        let measured = mix(&["100:own,name=gel,density=0.9,modulus=0.03"]).section().unwrap();
        assert!(measured.contains("modulus_mpa = { value = 0.03,") && !measured.contains("\nshore_a ="), "{measured}");
    }

    #[test]
    fn no_section_hides_that_no_temperature_suits_all() {
        let error = mix(&["50:tpe-5a", "50:petg"]).section().unwrap_err();
        assert!(error.to_string().contains("no nozzle temperature suits all"));
    }
}
