//! What layers are to cool down to.

use super::Profile;

/// What layers are to cool down to before the next, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cooling {
    /// They get no time to cool.
    NotWanted,
    /// That, which lies between the air and the melt.
    Until(f64),
    /// They never become as cold as that in the air.
    NeverReached(f64),
    /// They are laid no warmer than that.
    NeverLeft(f64),
}

impl Profile {
    /// Temperature of the melt as it is laid, °C: the middle of what the nozzle may have.
    pub fn laid_c(&self) -> f64 {
        let feedstock = &self.feedstock;
        0.5 * (feedstock.nozzle_temperature_min_c.value + feedstock.nozzle_temperature_max_c.value)
    }

    /// What layers are to cool down to, and whether they can.
    pub fn cooling(&self) -> Cooling {
        match self.part.solid_temperature_c.value {
            None => Cooling::NotWanted,
            Some(solid) if solid <= self.part.air_temperature_c.value => Cooling::NeverReached(solid),
            Some(solid) if solid >= self.laid_c() => Cooling::NeverLeft(solid),
            Some(solid) => Cooling::Until(solid),
        }
    }
}
