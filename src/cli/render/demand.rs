//! What is known of the demand of a file: without a bead there is none that could be within a capacity.

use meltwright::findings::Code;
use meltwright::summary::{Figures, Summary};

use super::number::{decimal, flow, volume};
use super::parts;

/// What the demand of a file comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Demand {
    /// Beads of the screw.
    Beads,
    /// Turns of the screw at rest alone.
    AtRest,
    /// The screw is not asked for anything.
    None,
    /// The file does not say how much it asks.
    Unknown,
}

impl Demand {
    /// That of the file as it came.
    pub fn of(summary: &Summary) -> Self {
        let before = &summary.before;
        match before.beads {
            1.. => Self::Beads,
            0 if parts::tells(summary, Code::SwitchedExtruder) => Self::Unknown,
            0 if before.sustained_demand_mm3_s > 0.0 => Self::AtRest,
            0 => Self::None,
        }
    }

    /// Peak and sustained demand, where there are such.
    pub fn known(self, figures: &Figures) -> [Option<f64>; 2] {
        let (peak, sustained) = (Some(figures.peak_demand_mm3_s), Some(figures.sustained_demand_mm3_s));
        match self {
            Self::Beads => [peak, sustained],
            Self::AtRest => [None, sustained],
            Self::None | Self::Unknown => [None, None],
        }
    }

    /// The same in words.
    pub fn words(self, figures: &Figures) -> [String; 2] {
        self.known(figures).map(|asked| asked.map_or_else(|| "-".to_owned(), flow))
    }

    /// Volume and mass of what is laid, in words.
    pub fn laid(self, figures: &Figures) -> [String; 2] {
        match self {
            Self::Unknown => ["-", "-"].map(str::to_owned),
            _ => [volume(figures.volume_mm3), format!("{} g", decimal(figures.mass_g, 1))],
        }
    }
}

/// How a demand stands to what the screw gives.
pub fn relation(asked: f64, given: f64) -> &'static str {
    if asked > given * (1.0 + 1e-6) { "more than" } else { "within" }
}
