//! Pressure a nozzle takes: a cone that leads into a round land.

use std::f64::consts::PI;

use super::range::{OutOfRange, above_zero, when};
use super::viscosity::PowerLaw;
use crate::units::{Length, Pressure, VolumeFlow};

/// Cone that narrows from the barrel to the land of the nozzle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cone {
    /// Diameter at the wide end.
    pub wide: Length,
    /// Angle between axis and wall, degrees.
    pub half_angle_deg: f64,
}

/// A nozzle: a round land and, before it, a cone down to the same bore.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Die {
    bore: Length,
    land: Length,
    cone: Option<Cone>,
}

impl Die {
    /// A nozzle of a bore, with a land of a length, and a cone before it if there is one.
    ///
    /// # Errors
    /// When a length is not above zero, the cone is not wider than the bore, or its half angle is not between 1 and
    /// 60 degrees (the model is good up to about 30).
    pub fn new(bore: Length, land: Length, cone: Option<Cone>) -> Result<Self, OutOfRange> {
        above_zero("the bore of the nozzle (mm)", bore.as_mm())?;
        above_zero("the length of the nozzle land (mm)", land.as_mm())?;
        if let Some(Cone { wide, half_angle_deg }) = cone {
            when(wide > bore, "the wide end of the nozzle cone (mm)", "be wider than the bore", wide.as_mm())?;
            let fits = (1.0..=60.0).contains(&half_angle_deg);
            when(fits, "the half angle of the nozzle cone (degrees)", "lie between 1 and 60", half_angle_deg)?;
        }
        Ok(Self { bore, land, cone })
    }

    /// Pressure that drives a flow through it.
    ///
    /// land: dP = (2 K L / R) [(3n + 1) / n * Q / (pi R^3)]^n
    /// cone: dP = 2 K / (3 n tan(al)) [(3n + 1) Q / (pi n)]^n (R^(-3n) - R1^(-3n))
    ///
    /// | symbol | argument or field | unit   | tested range              |
    /// |--------|-------------------|--------|---------------------------|
    /// | Q      | `flow`            | mm³/s  | 0 ..= 100 000             |
    /// | K, n   | `melt`            | Pa·s^n | n 0.35 ..= 1              |
    /// | R      | half the bore     | mm     | 0.5 ..= 3.25              |
    /// | L      | land              | mm     | 2 ..= 20                  |
    /// | R1, al | cone              | mm, °  | up to 3 mm, 30°           |
    ///
    /// # Assumes
    /// Isothermal, fully developed, no slip, no entrance loss (no Bagley correction).
    ///
    /// # Accuracy
    /// Against values worked in independent code: all digits. Against real nozzles: not known;
    /// entrance losses make the real pressure higher.
    ///
    /// # Source
    /// Hagen and Poiseuille for n = 1; power law after Rabinowitsch; cone by lubrication theory.
    pub fn pressure(&self, flow: VolumeFlow, melt: PowerLaw) -> Pressure {
        let flow = flow.as_mm3_s().max(0.0);
        Pressure::from_mpa(self.resistance(melt) * flow.powf(melt.index()))
    }

    /// Flow that a pressure drives through it; the inverse of [`Die::pressure`].
    pub fn flow(&self, pressure: Pressure, melt: PowerLaw) -> VolumeFlow {
        let ratio = pressure.as_mpa().max(0.0) / self.resistance(melt);
        VolumeFlow::from_mm3_s(ratio.powf(1.0 / melt.index()))
    }

    /// Land and cone both take a pressure that grows with Q^n: the factor, MPa/(mm³/s)^n.
    fn resistance(&self, melt: PowerLaw) -> f64 {
        // Consistency in MPa s^n and lengths in mm, so that stress comes out in MPa.
        let (k, n) = (melt.consistency() * 1e-6, melt.index());
        let radius = self.bore.as_mm() / 2.0;
        let shape = (3.0 * n + 1.0) / (PI * n);
        let land = 2.0 * k * self.land.as_mm() / radius * (shape / radius.powi(3)).powf(n);
        let cone = self.cone.map_or(0.0, |cone| {
            let wide = cone.wide.as_mm() / 2.0;
            let slope = cone.half_angle_deg.to_radians().tan();
            2.0 * k / (3.0 * n * slope) * shape.powf(n) * (radius.powf(-3.0 * n) - wide.powf(-3.0 * n))
        });
        land + cone
    }

    /// Apparent shear rate at the wall of the land, 1/s: 32 Q / (pi d^3). The true one is higher by
    /// [`PowerLaw::rabinowitsch`].
    pub fn apparent_rate(&self, flow: VolumeFlow) -> f64 {
        32.0 * flow.as_mm3_s() / (PI * self.bore.as_mm().powi(3))
    }

    /// Mean speed in the land, mm/s.
    pub fn exit_speed(&self, flow: VolumeFlow) -> f64 {
        flow.as_mm3_s() / crate::units::Area::of_circle(self.bore).as_mm2()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Viscosity;

    fn mm(value: f64) -> Length {
        Length::from_mm(value)
    }

    fn close(got: f64, expected: f64, digits: f64) {
        assert!((got / expected - 1.0).abs() < digits, "{got} instead of {expected}");
    }

    const Q: VolumeFlow = VolumeFlow::from_mm3_s(20.0);

    /// Worked in independent code from the same formulas (n = 0.5 also by integrating the velocity profile): d = 1 mm, L = 2 mm, Q = 20 mm³/s.
    #[test]
    fn round_land_as_published() {
        let die = Die::new(mm(1.0), mm(2.0), None).unwrap();
        close(die.apparent_rate(Q), 203.718_33, 1e-7);
        for (n, k, true_rate, stress_kpa, pressure) in [
            (1.0, 500.0, 203.718_33, 101.859_16, 0.814_873),
            (0.5, 5000.0, 254.647_91, 79.788_46, 0.638_308),
            (0.35, 12_000.0, 298.301_84, 88.167_97, 0.705_344),
        ] {
            let melt = PowerLaw::new(k, n).unwrap();
            close(die.apparent_rate(Q) * melt.rabinowitsch(), true_rate, 1e-7);
            close(die.pressure(Q, melt).as_mpa(), pressure, 2e-6);
            // tau = dP R / (2 L)
            close(die.pressure(Q, melt).as_mpa() * 0.5 / 4.0 * 1e3, stress_kpa, 1e-7);
            close(die.flow(die.pressure(Q, melt), melt).as_mm3_s(), 20.0, 1e-12);
        }
    }

    /// Worked in independent code, closed form and quadrature agree: cone 3 to 0.5 mm radius, 30 degrees half angle.
    #[test]
    fn cone_as_published() {
        let cone = Cone { wide: mm(6.0), half_angle_deg: 30.0 };
        for (n, k, pressure) in [(1.0, 500.0, 0.117_072), (0.5, 5000.0, 0.171_726)] {
            let melt = PowerLaw::new(k, n).unwrap();
            let with = Die::new(mm(1.0), mm(2.0), Some(cone)).unwrap().pressure(Q, melt);
            let without = Die::new(mm(1.0), mm(2.0), None).unwrap().pressure(Q, melt);
            close((with - without).as_mpa(), pressure, 5e-6);
        }
    }

    /// Bore and gradient of FOSSEE 1268/CH3/EX3.6 (its comment calls the bore metres; it is centimetres).
    #[test]
    fn poiseuille_example_in_cgs_units() {
        let die = Die::new(mm(4.45), mm(10.0), None).unwrap();
        let melt = PowerLaw::newtonian(Viscosity::from_pa_s(0.8)).unwrap();
        // 12 500 dyn/cm3 over 1 cm is 1250 Pa.
        close(die.flow(Pressure::from_mpa(1.25e-3), melt).as_mm3_s(), 1503.834, 1e-6);
    }

    #[test]
    fn apparent_rate_for_each_mm3_s() {
        let one = VolumeFlow::from_mm3_s(1.0);
        for (bore, rate) in [(0.4, 159.155), (0.6, 47.157), (0.8, 19.8944), (2.0, 1.27324), (3.0, 0.377_256)] {
            close(Die::new(mm(bore), mm(1.0), None).unwrap().apparent_rate(one), rate, 5e-6);
        }
    }

    #[test]
    fn impossible_nozzles_are_refused() {
        assert!(Die::new(mm(0.0), mm(2.0), None).is_err());
        assert!(Die::new(mm(1.0), mm(-2.0), None).is_err());
        let narrow = Cone { wide: mm(1.0), half_angle_deg: 30.0 };
        assert!(Die::new(mm(1.0), mm(2.0), Some(narrow)).is_err());
        let flat = Cone { wide: mm(6.0), half_angle_deg: 90.0 };
        assert!(Die::new(mm(1.0), mm(2.0), Some(flat)).is_err());
    }
}
