//! What the soft part bears, layer by layer: how quickly the bed may move it, and how long it has to cool.
//!
//! A [`SoftPlanner`] takes the layers of a survey, lays them on a stand of columns, and asks the physics of the growing
//! part. What comes out, a [`SoftPlan`], is small for each layer and is what the passes need; beside it stand the figures
//! of bands of layers for the reader.
//!
//! Limits are those of the islands that are being printed: what was finished may sway. Loops around the part and
//! priming towers do not count. The stiffness is the low side of the band where it rests on hardness alone.

mod bands;
pub mod corners;
mod planner;
mod section;
mod terms;

use std::collections::VecDeque;

pub use bands::{Band, Bands};
pub use planner::SoftPlanner;
pub use terms::{ACCEL, BY_AXIS, Terms, lowers_corners, takes};

/// Limits of one layer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LayerLimits {
    /// Highest acceleration along X and Y, mm/s²; infinite where nothing sways.
    pub accel_mm_s2: [f32; 2],
    /// Largest jump of speed along X and Y, mm/s; infinite where nothing sways.
    pub step_mm_s: [f32; 2],
    /// Highest speed of beads for the drag of the nozzle, mm/s; infinite where it is not to be bounded.
    pub drag_mm_s: f32,
    /// Share of their speed to which perimeters are slowed so that the layer cools, above 0 to 1.
    pub perimeter_share: f32,
    /// The same for all other beads.
    pub bead_share: f32,
    /// Least time from the first bead of the layer to that of the next, s.
    pub least_s: f32,
}

impl LayerLimits {
    /// No limits.
    pub const FREE: Self = Self {
        accel_mm_s2: [f32::INFINITY; 2],
        step_mm_s: [f32::INFINITY; 2],
        drag_mm_s: f32::INFINITY,
        perimeter_share: 1.0,
        bead_share: 1.0,
        least_s: 0.0,
    };
}

/// Limits of some layers in a row, as far as a survey has come.
#[derive(Clone, Debug, PartialEq)]
pub struct KnownLimits {
    /// Number of the first of them.
    first: u32,
    layers: VecDeque<LayerLimits>,
    /// Beads of the whole file, once it is known that no more come.
    beads: Option<u64>,
}

impl Default for KnownLimits {
    fn default() -> Self {
        Self { first: 1, layers: VecDeque::new(), beads: None }
    }
}

/// Limits of the layer that moves are in: most are in that of the one before.
#[derive(Clone, Copy, Debug)]
pub struct InLayer<'a> {
    known: &'a KnownLimits,
    layer: u32,
    limits: &'a LayerLimits,
}

impl<'a> InLayer<'a> {
    /// Before the first move.
    pub fn new(known: &'a KnownLimits) -> Self {
        Self { known, layer: 0, limits: known.of(0) }
    }

    /// Limits of the layer of the next move.
    #[inline]
    pub fn of(&mut self, layer: u32) -> &'a LayerLimits {
        if layer != self.layer {
            (self.layer, self.limits) = (layer, self.known.of(layer));
        }
        self.limits
    }
}

impl KnownLimits {
    /// These, from the first layer up.
    pub fn of_layers(layers: impl Into<VecDeque<LayerLimits>>) -> Self {
        Self { layers: layers.into(), ..Self::default() }
    }

    /// The same of a file that lays so many beads.
    #[cfg(test)]
    pub fn with_beads(self, beads: u64) -> Self {
        Self { beads: Some(beads), ..self }
    }

    /// Limits of a layer, as moves number them; none where it is not among them.
    pub fn of(&self, layer: u32) -> &LayerLimits {
        let place = layer.checked_sub(self.first);
        place.and_then(|place| self.layers.get(place as usize)).unwrap_or(&LayerLimits::FREE)
    }

    /// Whether so many beads are all that the file lays.
    pub fn are_all(&self, beads: u64) -> bool {
        self.beads.is_some_and(|all| beads >= all)
    }

    /// Knows nothing any more; the memory is kept.
    pub fn clear(&mut self) {
        self.layers.clear();
        (self.first, self.beads) = (1, None);
    }

    /// Becomes those of the layers from `first` to `last` among `all`.
    pub fn copy(&mut self, all: &Self, first: u32, last: u32) {
        self.layers.clear();
        self.layers.extend((first..=last).map(|layer| *all.of(layer)));
        (self.first, self.beads) = (first, all.beads);
    }

    /// Drops those of layers before `layer`.
    pub fn forget_before(&mut self, layer: u32) {
        let count = (layer.saturating_sub(self.first) as usize).min(self.layers.len());
        self.layers.drain(..count);
        self.first += count as u32;
    }

    /// Sets those of a layer that is none of the dropped ones; layers in between have none.
    fn set(&mut self, layer: u32, limits: LayerLimits) {
        let Some(place) = layer.checked_sub(self.first).map(|place| place as usize) else { return };
        if place >= self.layers.len() {
            self.layers.resize(place + 1, LayerLimits::FREE);
        }
        if let Some(known) = self.layers.get_mut(place) {
            *known = limits;
        }
    }
}

/// What is known of a part once all its layers are laid.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SoftPlan {
    /// What layers bear and need: of all layers but those that were dropped on the way.
    pub limits: KnownLimits,
    /// Some layer has to cool.
    pub cools: bool,
    /// Figures by bands of layers.
    pub bands: Bands,
    /// Low side, middle and high side of the modulus of the warm stuff, MPa.
    pub modulus_mpa: [f64; 3],
    /// The machine moves the part along X and Y, where that is judged.
    pub moves: [bool; 2],
    /// X and Y beside all that is laid and on the bed, where there is such a place, mm of the machine.
    pub beside_mm: Option<[f64; 2]>,
    /// What is to be told.
    pub warnings: Vec<Warning>,
}

/// Why a part cannot be printed well, with the place where that begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Warning {
    /// Number of the layer.
    pub layer: u32,
    /// Its height, mm.
    pub z_mm: f64,
    /// What is wrong.
    pub what: Trouble,
}

/// What the nozzle's drag does at the least speed to which beads are slowed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slowest {
    /// That speed, mm/s.
    pub speed_mm_s: f64,
    /// How far the part is dragged at it, mm.
    pub by_mm: f64,
}

/// What is wrong with a part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Trouble {
    /// It would need a lower acceleration than the least that is set.
    TooSoft {
        /// Acceleration it would bear where it is worst, mm/s².
        accel_mm_s2: f64,
        /// Least that is set, mm/s².
        least_mm_s2: f64,
    },
    /// It does not carry its own weight.
    TooHeavy {
        /// How many times its own weight it carries where it is worst.
        factor: f64,
    },
    /// The nozzle drags it further than it may sway.
    Dragged {
        /// By how much where it is worst, mm.
        by_mm: f64,
        /// How far it may go, mm.
        allowed_mm: f64,
        /// Speed at which it would be within that, mm/s.
        bears_mm_s: f64,
        /// The least speed, where that is still too fast.
        slowest: Option<Slowest>,
    },
    /// Its walls are thin beside it, and give way by themselves.
    ThinWalled,
    /// The controller's jumps of speed at corners shake it further than it may sway.
    Jolted {
        /// Largest jump it bears, mm/s.
        most_mm_s: f64,
        /// Jump the controller may still make, mm/s.
        step_mm_s: f64,
        /// Its rule is lowered, and cannot be set lower.
        is_lowered: bool,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    fn least(layers: &KnownLimits, numbers: std::ops::RangeInclusive<u32>) -> Vec<f32> {
        numbers.map(|layer| layers.of(layer).least_s).collect()
    }

    #[test]
    fn limits_are_found_by_the_number_of_the_layer() {
        let of = |least_s: f32| LayerLimits { least_s, ..LayerLimits::FREE };
        let mut all = KnownLimits::of_layers([1.0, 2.0, 3.0].map(of));
        // Layer 4 lays nothing.
        all.set(5, of(5.0));
        assert_eq!(least(&all, 0..=6), [0.0, 1.0, 2.0, 3.0, 0.0, 5.0, 0.0]);
        let mut some = KnownLimits::of_layers([9.0].map(of));
        some.copy(&all, 2, 4);
        assert_eq!(least(&some, 0..=6), [0.0, 0.0, 2.0, 3.0, 0.0, 0.0, 0.0]);
        all.forget_before(3);
        all.set(6, of(6.0));
        // What is gone stays gone.
        all.set(2, of(7.0));
        assert_eq!(least(&all, 0..=6), [0.0, 0.0, 0.0, 3.0, 0.0, 5.0, 6.0]);
        all.forget_before(9);
        assert_eq!(least(&all, 0..=9), [0.0; 10]);
    }

    #[test]
    fn beads_are_all_once_their_number_is_known() {
        let known = |beads| KnownLimits { beads, ..KnownLimits::default() };
        assert!(!known(None).are_all(u64::MAX));
        assert!(!known(Some(5)).are_all(4) && known(Some(5)).are_all(5));
    }
}
