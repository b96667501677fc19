//! Viscosity of a melt that thins under shear, from what data sheets and simple tests give.

use super::range::{OutOfRange, above_zero, when};
use crate::units::{Density, Pressure, Viscosity};

/// Melt whose stress grows as a power of its shear rate: tau = K g^n.
///
/// | symbol | field         | unit    | range                                    |
/// |--------|---------------|---------|------------------------------------------|
/// | K      | `consistency` | Pa·s^n  | above 0                                  |
/// | n      | `index`       | -       | 0.05 ..= 1.5; 1 is Newtonian, below thins |
///
/// Holds for one temperature and a decade or two of shear rate.
///
/// # Source
/// W. Ostwald 1925, A. de Waele 1923 (from memory).
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct PowerLaw {
    consistency: f64,
    index: f64,
}

/// Bore of the standard melt-flow die, mm (ISO 1133, from memory).
const MFR_BORE_MM: f64 = 2.095;
/// Length of the standard melt-flow die, mm (ISO 1133, from memory).
const MFR_LENGTH_MM: f64 = 8.0;
/// Bore of the barrel of the standard melt-flow test, mm (ISO 1133, from memory).
const MFR_BARREL_MM: f64 = 9.55;
/// Largest load of the standard melt-flow test, kg (ISO 1133, from memory).
pub const LARGEST_LOAD_KG: f64 = 21.6;
/// Standard gravity, m/s².
const GRAVITY: f64 = 9.806_65;

impl PowerLaw {
    /// From consistency (Pa·s^n) and index.
    ///
    /// # Errors
    /// When either is outside its range.
    pub fn new(consistency: f64, index: f64) -> Result<Self, OutOfRange> {
        above_zero("the consistency of the melt (Pa·s^n)", consistency)?;
        when((0.05..=1.5).contains(&index), "the power-law index of the melt", "lie between 0.05 and 1.5", index)?;
        Ok(Self { consistency, index })
    }

    /// A melt of the same viscosity at every shear rate.
    ///
    /// # Errors
    /// When the viscosity is not above zero.
    pub fn newtonian(viscosity: Viscosity) -> Result<Self, OutOfRange> {
        above_zero("the viscosity (Pa·s)", viscosity.as_pa_s())?;
        Self::new(viscosity.as_pa_s(), 1.0)
    }

    /// Through two points of a flow curve.
    ///
    /// n = 1 + ln(eta2 / eta1) / ln(g2 / g1),   K = eta1 g1^(1 - n)
    ///
    /// | symbol | argument             | unit | range                     |
    /// |--------|----------------------|------|---------------------------|
    /// | g      | first of each pair   | 1/s  | above 0, not equal        |
    /// | eta    | second of each pair  | Pa·s | above 0                   |
    ///
    /// Rates and viscosities are true ones (Rabinowitsch-corrected), as in most data sheets.
    ///
    /// # Errors
    /// When a value is not above zero, the rates are equal, or the index leaves its range.
    ///
    /// # Source
    /// The power law solved for its two constants.
    pub fn through(first: (f64, Viscosity), second: (f64, Viscosity)) -> Result<Self, OutOfRange> {
        let [(g1, eta1), (g2, eta2)] = [first, second];
        for (rate, viscosity) in [first, second] {
            above_zero("the shear rate (1/s)", rate)?;
            above_zero("the viscosity (Pa·s)", viscosity.as_pa_s())?;
        }
        when((g2 / g1).ln().abs() > 1e-3, "the second shear rate (1/s)", "differ from the first", g2)?;
        let index = 1.0 + (eta2 / eta1).ln() / (g2 / g1).ln();
        Self::new(eta1.as_pa_s() * g1.powf(1.0 - index), index)
    }

    /// From the melt-flow rate of a data sheet and an index that has to be assumed or known.
    ///
    /// tau = F / A_p * R / (2 L),   g_a = 4 Q / (pi R^3),   g = g_a (3n + 1) / (4n),   K = tau / g^n
    ///
    /// | symbol | argument  | unit      | range                                |
    /// |--------|-----------|-----------|--------------------------------------|
    /// | -      | `rate`    | g/10 min  | above 0                              |
    /// | F      | `load`    | kg        | above 0 ..= 21.6 (most often 2.16)   |
    /// | -      | `density` | g/cm³     | above 0, of the melt                 |
    /// | n      | `index`   | -         | 0.05 ..= 1.5                         |
    ///
    /// # Accuracy
    /// No end correction: the die is short, so the viscosity comes out somewhat high. One point on the flow curve; far
    /// from its shear rate the assumed index decides.
    ///
    /// # Errors
    /// When a value is outside its range.
    ///
    /// # Source
    /// Geometry of ISO 1133 (from memory); wall stress and rate as in any bore. Same method as A. V. Shenoy, S. Chattopadhyay and V. M. Nadkarni, Rheologica Acta 22 (1983) 90 (from memory).
    pub fn from_melt_flow(rate: f64, load: f64, density: Density, index: f64) -> Result<Self, OutOfRange> {
        above_zero("the melt-flow rate (g/10 min)", rate)?;
        above_zero("the load (kg)", load)?;
        when(load <= LARGEST_LOAD_KG, "the load (kg)", "not be above 21.6, the largest of melt-flow tests", load)?;
        above_zero("the melt density (g/cm³)", density.as_g_cm3())?;
        let (stress, apparent) = Self::melt_flow_wall(rate, load, density);
        let checked = Self::new(1.0, index)?;
        let rate = apparent * checked.rabinowitsch();
        Self::new(stress.as_mpa() * 1e6 / rate.powf(index), index)
    }

    /// Wall stress and apparent wall rate (1/s) in the standard melt-flow die.
    fn melt_flow_wall(rate: f64, load: f64, density: Density) -> (Pressure, f64) {
        let radius = MFR_BORE_MM / 2.0;
        let piston_mm2 = std::f64::consts::FRAC_PI_4 * MFR_BARREL_MM * MFR_BARREL_MM;
        let stress = load * GRAVITY / piston_mm2 * radius / (2.0 * MFR_LENGTH_MM);
        let flow_mm3_s = rate / 600.0 / density.as_g_cm3() * 1e3;
        (Pressure::from_mpa(stress), 4.0 * flow_mm3_s / (std::f64::consts::PI * radius.powi(3)))
    }

    /// K, Pa·s^n.
    pub fn consistency(self) -> f64 {
        self.consistency
    }

    /// n.
    pub fn index(self) -> f64 {
        self.index
    }

    /// Viscosity at a shear rate (1/s): K g^(n - 1).
    pub fn viscosity(self, rate: f64) -> Viscosity {
        Viscosity::from_pa_s(self.consistency * rate.powf(self.index - 1.0))
    }

    /// True over apparent wall rate in a round bore: (3n + 1) / (4n); 1 for a Newtonian melt.
    ///
    /// # Source
    /// B. Rabinowitsch, Z. phys. Chem. A 145 (1929) 1 (citation from memory).
    pub fn rabinowitsch(self) -> f64 {
        (3.0 * self.index + 1.0) / (4.0 * self.index)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pa_s(value: f64) -> Viscosity {
        Viscosity::from_pa_s(value)
    }

    #[test]
    fn two_points_give_back_themselves() {
        // By hand: a tenth of the viscosity at a hundred times the rate is n = 1 - 1/2, and K = 500 * 10^(1/2).
        let melt = PowerLaw::through((10.0, pa_s(500.0)), (1000.0, pa_s(50.0))).unwrap();
        assert!((melt.index() - 0.5).abs() < 1e-12);
        assert!((melt.consistency() - 1_581.138_830).abs() < 1e-5);
        assert!((melt.viscosity(1000.0).as_pa_s() - 50.0).abs() < 1e-9);
    }

    #[test]
    fn melt_flow_test_of_polyethylene() {
        // Shenoy's constants (from memory): tau = 9.13e3 Pa for each kg, g = 1.83 MFR / density.
        let (stress, rate) = PowerLaw::melt_flow_wall(2.0, 2.16, Density::from_g_cm3(0.78));
        assert!((stress.as_mpa() * 1e6 / (9.13e3 * 2.16) - 1.0).abs() < 0.025, "{stress:?}");
        assert!((rate / (1.83 * 2.0 / 0.78) - 1.0).abs() < 0.015, "{rate}");
        // By hand for a Newtonian melt: 19.3599 kPa over 4.7340 1/s.
        let melt = PowerLaw::from_melt_flow(2.0, 2.16, Density::from_g_cm3(0.78), 1.0).unwrap();
        assert!((melt.consistency() - 4089.5).abs() < 2.0, "{}", melt.consistency());
    }

    #[test]
    fn nonsense_has_no_answer() {
        let density = Density::from_g_cm3(1.0);
        assert!(PowerLaw::new(0.0, 0.5).is_err());
        assert!(PowerLaw::new(f64::NAN, 0.5).is_err());
        assert!(PowerLaw::new(100.0, 0.0).is_err());
        assert!(PowerLaw::newtonian(pa_s(-3.0)).is_err());
        assert!(PowerLaw::through((10.0, pa_s(5.0)), (10.0, pa_s(4.0))).is_err());
        assert!(PowerLaw::through((10.0, pa_s(5.0)), (20.0, pa_s(500.0))).is_err(), "thickens beyond belief");
        assert!(PowerLaw::from_melt_flow(0.0, 2.16, density, 0.5).is_err());
        assert!(PowerLaw::from_melt_flow(5.0, -2.16, density, 0.5).is_err());
        // Grams for kilograms.
        let load = |kg| PowerLaw::from_melt_flow(12.0, kg, density, 0.5).is_ok();
        assert_eq!([21.6, 21.7, 2160.0].map(load), [true, false, false]);
        assert!(PowerLaw::from_melt_flow(5.0, 2.16, density, f64::NAN).is_err());
    }
}
