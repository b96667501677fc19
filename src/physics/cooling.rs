//! How long a fresh layer takes to cool.

use super::range::{OutOfRange, above_zero, not_below_zero, when};
use crate::units::Density;

/// Eigenvalues that are summed; the last belongs to changes far quicker than any layer.
const TERMS: usize = 300;
/// A term that has decayed to this share is none any more.
const NOTHING: f64 = 1e-18;
/// Before this Fo the series is not followed down step by step.
const LEAST_FOURIER: f64 = 1e-4;
/// Most steps towards a root; a handful is usual.
const MOST_STEPS: u32 = 100;

/// How a stuff stores and conducts heat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thermal {
    conductivity: f64,
    heat: f64,
}

impl Thermal {
    /// From conductivity, specific heat and density.
    ///
    /// | argument        | unit     | range                          |
    /// |-----------------|----------|--------------------------------|
    /// | `conductivity`  | W/(m K)  | above 0; 0.17 to 0.25 for TPU  |
    /// | `specific_heat` | J/(kg K) | above 0; 1450 to 1900 for TPU  |
    /// | `density`       | g/cm³    | above 0                        |
    ///
    /// # Errors
    /// When a value is not above zero.
    pub fn new(conductivity: f64, specific_heat: f64, density: Density) -> Result<Self, OutOfRange> {
        above_zero("the specific heat (J/(kg K))", specific_heat)?;
        above_zero("the density (g/cm³)", density.as_g_cm3())?;
        Ok(Self {
            conductivity: above_zero("the conductivity (W/(m K))", conductivity)?,
            heat: specific_heat * density.as_g_cm3() * 1e3,
        })
    }
}

/// Temperatures of a fresh layer, °C: as laid, of what lies below, of the air.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Temperatures {
    /// Of the melt as laid.
    pub laid: f64,
    /// Of what lies below; between air and melt. Without a base it does not matter.
    pub below: f64,
    /// Of the air.
    pub air: f64,
}

/// Where in the fresh layer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// Its free face.
    Surface,
    /// Its mean: what stiffness and heat to come depend on.
    Mean,
    /// Its lower face; without a base the hottest place, and the middle of a wall that is cooled from both sides.
    Back,
}

/// A fresh layer that is cooled by air on its free face, on a base of the same stuff, or on none.
///
/// The base is in perfect contact, of one temperature at the start, and passes no heat at its own lower face. Without
/// a base the back of the layer passes none: the slowest way to cool, and so the safe side. This is also one half of a
/// wall that is cooled on both faces.
///
/// theta = sum of C_i cos(z_i x / L) exp(-z_i² Fo),   z tan z = Bi,   Fo = alpha t / L²,   Bi = h L / k
///
/// with L the height of base and layer together and C_i from the two starting temperatures. The series is summed at
/// any Bi, so there is no other branch for Bi < 0.1.
///
/// # Assumes
/// Flow of heat in one direction, constant properties, no heat of melting, no radiation but in h.
///
/// # Accuracy
/// Of the series 1e-6 from Fo = 1e-4 on. Of h, hardly known on any machine, a factor of two.
///
/// # Source
/// F. P. Incropera, D. P. DeWitt, *Fundamentals of Heat and Mass Transfer*, ch. 5, plane wall with convection, table 5.1
/// (by way of public test suites). The base by the same series, ours.
#[derive(Clone, Debug, PartialEq)]
pub struct Layer {
    /// Share of the whole height that the base has.
    base: f64,
    /// Seconds in which Fo grows by 1.
    unit_s: f64,
    biot: f64,
}

impl Layer {
    /// A layer on a base.
    ///
    /// | argument       | unit      | range                                                     |
    /// |----------------|-----------|-----------------------------------------------------------|
    /// | `thickness_mm` | mm        | above 0; of the fresh layer, or half of a wall            |
    /// | `base_mm`      | mm        | 0 or above, at most 100 thicknesses; 0 is no base         |
    /// | `film`         | W/(m² K)  | above 0; 2 to 25 still air, 20 to 100 a fan (from memory) |
    ///
    /// # Errors
    /// When a value is outside its range.
    pub fn new(thermal: &Thermal, thickness_mm: f64, base_mm: f64, film: f64) -> Result<Self, OutOfRange> {
        above_zero("the thickness of the layer (mm)", thickness_mm)?;
        not_below_zero("the thickness of the base (mm)", base_mm)?;
        when(base_mm <= 100.0 * thickness_mm, "the thickness of the base (mm)", "be at most 100 layers", base_mm)?;
        above_zero("the film coefficient (W/(m² K))", film)?;
        let length = (thickness_mm + base_mm) * 1e-3;
        let biot = film * length / thermal.conductivity;
        Ok(Self {
            base: base_mm / (thickness_mm + base_mm),
            unit_s: length * length * thermal.heat / thermal.conductivity,
            biot,
        })
    }

    /// Film coefficient times height (base included) over conductivity. Below 0.1 the temperature is nearly even.
    pub fn biot(&self) -> f64 {
        self.biot
    }

    /// Temperature after a time in seconds, °C. Before 0: that of 0.
    pub fn temperature(&self, at: Temperatures, place: Place, time_s: f64) -> f64 {
        let fourier = time_s.max(0.0) / self.unit_s;
        let sum = self.sum(&mut Vec::new(), (at, place), fourier).0;
        at.air + sum
    }

    /// The series and its change with Fo. `terms`: those known so far.
    fn sum(&self, terms: &mut Vec<Term>, (at, place): (Temperatures, Place), fourier: f64) -> (f64, f64) {
        let (mut sum, mut slope) = (0.0, 0.0);
        for index in 0..TERMS {
            if index >= terms.len() {
                terms.push(self.term(index, at, place));
            }
            let Some(Term { square, share }) = terms.get(index) else { break };
            let decay = (-square * fourier).exp();
            if decay < NOTHING {
                break;
            }
            sum += share * decay;
            slope -= square * share * decay;
        }
        (sum, slope)
    }

    /// A term of the series.
    fn term(&self, index: usize, at: Temperatures, place: Place) -> Term {
        let z = root(self.biot, index);
        let (fresh, below) = (at.laid - at.air, at.below - at.air);
        let ((whole, cosine), (part, at_base)) = (z.sin_cos(), (z * self.base).sin_cos());
        let weight = 2.0 * (below * part + fresh * (whole - part)) / (z + cosine * whole);
        let shape = match place {
            Place::Surface => cosine,
            Place::Mean => (whole - part) / (z * (1.0 - self.base)),
            Place::Back => at_base,
        };
        Term { square: z * z, share: weight * shape }
    }

    /// Time until a place of the layer has come down to a temperature, s: the least time between two layers. 0 when it
    /// starts there.
    ///
    /// `until`: °C, above the air.
    ///
    /// # Errors
    /// When the temperature is not above that of the air, or the temperatures are not in order: air, below, laid.
    pub fn time_s(&self, at: Temperatures, place: Place, until: f64) -> Result<f64, OutOfRange> {
        when(at.air.is_finite(), "the temperature of the air (°C)", "be a number", at.air)?;
        when(until > at.air, "the temperature to cool to (°C)", "be above that of the air", until)?;
        when(at.laid >= at.air, "the temperature of the melt (°C)", "not be below that of the air", at.laid)?;
        let between = self.base == 0.0 || (at.air..=at.laid).contains(&at.below);
        when(between, "the temperature of the layer below (°C)", "lie between air and melt", at.below)?;
        if until >= at.laid {
            return Ok(0.0);
        }
        let at = if self.base == 0.0 { Temperatures { below: at.air, ..at } } else { at };
        // The later it is, the fewer terms count.
        let mut terms = Vec::new();
        let mut cooler = |fourier: f64| {
            let (sum, slope) = self.sum(&mut terms, (at, place), fourier);
            (until - at.air - sum, -slope)
        };
        let (mut low, mut high) = (0.5, 1.0);
        while cooler(high).0 < 0.0 {
            (low, high) = (high, high * 2.0);
        }
        while low > 0.0 && cooler(low).0 >= 0.0 {
            (low, high) = (if low > LEAST_FOURIER { 0.5 * low } else { 0.0 }, low);
        }
        Ok(rising_root([low, high], low, cooler) * self.unit_s)
    }
}

/// A term of the series: share * exp(-square * Fo), °C.
#[derive(Clone, Copy, Debug)]
struct Term {
    square: f64,
    share: f64,
}

/// The root of z tan z = Bi number `index`, between index pi and index pi + pi/2.
fn root(biot: f64, index: usize) -> f64 {
    let low = index as f64 * std::f64::consts::PI;
    let high = low + std::f64::consts::FRAC_PI_2;
    let sign = if index.is_multiple_of(2) { 1.0 } else { -1.0 };
    // Far out the roots lie close behind index pi.
    let start = if low > 0.0 { low + biot / low } else { biot.sqrt() };
    rising_root([low, high], start, |z| {
        let (sine, cosine) = z.sin_cos();
        (sign * (z * sine - biot * cosine), sign * ((1.0 + biot) * sine + z * cosine))
    })
}

/// The root of a function that rises through it once, by Newton's steps, halving where they lead out of what is known.
/// `function` gives value and slope.
fn rising_root([mut low, mut high]: [f64; 2], start: f64, mut function: impl FnMut(f64) -> (f64, f64)) -> f64 {
    let mut at = start;
    for _ in 0..MOST_STEPS {
        if !(low..=high).contains(&at) {
            at = 0.5 * (low + high);
        }
        let (value, slope) = function(at);
        if value < 0.0 {
            low = at;
        } else {
            high = at;
        }
        let next = at - value / slope;
        if (next - at).abs() <= 1e-15 * at {
            return next;
        }
        at = next;
    }
    at
}

#[cfg(test)]
mod tests;
