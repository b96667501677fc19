//! What is written behind E: the unit of the output, and a count in which no rounding adds up.
//!
//! The count is kept exactly and written in whole quanta: a distance is the difference of two rounded counts, so that
//! the sum of all that was written is never further than half a quantum from the truth.

use crate::moves::Move;
use crate::profile::Output;

/// What one unit of E means in the output.
#[derive(Clone, Debug, PartialEq)]
pub enum Unit {
    /// As in the file.
    AsInFile,
    /// So many units for each mm³.
    PerVolume(f64),
    /// Turns of the screw, whose output for a turn depends on the flow.
    Turns(Output),
}

/// Decimals of E words.
pub const DECIMALS: u8 = 5;
/// Quanta in a unit of E.
const QUANTA: f64 = 100_000.0;

/// Follows the count of E in the output.
#[derive(Clone, Debug)]
pub struct ECount {
    unit: Unit,
    /// Units for a mm³: of the output, or of the file as last seen. Without meaning along a curve.
    units: f64,
    /// Count where nothing is rounded; E counts in mm here, whatever units of length the lines have.
    exact: f64,
    /// The same in whole quanta of `unit_mm`, as it was written.
    written: i64,
    /// Millimetres for one unit of length on the line before, and whether it counted in inches.
    unit_mm: f64,
    inches: bool,
}

/// An E word to be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EWord {
    /// Its value in quanta, of which a unit has 10 to the power of [`DECIMALS`].
    pub quanta: i64,
}

impl ECount {
    /// A count that starts at zero.
    pub fn new(unit: Unit) -> Self {
        let units = match &unit {
            Unit::AsInFile | Unit::Turns(Output::Curve(_)) => 1.0,
            Unit::PerVolume(units) => *units,
            Unit::Turns(Output::Constant(mm3_rev)) => 1.0 / mm3_rev,
        };
        Self { unit, units, exact: 0.0, written: 0, unit_mm: 1.0, inches: false }
    }

    /// The same for a file of which a unit of E is known to push so much, mm³, before the first line tells.
    #[must_use]
    pub fn for_file(self, unit_mm3: Option<f64>) -> Self {
        match unit_mm3.filter(|volume| !self.is_another_unit() && *volume > 0.0) {
            Some(volume) => Self { units: 1.0 / volume, ..self },
            None => self,
        }
    }

    /// Whether every E word is written anew because its unit is another one.
    #[inline]
    pub fn is_another_unit(&self) -> bool {
        !matches!(self.unit, Unit::AsInFile)
    }

    /// Units of E for a mm³ at a flow, mm³/s.
    pub fn units_per_mm3(&self, flow: f64) -> f64 {
        self.units_by(|| flow)
    }

    /// The same; `flow` is asked only where it counts.
    #[inline]
    pub fn units_by(&self, flow: impl FnOnce() -> f64) -> f64 {
        match &self.unit {
            Unit::Turns(output @ Output::Curve(_)) => output.turns_per_mm3(flow().abs()),
            _ => self.units,
        }
    }

    /// Looks at a move before its E is written.
    #[inline]
    pub fn see(&mut self, step: &Move) {
        if !self.is_another_unit() && step.volume != 0.0 && step.e != 0.0 {
            self.units = step.e / step.volume;
        }
    }

    /// The line sets the count, in mm.
    pub fn set(&mut self, count: f64) {
        self.exact = count;
        self.written = quanta(count / self.unit_mm);
    }

    /// Where the count stands, in mm.
    pub fn exact(&self) -> f64 {
        self.exact
    }

    /// The word on the line of `step` that pushes `volume` mm³ at so many `units` a mm³.
    #[inline]
    pub fn word(&mut self, volume: f64, units: f64, step: &Move) -> EWord {
        let inches = step.has(Move::INCH);
        if inches != self.inches {
            (self.unit_mm, self.inches) = (step.unit_mm(), inches);
            self.set(self.exact);
        }
        let (added, factor) = (volume * units, step.flow_factor);
        self.exact += if factor == 1.0 { added } else { added / factor };
        let now = quanta(if inches { self.exact / self.unit_mm } else { self.exact });
        let before = std::mem::replace(&mut self.written, now);
        EWord { quanta: if step.has(Move::E_RELATIVE) { now - before } else { now } }
    }
}

/// The nearest whole number of quanta, halves away from zero.
fn quanta(count: f64) -> i64 {
    // Without a call into the library, as `f64::round` is one where the processor is not known to round.
    (count * QUANTA + 0.5_f64.copysign(count)) as i64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(flags: u16) -> Move {
        Move { flags: Move::SCREW | flags, ..crate::moves::sample::bead(1.0, 1.0) }
    }

    #[test]
    fn no_error_adds_up_over_a_million_moves() {
        let mut relative = ECount::new(Unit::PerVolume(0.012_732_395));
        let mut absolute = relative.clone();
        let (by_distance, by_place) = (line(Move::E_RELATIVE), line(0));
        let (mut sum, mut exact, mut last) = (0_i64, 0.0, 0.0);
        for i in 0..1_000_000_u32 {
            let volume = 0.05 + f64::from(i % 7) * 0.0137;
            exact += volume * 0.012_732_395;
            sum += relative.word(volume, 0.012_732_395, &by_distance).quanta;
            last = absolute.word(volume, 0.012_732_395, &by_place).quanta as f64 / QUANTA;
        }
        assert!((sum as f64 / QUANTA - exact).abs() < 1.0 / QUANTA, "{sum} against {exact}");
        assert!((last - exact).abs() < 1.0 / QUANTA);
    }

    #[test]
    fn a_count_that_is_set_goes_on_from_there() {
        let mut count = ECount::new(Unit::PerVolume(2.0));
        let units = count.units_per_mm3(1.0);
        count.word(3.0, units, &line(0));
        count.set(10.0);
        assert_eq!(count.word(0.5, units, &line(0)).quanta, 1_100_000);
        let doubled = Move { flow_factor: 2.0, ..line(Move::E_RELATIVE) };
        assert_eq!(count.word(0.5, units, &doubled).quanta, 50_000, "the controller doubles it");
    }

    /// 254 mm are 10 inches, from where 12.7 mm lead to 10.5; another 12.7 mm are half an inch, or 279.4 mm from zero.
    #[test]
    fn a_count_goes_on_in_other_units_of_length() {
        let mut count = ECount::new(Unit::PerVolume(1.0));
        count.word(254.0, 1.0, &line(0));
        assert_eq!(count.word(12.7, 1.0, &line(Move::INCH)).quanta, 1_050_000);
        assert_eq!(count.word(12.7, 1.0, &line(Move::INCH | Move::E_RELATIVE)).quanta, 50_000);
        assert_eq!(count.word(0.6, 1.0, &line(0)).quanta, 28_000_000);
        count.word(0.0, 1.0, &line(Move::INCH));
        count.set(25.4);
        assert_eq!(count.word(2.54, 1.0, &line(Move::INCH)).quanta, 110_000);
    }
}
