//! What the part bears, for the account.

use serde::Serialize;

use crate::soft::{Band, Bands};

/// The part and its layers.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct PartFigures {
    /// Modulus the limits rest on, MPa: the low side of the band.
    pub modulus_mpa: f64,
    /// Low, middle and high side of the band, MPa.
    pub modulus_band_mpa: [f64; 3],
    /// Axes along which the machine moves the part: `x`, `y`.
    pub moves_along: Vec<&'static str>,
    /// Bands of layers, from the first layer up.
    pub bands: Bands,
    /// Waits for layers to cool, in the output.
    pub waits: u64,
    /// Their time, ways there and back included, s.
    pub waited_s: f64,
}

impl PartFigures {
    /// The band in which the part bears least, among those that are bounded.
    pub fn softest(&self) -> Option<&Band> {
        let bears = |band: &Band| match (band.accel_x_mm_s2, band.accel_y_mm_s2) {
            (Some(x), Some(y)) => Some(x.min(y)),
            (x, y) => x.or(y),
        };
        let bounded = self.bands.list().iter().filter_map(|band| Some((bears(band)?, band)));
        bounded.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, band)| band)
    }
}
